"""Answers do not change without the number of their rule: a few tallies, kept with the number.

After a change that is meant to be: raise `RULE`, then write the answers anew with
``python tests/archive/test_rule.py``.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from budvision.settings import Settings
from budvision.vineyard.buds import BudTable
from budvision.vineyard.mortality import summarise_table
from budvision.vocabulary import BudCalls, CallValue
from budvision.workflow.answers.tally import results_as_dict
from budvision.workflow.archive.proof import RULE, differences

KEPT = Path(__file__).parent / "rule.json"
LIVE, DEAD, UNSURE = CallValue.LIVE, CallValue.DEAD, CallValue.UNSURE


def block(name: str, dead: list[int], *, unsure: int = 0, vines: int = 0) -> list[BudCalls]:
    """Return canes of ten buds, so many basal primaries dead on each."""
    buds = [BudCalls(
        block=name, vine=str(cane % vines) if vines else "", cane=str(cane), node=node,
        zone=("top", "low")[cane % 2], vigor=("small", "large")[cane % 3 > 0],
        primary=DEAD if node <= n else LIVE, secondary=DEAD if node == 1 else LIVE,
        tertiary=LIVE) for cane, n in enumerate(dead) for node in range(1, 11)]
    return [replace(bud, primary=UNSURE) if at < unsure else bud for at, bud in enumerate(buds)]


def answers() -> dict[str, Any]:
    """Return the reference answers, as they are kept beside a copy of a season."""
    buds = [*block("mixed", [3, 5, 2, 4, 3, 6, 1, 4, 5, 2]), *block("none", [0] * 10),
            *block("all", [10] * 4), *block("one cane", [4]), *block("whole", [10, 0, 10, 0, 0]),
            *block("unsure", [4] * 10, unsure=35), *block("vines", [2, 6, 3, 1, 9, 4], vines=3),
            *block("zones", [1, 8, 2, 9, 1, 7, 0, 8]), *block("sizes", [1, 8, 2, 9, 1, 7]),
            *block("one bud", [1, 0, 0, 1, 0])]
    buds = [bud for bud in buds if (bud.block, bud.cane) != ("one bud", "0") or bud.node == 1]
    results = summarise_table(
        BudTable.from_calls(buds), settings=Settings(),
        zone_shares={"zones": {"top": .8, "low": .2}},
        strata_shares={"sizes": {"small": .3, "large": .7}}, normal_nodes={"mixed": 46})
    blocks = results_as_dict(results)["blocks"]
    return {"rule": RULE, "answers": json.loads(json.dumps(
        {"reference": {one["block"]: one for one in blocks}}))}


def test_a_changed_answer_has_a_new_rule() -> None:
    kept, now = json.loads(KEPT.read_text(encoding="utf-8")), answers()
    assert kept["rule"] == RULE, "the rule is new: write the reference answers anew"
    assert differences(kept, now) == [], "answers changed: raise RULE and write them anew"


def test_a_small_change_would_be_told() -> None:
    now = answers()
    kept = json.loads(json.dumps(now))
    kept["answers"]["reference"]["none"]["primary"]["high"] += 1e-6
    assert len(differences(kept, now)) == 1


if __name__ == "__main__":
    KEPT.write_text(json.dumps(answers(), indent=1) + "\n", encoding="utf-8")
