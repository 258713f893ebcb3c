"""Earned trust: the first buds are called blind, then a lead decides whether proposals are shown.

A season begins on trial, and so does each further cultivar and camera, a sampling whose light has
changed, and a season whose model was replaced. What a decision is about is a `Subject`; what was
known of the model then is kept with it. Proposals stay hidden until every subject of a bud is
decided for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from budvision.errors import ConflictError, InputError
from budvision.language import locale_day, mark, say, say_n
from budvision.settings import Settings
from budvision.store.counts import versions
from budvision.store.queries.blocks import list_samplings
from budvision.store.queries.overview import samplings_with
from budvision.store.queries.people import Person
from budvision.store.queries.review import BlindCall, blind_calls
from budvision.store.queries.trust import (
    Subject,
    TrustRow,
    add_trust,
    casts_of,
    cultivars_of,
    pictured_buds,
    standing_trust,
)
from budvision.store.remembered import Form
from budvision.store.session import Season
from budvision.verdict.watch import light_moved
from budvision.vocabulary import CallValue, Verdict
from budvision.workflow.review.agreement import Share, model_agreement, share_of

__all__ = ["Agreed", "Part", "Trial", "decide", "note_light", "trial", "trust_words_of"]

_AT_ONCE = 200
Light = tuple[bool, list[tuple[float, float, float]]]
_LIGHT: Form[Light] = Form(
    put=lambda light: light,
    take=lambda kept: (kept[0], [(cast[0], cast[1], cast[2]) for cast in kept[1]]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreed:
    """How often the model agreed with blind calls.

    Attributes
    ----------
    live, dead : Share
        Of the tissues called live (dead) for which it proposed live or dead, those where it said
        the same.
    unsure : Share
        Of the tissues called live or dead that it saw exposed, those that it left unsure.
    """

    model: str
    n_buds: int
    live: Share
    dead: Share
    unsure: Share

    def as_dict(self) -> dict[str, Any]:
        """Return the counts, as they are kept with a decision."""
        return {"model": self.model, "n_buds": self.n_buds,
                **{name: [one.n_hit, one.n] for name, one in (
                    ("live", self.live), ("dead", self.dead), ("unsure", self.unsure))}}


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One subject on trial.

    Attributes
    ----------
    words : str
        What it is, as in a sentence.
    n_wanted, n_called, n_left : int
        Buds to be called blind, those called so beside a proposal, and photographed ones that
        nobody has called.
    standing : TrustRow or None
        The decision, or the program's note, that stands.
    """

    subject: Subject
    words: str
    n_wanted: int
    n_called: int
    n_left: int
    agreed: Agreed
    standing: TrustRow | None

    @property
    def ready(self) -> bool:
        """Whether a lead can decide: enough was called, or there is nothing left to call."""
        return self.n_called >= self.n_wanted or (not self.n_left and self.n_called > 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """How far trust is earned; without `parts` nothing is on trial.

    `decided` is the newest decision of the season, None before the first.
    """

    parts: tuple[Part, ...]
    decided: TrustRow | None

    @property
    def ready(self) -> tuple[Part, ...]:
        """The parts that a lead can decide on now."""
        season = next((part for part in self.parts if part.subject.kind == "season"), None)
        if season is not None and not season.ready:
            return ()
        return tuple(part for part in self.parts if part.ready)


@dataclass(frozen=True, slots=True)
class _Group:
    """The photographed buds of one sampling and the same cameras."""

    cameras: frozenset[str]
    n_left: int
    agreed: Mapping[str, Agreed]
    newest: tuple[str, str]


def trial(season: Season, conn: Connection) -> Trial:
    """Say what is on trial, how far it is, and how often the model agreed so far.

    Only calls beside the model that proposed last count. Only samplings that were written to since
    this was last asked are walked over.
    """
    settings = season.settings
    standing = standing_trust(conn)
    decided = standing.get(Subject("season"))
    if not settings.trial_buds:
        return Trial(parts=(), decided=decided)
    confidence = settings.confidence
    kept = season.remembered.each(
        ("trial", confidence), versions(conn),
        lambda stale: _groups_of(conn, stale, confidence), conn=conn, form=_form(confidence))
    groups = {key: found for key, found in kept.items() if found}
    cultivars = {key: name for key, name in cultivars_of(conn).items() if key in groups}
    newest = max((one.newest for found in groups.values() for one in found), default=("", ""))[1]
    if decided is not None and decided.value == "again":  # nothing was called beside it so far
        newest = str(decided.facts.get("model", ""))
    parts = [
        _part(conn, subject, words, standing.get(subject), settings=settings, newest=newest,
              groups=[one for key, found in groups.items() for one in found
                      if _is_of(one, key, cultivars[key], subject)])
        for subject, words in _subjects(conn, groups, cultivars, standing).items()
        if subject not in standing or standing[subject].value != "shown"
    ]
    return Trial(parts=tuple(parts), decided=decided)


def _part(
    conn: Connection, subject: Subject, words: str, row: TrustRow | None, *, settings: Settings,
    newest: str, groups: Sequence[_Group],
) -> Part:
    confidence = settings.confidence
    if row is not None and subject.kind == "light":  # what was called before says nothing of it
        agreed = _agreed([one for one in blind_calls(conn, sampling_ids=[subject.sampling_id or 0])
                          if one.model == newest and one.added_at > row.added_at], confidence)
    else:
        agreed = _together([one.agreed[newest] for one in groups if newest in one.agreed],
                           newest, confidence)
    first, again = settings.trial_buds, settings.trial_again_buds
    whole = subject.kind == "season" and (row is None or row.value != "again")
    return Part(
        subject=subject, words=words, standing=row, agreed=agreed, n_called=agreed.n_buds,
        n_wanted=first if whole else min(first, again),
        n_left=sum(one.n_left for one in groups))


def _is_of(group: _Group, sampling_id: int, cultivar: str, subject: Subject) -> bool:
    return {"season": True, "cultivar": cultivar == subject.name,
            "camera": subject.name in group.cameras,
            "light": sampling_id == subject.sampling_id}[subject.kind]


def _groups_of(
    conn: Connection, sampling_ids: Sequence[int], confidence: float
) -> dict[int, tuple[_Group, ...]]:
    found: dict[int, tuple[_Group, ...]] = {}
    for start in range(0, len(sampling_ids), _AT_ONCE):
        part = sampling_ids[start:start + _AT_ONCE]
        pictured = pictured_buds(conn, part)
        group_of = {bud.bud_id: (key, bud.cameras)
                    for key, buds in pictured.items() for bud in buds}
        calls: dict[tuple[int, frozenset[str]], list[BlindCall]] = {}
        for one in blind_calls(conn, sampling_ids=part):
            if one.bud_id in group_of:
                calls.setdefault(group_of[one.bud_id], []).append(one)
        for key, buds in pictured.items():
            found[key] = tuple(
                _group(cameras, sum(not bud.called for bud in buds if bud.cameras == cameras),
                       calls.get((key, cameras), ()), confidence)
                for cameras in dict.fromkeys(bud.cameras for bud in buds))
    return found


def _group(
    cameras: frozenset[str], n_left: int, calls: Sequence[BlindCall], confidence: float
) -> _Group:
    return _Group(
        cameras, n_left,
        {model: _agreed([one for one in calls if one.model == model], confidence)
         for model in sorted({one.model for one in calls})},
        (calls[-1].added_at, calls[-1].model) if calls else ("", ""))


def _form(confidence: float) -> Form[tuple[_Group, ...]]:
    """Return how the groups of a sampling are kept: counts, from which intervals follow."""
    def take(kept: Sequence[Any]) -> tuple[_Group, ...]:
        return tuple(_Group(
            frozenset(cameras), n_left,
            {name: Agreed(model=name, n_buds=one["n_buds"], **{
                part: share_of(one[part][0], one[part][1], confidence)
                for part in ("live", "dead", "unsure")})
             for name, one in agreed.items()}, (newest[0], newest[1]))
            for cameras, n_left, agreed, newest in kept)

    return Form(put=lambda groups: [
        [sorted(one.cameras), one.n_left,
         {name: agreed.as_dict() for name, agreed in one.agreed.items()}, one.newest]
        for one in groups], take=take)


def _subjects(
    conn: Connection, groups: Mapping[int, Sequence[_Group]], cultivars: Mapping[int, str],
    standing: Mapping[Subject, TrustRow],
) -> dict[Subject, str]:
    """Return everything that proposals are to earn trust for, each in words."""
    wanted = {Subject("season"): say("this season")}
    for name in sorted(set(cultivars.values())):
        wanted[Subject("cultivar", name)] = (
            say("the cultivar {name}", name=name) if name
            else say("blocks whose cultivar is not named"))
    for name in sorted({one for found in groups.values() for group in found
                        for one in group.cameras}):
        wanted[Subject("camera", name)] = (
            say("the camera {name}", name=name) if name else say("photographs that name no camera"))
    names = {row.id: f"{row.block}, {row.label}" for row in list_samplings(conn)}
    return wanted | {one: say("the light of {name}", name=names[one.sampling_id])
                     for one in standing if one.sampling_id in names}


def _agreed(rows: Sequence[BlindCall], confidence: float) -> Agreed:
    agreement = model_agreement(rows, confidence=confidence)
    judged = [row for row in rows if row.exposed and row.verdict in (Verdict.LIVE, Verdict.DEAD)]

    def same(value: CallValue) -> Share:
        called = [row for row in judged if row.value is value]
        hits = sum(row.verdict is not None and row.verdict.value == value.value for row in called)
        return share_of(hits, len(called), confidence)

    return Agreed(model=rows[-1].model if rows else "", n_buds=len({row.bud_id for row in rows}),
                  live=same(CallValue.LIVE), dead=same(CallValue.DEAD), unsure=agreement.unsure)


def _together(rows: Sequence[Agreed], model: str, confidence: float) -> Agreed:
    """Return the agreement over groups that share no bud."""
    def over(shares: Sequence[Share]) -> Share:
        return share_of(sum(one.n_hit for one in shares), sum(one.n for one in shares), confidence)

    return Agreed(
        model=model if rows else "", n_buds=sum(one.n_buds for one in rows),
        live=over([one.live for one in rows]), dead=over([one.dead for one in rows]),
        unsure=over([one.unsure for one in rows]))


def decide(season: Season, *, shown: bool, person: Person, reason: str) -> tuple[Subject, ...]:
    """Keep a lead's decision whether readers see proposals, with what was known of the model.

    It is about every part that is ready. Where none is, hiding takes the season's back.

    Returns
    -------
    tuple of Subject
        What the decision is about.

    Raises
    ------
    InputError
        When no reason is given.
    ConflictError
        When too few buds have been called blind to decide.
    """
    if not reason.strip():
        raise InputError("the reason is empty", expected="why proposals are shown or hidden",
                         where="trial", do="Say it in a sentence; it is kept.")
    with season.write() as conn:
        now = trial(season, conn)
        ready = now.ready
        if not ready and (shown or now.decided is None or now.decided.value != "shown"):
            counts = "; ".join(f"{part.words}: {part.n_called} of {part.n_wanted}"
                               for part in now.parts) or "nothing is on trial"
            raise ConflictError(
                f"too few buds were called blind ({counts})", where="trial", code="trial_goes_on",
                expected="enough blind calls to judge the model by", do="Go on calling.")
        for part in ready:
            add_trust(conn, part.subject, "shown" if shown else "hidden", person_id=person.id,
                      reason=reason, facts=part.agreed.as_dict())
        if not ready:
            add_trust(conn, Subject("season"), "hidden", person_id=person.id, reason=reason)
        return tuple(part.subject for part in ready) or (Subject("season"),)


def note_light(season: Season, sampling_id: int) -> str:
    """Begin a shorter trial of a sampling whose light differs from that of all others.

    Returns
    -------
    str
        How it moved; empty where it did not, or where the light was noted before.
    """
    if not season.settings.trial_buds:
        return ""
    with season.read() as conn:
        standing = standing_trust(conn)
        subject = Subject("light", "", sampling_id)
        decided = standing.get(Subject("season"))
        if subject in standing or decided is None or decided.value != "shown":
            return ""
        looked = season.remembered.each(
            "light", versions(conn),
            lambda stale: {key: (any(bud.called for bud in buds), casts_of(conn, key))
                           for key, buds in pictured_buds(conn, stale).items()},
            conn=conn, form=_LIGHT)
    before = [one for key, (called, casts) in looked.items() if called and key != sampling_id
              for one in casts]
    moved = light_moved(before, looked[sampling_id][1] if sampling_id in looked else [])
    if moved:
        with season.write() as conn:
            add_trust(conn, subject, "again", reason=f"The light has moved: {moved}.")
    return moved


def trust_words_of(
    conn: Connection, settings: Settings, groups: Mapping[int, tuple[str, Sequence[int]]]
) -> dict[int, str]:
    """Say in a sentence or two whether readers saw proposals, and on what ground.

    Parameters
    ----------
    groups : mapping
        To the cultivar, and the samplings that the answer is of, the first of them foremost.

    Returns
    -------
    dict
        Empty without trials; groups without photographs are left out.
    """
    if not settings.trial_buds:
        return {}
    standing = standing_trust(conn)
    pictured = set(samplings_with(conn, "n_photos"))
    return {key: _words(standing, cultivar, samplings)
            for key, (cultivar, samplings) in groups.items() if pictured & set(samplings)}


def _words(
    standing: Mapping[Subject, TrustRow], cultivar: str, sampling_ids: Sequence[int]
) -> str:
    season = standing.get(Subject("season"))
    if season is None:
        return say(
            "Readers did not see the program's proposals: nobody has decided yet to show them.")
    if season.value == "again":
        return say("Readers saw the program's proposals until {day}. Since then {model} proposes, "
                   "and its proposals are hidden until it has earned trust.",
                   day=locale_day(season.added_at), model=season.facts.get("model", ""))
    rows = [standing.get(Subject("cultivar", cultivar))]
    rows += [row for key in sampling_ids if (row := standing.get(Subject("light", "", key)))]
    row = max([season, *(one for one in rows if one is not None)], key=lambda one: one.id)
    waits = season.value == "shown" and (
        rows[0] is None or any(one is not None and one.value == "again" for one in rows))
    if row.value == "again":
        row = season
    did = (mark("Readers see the program's proposals since {day}, as {person} decided")
           if row.value == "shown" else
           mark("The program's proposals are hidden from readers since {day}, as {person} decided"))
    told, facts = say(did, day=locale_day(row.added_at), person=row.person), row.facts
    if facts.get("n_buds"):
        told += say(
            ": in {buds} called before they were shown it had agreed on {live} and {dead}",
            buds=say_n("{n} bud", "{n} buds", facts["n_buds"]),
            live=say_n("{n_hit} of {n} live tissue", "{n_hit} of {n} live tissues",
                       facts["live"][1], n_hit=facts["live"][0]),
            dead=say_n("{n_hit} of {n} dead tissue", "{n_hit} of {n} dead tissues",
                       facts["dead"][1], n_hit=facts["dead"][0]))
    return f"{told}." if not waits else f"{told}. " + say(
        "For this cultivar and light they stay hidden until enough buds are called without them.")
