"""A season's answers as they are kept beside a copy of it, and whether a copy gives the same.

What is kept is the JSON of `budvision results` for every sampling label, without the soaking
clock, which goes on. It reads rows, settings and `policies.toml`, so that a copy that gives the
same answers has all three.
"""

from __future__ import annotations

import json
import math
from typing import Any

from budvision.errors import BudvisionError, NothingToDoError
from budvision.store.queries.blocks import list_samplings
from budvision.store.session import Season
from budvision.workflow.answers.results import results

__all__ = ["RESULTS", "answers_of", "differences"]

RESULTS = "data/results.json"

_NEWEST = "(newest)"
_CLOSE = 1e-9


def answers_of(season: Season) -> dict[str, Any]:
    """Return the answers of every sampling label, and of each block's newest sampling."""
    with season.read() as conn:
        labels = sorted({one.label for one in list_samplings(conn)})
    out: dict[str, Any] = {}
    for label in (None, *labels):
        try:
            blocks = results(season, sampling=label)["blocks"]
        except NothingToDoError:
            blocks = []
        except BudvisionError as error:  # an unknown policy, for instance, is an answer too
            out[label or _NEWEST] = {"refused": error.what}
            continue
        assert isinstance(blocks, list)
        out[label or _NEWEST] = {
            one["block"]: {k: v for k, v in one.items() if k not in ("block", "soak")}
            for one in blocks}
    return dict(json.loads(json.dumps(out)))


def differences(kept: Any, now: Any, *, where: str = "") -> list[str]:
    """Return where two sets of answers differ, numbers within a billionth being equal."""
    if isinstance(kept, dict) and isinstance(now, dict):
        one_sided = sorted(set(kept) ^ set(now))
        out = [f"{where}{name}: only one of the two has it" for name in one_sided]
        for name in sorted(set(kept) & set(now)):
            out += differences(kept[name], now[name], where=f"{where}{name}, ")
        return out
    if isinstance(kept, list) and isinstance(now, list) and len(kept) == len(now):
        return [line for i, (a, b) in enumerate(zip(kept, now, strict=True))
                for line in differences(a, b, where=f"{where}{i}, ")]
    if type(kept) in (float, int) and type(now) in (float, int):
        if math.isclose(kept, now, rel_tol=_CLOSE, abs_tol=_CLOSE):
            return []
    elif kept == now:
        return []
    return [f"{where.removesuffix(', ')}: {str(kept)[:60]} was kept, {str(now)[:60]} comes out now"]
