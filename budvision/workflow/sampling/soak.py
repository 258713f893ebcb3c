"""The soaking clock: how long canes have stood in water, and whether they may be cut.

Dead tissue browns in a day or two at room temperature. Cut too early, it still looks green.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial

from budvision.errors import InputError
from budvision.language import say
from budvision.settings import Settings
from budvision.store.queries.blocks import Sampling, sampling_by_id, update_sampling
from budvision.store.session import Season

__all__ = ["SoakClock", "parse_time", "record_times", "soak_clock"]

_OLDEST = timedelta(days=60)


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakClock:
    """How the soaking stands.

    Attributes
    ----------
    state : str
        unknown, soaking (too early to cut), usable (from `soak_min_h`), ready (from `soak_h`) or
        done (out of the water).
    hours : float or None
        Hours in water so far, or in all.
    ready_at, usable_at : str or None
        UTC times.
    early : bool
        Cutting now, or as it was done, is too early.
    words : str
        One or two sentences for people.
    """

    state: str
    hours: float | None
    usable_at: str | None
    ready_at: str | None
    early: bool
    words: str


def parse_time(text: str | None) -> datetime | None:
    """Read a stored time; None and empty give None.

    Raises
    ------
    InputError
        When it is no ISO 8601 time.
    """
    if not text:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"the time is {text!r}", expected="for instance 2026-01-15T09:30",
                         where="time", do="Correct it.") from None
    return found.astimezone(UTC)    # without a zone it is the local time of this machine


def soak_clock(sampling: Sampling, settings: Settings, *, at: datetime | None = None) -> SoakClock:
    """Say how the canes of a sampling stand at a moment.

    Parameters
    ----------
    sampling : Sampling
        With its times.
    settings : Settings
        For `soak_h` and `soak_min_h`.
    at : datetime, optional
        The moment, with a zone; now when left out.
    """
    moment = at or datetime.now(UTC)
    start, end = parse_time(sampling.in_water_at), parse_time(sampling.out_of_water_at)
    wanted, least = settings.soak_h, settings.soak_min_h
    if start is None:
        return SoakClock(state="unknown", hours=None, usable_at=None, ready_at=None, early=False,
                         words=say("Nobody has said when the canes went into water."))
    usable, ready = start + timedelta(hours=least), start + timedelta(hours=wanted)
    known = partial(SoakClock, usable_at=_text(usable), ready_at=_text(ready))
    if end is not None:
        hours = (end - start).total_seconds() / 3600
        early = hours < least
        words = say("{hours} h in water.", hours=f"{hours:.0f}")
        if early:
            words += " " + say("That is less than {least}: tissue that died may not have browned, "
                               "and mortality may come out too low.", least=f"{least:g}")
        return known(state="done", hours=hours, early=early, words=words)
    hours = (moment - start).total_seconds() / 3600
    if hours < least:
        return known(state="soaking", hours=hours, early=True, words=say(
            "{hours} h in water. Too early: below {least} h dead tissue may not have "
            "browned. About {wanted} h are common; published guides say 24 to 48 at room "
            "temperature.", hours=f"{hours:.0f}", least=f"{least:g}", wanted=f"{wanted:g}"))
    if hours < wanted:
        return known(state="usable", hours=hours, early=False, words=say(
            "{hours} h in water. It can be cut; about {wanted} h are common.",
            hours=f"{hours:.0f}", wanted=f"{wanted:g}"))
    return known(state="ready", hours=hours, early=False, words=say(
        "{hours} h in water. Ready to cut. Photograph each cut at once: cut surfaces brown by "
        "themselves.", hours=f"{hours:.0f}"))


def _text(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")


def record_times(
    season: Season, sampling_id: int, *, collected_at: str | None = None,
    in_water_at: str | None = None, out_of_water_at: str | None = None,
    room_temp_c: float | None = None, at: datetime | None = None,
) -> Sampling:
    """Keep the times of a sampling; what is None stays as it is, the empty text takes it back.

    Raises
    ------
    InputError
        When a time lies in the future or before the one it follows, or the room is not between
        -5 and 45 degrees.
    """
    moment = at or datetime.now(UTC)
    given = {"collected_at": collected_at, "in_water_at": in_water_at,
             "out_of_water_at": out_of_water_at}
    with season.write() as conn:
        known = sampling_by_id(conn, sampling_id)
        new: dict[str, str | float | None] = {}
        times: list[tuple[str, datetime]] = []
        for name, text in given.items():
            found = parse_time(text if text is not None else getattr(known, name))
            if text is not None:
                new[name] = None if found is None else _text(found)
            if found is not None:
                times.append((name, found))
        for name, found in times:
            words = name.removesuffix("_at").replace("_", " ")
            if found > moment + timedelta(minutes=5) or found < moment - _OLDEST:
                raise InputError(
                    f"{words} is {_text(found)}", where="soaking", do="Correct the time.",
                    expected="a time in the last 60 days, not in the future")
        for (name, first), (after, second) in itertools.pairwise(times):
            if second < first:
                raise InputError(
                    f"{after.removesuffix('_at').replace('_', ' ')} is {_text(second)}, before "
                    f"{name.removesuffix('_at').replace('_', ' ')}", where="soaking",
                    expected="collected, then into water, then out", do="Correct the times.")
        if room_temp_c is not None:
            if not -5 <= room_temp_c <= 45:
                raise InputError(f"the room is {room_temp_c:g} degrees", where="soaking",
                                 expected="-5 to 45 degrees Celsius", do="Correct it.")
            new["room_temp_c"] = room_temp_c
        update_sampling(conn, sampling_id, **new)
        return sampling_by_id(conn, sampling_id)
