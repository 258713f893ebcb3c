"""A season's answers as they are kept beside a copy of it, and whether a copy gives the same.

What is kept is the JSON of `budvision results` for every sampling label, in English whoever asks,
without the soaking clock, which goes on, and without who decided that readers see proposals, whose
name is no part of a shared archive. It reads rows, settings and `policies.toml`, so that a copy
that gives the same answers has all three. What an answer holds and the rule behind its numbers may
change with the program: `RULE` stands beside the answers, and those kept by another rule are
compared by what no rule changes, the counts.
"""

from __future__ import annotations

import json
import math
from typing import Any

from sqlalchemy import Connection

from budvision.errors import BudvisionError, NothingToDoError, VerificationError
from budvision.language import speaking
from budvision.store import seal
from budvision.store.engine import DATABASE
from budvision.store.queries import overview
from budvision.store.queries.blocks import list_samplings
from budvision.store.session import Season
from budvision.workflow.answers.results import results

__all__ = ["RESULTS", "answers_of", "check_rows", "compared", "differences", "rows_not_as_saved"]

RESULTS = "data/results.json"

RULE = 6
"""Raised with every change of what an answer holds or how it is worked out; the first had none.

`tests/archive/test_rule.py` fails where reference answers change and this does not."""

_NEWEST = "(newest)"
_LEFT_OUT = ("soak", "trust")
_CLOSE = 1e-9


def rows_not_as_saved(season: Season, conn: Connection) -> list[str]:
    """Say which rows are not those that the program saved, nothing where all are.

    Parameters
    ----------
    conn : Connection
        A reading of the season; every row is hashed.
    """
    wrong = overview.database_faults(conn) or [
        f"table {one.table}, {one.rows}: {one.what}" for one in seal.verify(conn)]
    return [season.fault, *wrong] if season.fault else wrong


def check_rows(season: Season) -> None:
    """Refuse a season whose rows are not those that were saved.

    Raises
    ------
    VerificationError
        Naming the first fault.
    """
    with season.read() as conn:
        wrong = rows_not_as_saved(season, conn)
    if wrong:
        raise VerificationError(wrong[0], where=str(season.folder / DATABASE), code="changed_row",
                                expected="the rows that were saved",
                                do="Run `budvision check` in the season.")


def answers_of(season: Season) -> dict[str, Any]:
    """Return the answers of every sampling label and of each block's newest, and their rule."""
    with season.read() as conn:
        labels = sorted({one.label for one in list_samplings(conn)})
    out: dict[str, Any] = {}
    for label in (None, *labels):
        try:
            with speaking("en"):
                blocks = results(season, sampling=label)["blocks"]
        except NothingToDoError:
            blocks = []
        except BudvisionError as error:  # an unknown policy, for instance, is an answer too
            out[label or _NEWEST] = {"refused": error.what}
            continue
        assert isinstance(blocks, list)
        out[label or _NEWEST] = {
            one["block"]: {k: v for k, v in one.items() if k not in ("block", *_LEFT_OUT)}
            for one in blocks}
    return {"rule": RULE, "answers": json.loads(json.dumps(out))}


def compared(kept: Any, now: dict[str, Any]) -> str:
    """Return what of kept answers can be compared: "all", or "counts" where the rule was another.

    Parameters
    ----------
    kept : object
        As read from a copy.
    now : dict
        As `answers_of` returns it.
    """
    return "all" if _unpacked(kept)[0] == now["rule"] else "counts"


def differences(kept: Any, now: dict[str, Any]) -> list[str]:
    """Return where two sets of answers differ, numbers within a billionth being equal.

    Parameters
    ----------
    kept : object
        As read from a copy.
    now : dict
        As `answers_of` returns it.
    """
    one, other = _unpacked(kept)[1], now["answers"]
    if compared(kept, now) == "all":
        return _differences(one, other)
    return _differences(_counts(one), _counts(other), alike=2)


def _unpacked(kept: Any) -> tuple[int, Any]:
    """Return rule and answers; those of the first rule were kept bare, under the labels."""
    rule = 1
    if isinstance(kept, dict) and set(kept) == {"rule", "answers"} and type(kept["rule"]) is int:
        rule, kept = kept["rule"], kept["answers"]
    return rule, _without(kept, depth=2)


def _without(content: Any, *, depth: int) -> Any:
    """Return answers by label and block without what earlier copies kept and is not compared."""
    if not isinstance(content, dict):
        return content
    if not depth:
        return {name: value for name, value in content.items() if name not in _LEFT_OUT}
    return {name: _without(value, depth=depth - 1) for name, value in content.items()}


def _counts(content: Any) -> Any:
    """Return the counts within answers, and whatever leads to them."""
    if not isinstance(content, dict):
        return content
    return {name: _counts(value) for name, value in content.items()
            if isinstance(value, dict) or (name.startswith("n_") and isinstance(value, int))}


def _differences(
    kept: Any, now: Any, *, where: str = "", alike: float = math.inf
) -> list[str]:
    """Return the differences; below `alike` levels a name that only one has is none."""
    if isinstance(kept, dict) and isinstance(now, dict):
        one_sided = sorted(set(kept) ^ set(now)) if alike > 0 else []
        out = [f"{where}{name}: only one of the two has it" for name in one_sided]
        for name in sorted(set(kept) & set(now)):
            out += _differences(kept[name], now[name], where=f"{where}{name}, ", alike=alike - 1)
        return out
    if isinstance(kept, list) and isinstance(now, list) and len(kept) == len(now):
        return [line for i, (a, b) in enumerate(zip(kept, now, strict=True))
                for line in _differences(a, b, where=f"{where}{i}, ")]
    if type(kept) in (float, int) and type(now) in (float, int):
        if math.isclose(kept, now, rel_tol=_CLOSE, abs_tol=_CLOSE):
            return []
    elif kept == now:
        return []
    return [f"{where.removesuffix(', ')}: {str(kept)[:60]} was kept, {str(now)[:60]} comes out now"]
