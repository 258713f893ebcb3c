"""When to stop cutting: the quick look, and the sequential rule after each whole cane."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from budvision.settings import Settings
from budvision.stats.clusters import design_effect
from budvision.stats.sequential import SequentialPlan, quick_look, sequential_plan
from budvision.store.queries.blocks import sampling_by_id
from budvision.store.queries.calls import current_calls
from budvision.store.queries.review import bud_states
from budvision.store.session import Season
from budvision.vineyard.sample_plan import SamplePlan
from budvision.vocabulary import BudCalls, CallValue

__all__ = ["LEAST_CANES", "decision_state", "plan_facts", "rule_of", "stop_lines"]

LEAST_CANES = 3
"""The rule does not stop on fewer whole canes: one odd cane is not a block."""


def rule_of(settings: Settings, *, icc: float, nodes: int) -> SequentialPlan:
    """Return the season's sequential rule, its lines moved apart for buds of one cane.

    Parameters
    ----------
    settings : Settings
        For `decide_low`, `decide_high` and `decide_error`.
    icc : float
        Likeness of buds of one cane.
    nodes : int
        Buds a cane.

    Raises
    ------
    InputError
        When the season's two shares are not in order.
    """
    error = settings.number("decide_error")
    plain = sequential_plan(settings.number("decide_low"), settings.number("decide_high"),
                            alpha=error, beta=error)
    return plain.for_canes(design_effect(nodes, icc))


def stop_lines(
    rule: SequentialPlan, *, canes: int, nodes: int
) -> list[tuple[int, int | None, int | None]]:
    """Return after each number of canes the dead primaries that mean few, and that mean many."""
    early = [(c, None, None) for c in range(1, min(LEAST_CANES, canes + 1))]
    return early + [(c, rule.low_at(c * nodes), rule.high_at(c * nodes))
                    for c in range(LEAST_CANES, canes + 1)]


def _words(rule: SequentialPlan) -> str:
    return (f"The rule tells at most {rule.low_share:.0%} dead from at least "
            f"{rule.high_share:.0%} (chance of each error about {rule.alpha:.0%}).")


def plan_facts(plan: SamplePlan, settings: Settings | None = None) -> dict[str, Any]:
    """Return what a plan says of stopping early, as JSON, with the sentences for people."""
    look = quick_look()
    chances = {f"{share:.2f}": look.chance(share) for share in (0.15, 0.3, 0.5)}
    quick = ", ".join(f"{chance:.0%} at {float(share):.0%} dead"
                      for share, chance in chances.items())
    rule = rule_of(settings or Settings(), icc=plan.icc, nodes=plan.nodes)
    lines = stop_lines(rule, canes=len(plan.vines), nodes=plan.nodes)
    shown = "; ".join(
        f"{c} canes: {'–' if low is None else low} or fewer, {'–' if high is None else high} or "
        "more" for c, low, high in lines if low is not None or high is not None)
    return {
        "quick_look": {"nodes": look.n_buds, "least_dead": look.threshold,
                       "chance_to_go_on": chances},
        "sequential": {
            "low_share": rule.low_share, "high_share": rule.high_share, "alpha": rule.alpha,
            "beta": rule.beta, "h1": rule.h1, "h2": rule.h2, "slope": rule.slope,
            "lines": [{"canes": c, "low": low, "high": high} for c, low, high in lines],
        },
        "words": [
            f"Quick look first: cut {look.n_buds} nodes of different vines; go on to the whole "
            f"sample when {look.threshold} or more primaries are dead (chance to go on: {quick}).",
            f"Then after each whole cane: {_words(rule)} Stop at this many dead primaries so far: "
            f"{shown or 'the sample is too small for the rule to stop early'}.",
        ],
    }


def decision_state(season: Season, sampling_id: int) -> dict[str, Any]:
    """Return what the sequential rule says of the canes that are wholly called.

    Returns
    -------
    dict
        state (low, high, go_on or none), canes, n_dead, n_judged and words.
    """
    with season.read() as conn:
        sampling = sampling_by_id(conn, sampling_id)
        calls = current_calls(conn, sampling_id=sampling_id)
        states = bud_states(conn, sampling_id, doubts=False)
    open_canes = {row.cane for row in states if row.state in ("waiting", "no_photo", "partly")}
    whole = [row for row in calls if row.cane not in open_canes]
    n_canes, dead, judged = _count(whole)
    nodes = int(sampling.plan.get("nodes", 10)) if sampling.plan else 10
    icc = float(sampling.plan.get("icc", season.settings.number("prior_icc"))
                if sampling.plan else season.settings.number("prior_icc"))
    rule = rule_of(season.settings, icc=icc, nodes=nodes)
    if not judged:
        return {"state": "none", "canes": 0, "n_dead": 0, "n_judged": 0,
                "words": "The sequential rule speaks when the first whole cane is called."}
    state = rule.decide(dead, judged) if n_canes >= LEAST_CANES else "go_on"
    said = {
        "low": f"decided: at most {rule.low_share:.0%} of the primaries are dead. You may stop.",
        "high": f"decided: at least {rule.high_share:.0%} of the primaries are dead. You may stop.",
        "go_on": "go on." if n_canes >= LEAST_CANES else f"go on to {LEAST_CANES} canes at least.",
    }[state]
    return {"state": state, "canes": n_canes, "n_dead": dead, "n_judged": judged,
            "words": f"{dead} of {judged} primaries dead on {n_canes} whole "
                     f"cane{'' if n_canes == 1 else 's'}: {said}"}


def _count(calls: Sequence[BudCalls]) -> tuple[int, int, int]:
    judged = [row for row in calls if row.primary in (CallValue.LIVE, CallValue.DEAD)]
    dead = sum(row.primary is CallValue.DEAD for row in judged)
    return len({(row.cane, row.vine) for row in judged}), dead, len(judged)
