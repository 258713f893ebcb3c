"""When to stop cutting: the quick look, and the sequential rule after each cane."""

from __future__ import annotations

from typing import Any

from budvision.vineyard.sample_plan import SamplePlan
from budvision.vineyard.sample_size import QUICK_DEAD, QUICK_NODES, quick_look_chance

__all__ = ["plan_facts"]


def plan_facts(plan: SamplePlan) -> dict[str, Any]:
    """Return what a plan says of stopping early, as JSON, with the sentences for people."""
    chances = {f"{share:.2f}": quick_look_chance(share) for share in (0.15, 0.3, 0.5)}
    quick = ", ".join(f"{chance:.0%} at {float(share):.0%} dead"
                      for share, chance in chances.items())
    return {
        "quick_look": {"nodes": QUICK_NODES, "least_dead": QUICK_DEAD, "chance_to_go_on": chances},
        "words": [
            f"Quick look first: cut {QUICK_NODES} nodes of different vines; go on to the whole "
            f"sample when {QUICK_DEAD} or more primaries are dead (chance to go on: {quick}).",
        ],
    }
