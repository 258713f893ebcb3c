"""When to stop cutting: the quick look, and the rule for the policy's bands after each cane."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from budvision.language import percent_text, say, say_n, spoken
from budvision.report.words import and_list, chance_words, count
from budvision.settings import Settings
from budvision.stats.quick_look import QuickLook
from budvision.stats.stopping import (
    FIRST_LOOK,
    SURE,
    Look,
    Stopped,
    band_decided,
    simulate_stopping,
    stopping_looks,
)
from budvision.store.queries.blocks import block_by_id, sampling_by_id
from budvision.store.queries.calls import current_calls
from budvision.store.queries.states import bud_states
from budvision.store.session import Season
from budvision.vineyard.mortality import chosen_policy
from budvision.vineyard.policies import Band, Policy, shipped_policies
from budvision.vineyard.sample_plan import SamplePlan
from budvision.vineyard.training import read_training
from budvision.vocabulary import BudCalls, CallValue

__all__ = ["band_share_words", "decision_state", "only_kept_words", "plan_facts", "plan_looks"]


def _policy(name: str, settings: Settings, folder: Path | None) -> Policy:
    known = shipped_policies(None if folder is None else folder / "policies.toml")
    return chosen_policy(replace(settings, policy=name or settings.policy), known)


def band_share_words(band: Band) -> str:
    """Word the shares of a band: up to 14%, 14% to 35%, above 50%."""
    if band.low <= 0:
        return say("up to {high}", high=_percent(band.high))
    if band.high < 1:
        return say("{low} to {high}", low=_percent(band.low), high=_percent(band.high))
    return say("above {low}", low=_percent(band.low))


def plan_looks(
    plan: SamplePlan, settings: Settings | None = None, *, folder: Path | None = None,
) -> tuple[Policy, tuple[Look, ...]]:
    """Return the policy of a plan, and after which canes how many dead primaries end cutting.

    Parameters
    ----------
    settings : Settings, optional
        The season's.
    folder : Path, optional
        Season folder, for policies of its own.

    Raises
    ------
    InputError
        When there is no such policy.
    """
    policy = _policy(plan.policy, settings or Settings(), folder)
    return policy, stopping_looks(policy.edges, n_units=len(plan.vines),
                                  size=plan.counted_nodes, prior_icc=plan.icc)


def only_kept_words(plan: SamplePlan) -> str:
    """Say which nodes the rule counts, where a plan cuts more than pruning keeps."""
    kept = read_training(plan.training)
    if kept is None or kept.nodes >= plan.nodes:
        return ""
    return say("Only {nodes} count, those that pruning keeps.", nodes=kept.kept)


def _errors(plan: SamplePlan, policy: Policy, looks: Sequence[Look]) -> list[tuple[Stopped, ...]]:
    """Simulate the rule at a quarter and at three quarters of each band."""
    rng = np.random.default_rng(plan.draw)
    return [
        tuple(simulate_stopping(
            band.low + part * (band.high - band.low), rng=rng, edges=policy.edges,
            icc=plan.icc, n_units=len(plan.vines), size=plan.counted_nodes, looks=looks)
            for part in (0.25, 0.75))
        for band in policy.bands
    ]


def plan_facts(
    plan: SamplePlan, settings: Settings | None = None, *, folder: Path | None = None,
) -> dict[str, Any]:
    """Return what a plan says of stopping early, as JSON, with the sentences for people."""
    look = QuickLook()
    chances = {f"{share:.2f}": look.chance(share) for share in (0.15, 0.3, 0.5)}
    quick = ", ".join(say("{chance} at {share} dead", chance=_percent(chance),
                          share=_percent(float(share))) for share, chance in chances.items())
    policy, looks = plan_looks(plan, settings, folder=folder)
    n_buds = len(plan.vines) * plan.counted_nodes
    errors = _errors(plan, policy, looks) if looks else []
    by_units = {one.units: one for one in looks}
    lines = [{"canes": c, "bands": [
        {"name": band.name, "from": ends[0], "to": ends[1]}
        for band, ends in zip(policy.bands, by_units[c].dead, strict=True) if ends
    ] if c in by_units else []} for c in range(1, len(plan.vines) + 1)]
    return {
        "quick_look": {"nodes": look.n_buds, "least_dead": look.threshold,
                       "chance_to_go_on": chances},
        "sequential": {
            "policy": policy.name, "edges": list(policy.edges), "sure": SURE, "lines": lines,
            "errors": [{"share": row.truth, "right": row.right, "right_whole": row.right_whole,
                        "buds": row.mean_share * n_buds} for rows in errors for row in rows],
        },
        "words": [
            plan.which_nodes,
            say("Quick look first: cut {nodes} of different vines; go on to the whole sample when "
                "{n} or more primaries are dead (chance to go on: {chances}).",
                nodes=count(look.n_buds, "node"), n=look.threshold, chances=quick),
            *_words(policy, looks, errors, n_buds),
            *filter(None, [only_kept_words(plan)]),
            *([say("Cut canes of each zone in turn: the rule counts them together, so it holds "
                   "only once each zone is among them.")]
              if looks and len(plan.layout.zones) > 1 else []),
        ],
    }


def _words(
    policy: Policy, looks: Sequence[Look], errors: Sequence[Sequence[Stopped]], n_buds: int
) -> list[str]:
    rule = say("Then after each whole cane, from {canes} on: stop when one band of policy "
               "{policy} is {sure} likely.", canes=count(FIRST_LOOK, "cane"),
               policy=policy.name, sure=_percent(SURE))
    stops = [one for one in looks if any(one.dead)]
    shown = "; ".join(
        f"{count(one.units, 'cane')}: " + ", ".join(
            say("{low} to {high} dead ({band})", low=ends[0], high=ends[1],
                band=band_share_words(band))
            for band, ends in zip(policy.bands, one.dead, strict=True) if ends)
        for one in stops[::len(stops) // 6 + 1])
    if not shown:
        return [f"{rule} " + say("This sample is too small for that: cut all of it.")]
    means = "; ".join(
        say("{band}: right band in {right} ({whole} with the whole sample), {buds} of {n}",
            band=band_share_words(band), n=n_buds,
            right=_percent(float(np.mean([row.right for row in rows]))),
            whole=_percent(float(np.mean([row.right_whole for row in rows]))),
            buds=count(round(np.mean([row.mean_share for row in rows]) * n_buds), "bud"))
        for band, rows in zip(policy.bands, errors, strict=True))
    return [f"{rule} " + say("Dead primaries so far with which you may stop, for some numbers of "
                             "canes (the bench tally lists more): {shown}.", shown=shown),
            say("What that costs and saves, on average of simulated samples: {means}.",
                means=means)]


def _percent(share: float) -> str:
    """Return a share as whole percent, close to its number in English as in the bands' names."""
    return f"{share:.0%}" if spoken() == "en" else percent_text(round(100 * share))


def decision_state(season: Season, sampling_id: int) -> dict[str, Any]:
    """Return what the rule says of the canes that are wholly called.

    Returns
    -------
    dict
        state (none, go_on, decided, or whole when the plan's canes are all called), band (a name,
        where decided), canes, n_dead, n_judged and words.
    """
    with season.read() as conn:
        sampling = sampling_by_id(conn, sampling_id)
        calls = current_calls(conn, sampling_id=sampling_id)
        kept = read_training(block_by_id(conn, sampling.block_id).training_system)
        states = bud_states(conn, sampling_id, doubts=False)
    open_canes = {row.cane for row in states if row.state in ("waiting", "no_photo", "partly")}
    whole = [row for row in calls if row.cane not in open_canes
             and (kept is None or row.node <= kept.nodes)]
    n_canes, dead, judged = _count(whole)
    if not judged:
        return {"state": "none", "band": None, "canes": 0, "n_dead": 0, "n_judged": 0,
                "words": say("No primary of the canes called was live or dead: the stopping rule "
                             "has nothing to go by.") if whole else
                say("The stopping rule speaks when the first whole cane is called.")}
    made = sampling.plan or {}
    policy = _policy(str(made.get("policy", "")), season.settings, season.folder)
    prior = float(made.get("icc", season.settings.prior_icc))
    number, chance = band_decided(dead, judged, n_canes, policy.edges, prior_icc=prior)
    band = None if number < 0 else policy.bands[number]
    unseen = _zones_unseen(made, {row.cane for row in whole})
    if n_canes >= int(made.get("canes", n_canes + 1)):
        state, advice = "whole", say("the whole sample is called; its answer is in the results.")
    elif band is not None and unseen:
        state, advice = "go_on", say("go on: of {zones} no whole cane is called yet.",
                                     zones=and_list(unseen))
    elif band is not None:
        state = "decided"
        advice = say("{shares} dead is {chance} likely. You may stop.",
                     shares=band_share_words(band), chance=chance_words(chance))
    else:
        state = "go_on"
        advice = say("go on.") if n_canes >= FIRST_LOOK else say_n(
            "go on to {n} cane at least.", "go on to {n} canes at least.", FIRST_LOOK)
    return {"state": state, "band": band.name if band is not None and state == "decided" else None,
            "canes": n_canes, "n_dead": dead, "n_judged": judged,
            "words": say_n("{dead} of {judged} primaries dead on {n} whole cane: {said}",
                           "{dead} of {judged} primaries dead on {n} whole canes: {said}",
                           n_canes, dead=dead, judged=judged, said=advice)}


def _zones_unseen(plan: Mapping[str, Any], canes: set[str]) -> list[str]:
    """Return the zones of a plan none of whose canes is among these."""
    of = {str(vine["cane"]): str(vine.get("zone", "")) for vine in plan.get("vines", ())}
    seen = {of.get(cane, "") for cane in canes}
    return [zone for zone in dict.fromkeys(of.values()) if zone and zone not in seen]


def _count(calls: Sequence[BudCalls]) -> tuple[int, int, int]:
    judged = [row for row in calls if row.primary in (CallValue.LIVE, CallValue.DEAD)]
    dead = sum(row.primary is CallValue.DEAD for row in judged)
    return len({(row.cane, row.vine) for row in judged}), dead, len(judged)
