"""The card of a model tuned on a season's calls, written from facts; no section is empty."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from budvision.language import plain_count

__all__ = ["score_line", "tuned_card"]


def score_line(name: str, score: Mapping[str, Any]) -> str:
    """Write one score as a line of a card's table."""
    accuracy = score["accuracy"]
    right = "-" if accuracy is None else f"{accuracy:.1%}"
    return (f"| {name} | {score['n']} | {score['called']:.1%} | {right} | "
            f"{score['dead_called_live']} | {score['live_called_dead']} |")


def _strays(found: Mapping[str, Any]) -> str:
    """Say what it makes of regions that people called not exposed or moved."""
    if not found["n"]:
        return "No region was called *not exposed* or moved, so nothing was learnt of such regions."
    return (f"Of {plain_count(found['n'], 'region')} called *not exposed* or moved the base "
            f"proposes a verdict for {found['called_before']}, this model for "
            f"{found['called_after']}. "
            f"{found['why']}".rstrip())


def tuned_card(label: str, metrics: Mapping[str, Any], *, made: str) -> str:
    """Write the card.

    Parameters
    ----------
    label : str
        Name and version.
    metrics : mapping
        As `budvision.workflow.learning.train` writes them.
    made : str
        Time, ISO 8601.
    """
    scores = metrics["canes_left_out"]
    left = ", ".join(f"{n} ({what})" for what, n in metrics["left_out"].items()) or "nothing"
    labs = ", ".join(f"{name}: {n}" for name, n in metrics["labs"].items())
    rows = [score_line(f"base {metrics['base']}", scores["base"]),
            score_line("tuned", scores["tuned"])]
    rows += [score_line(f"tuned, {name}", s) for name, s in scores["tuned_by_tissue"].items()]
    labs_out = [
        score_line(f"{lab}, {who.replace('_', ' ')}", score)
        for lab, pair in metrics.get("leave_one_lab_out", {}).items()
        for who, score in pair.items()]
    shared = "Only one laboratory's calls were learnt from, so how it does elsewhere is not known."
    if labs_out:
        shared = (
            "Each laboratory judged by a model that had not seen any of its calls:\n\n"
            + "\n".join([
                "| laboratory | tissues | called | right among called | dead called live | "
                "live called dead |", "| --- | --- | --- | --- | --- | --- |", *labs_out]))
    return f"""# {label}

Made {made} by `budvision train`, starting from {metrics["base"]}.

## What it is

The segmenter and the estimators of {metrics["base"]}, with their log-odds of dead corrected by
the season's confirmed calls, limits between live, unsure and dead set anew where there were
enough calls, and the guard against the unknown widened to the season's own pictures.

## How it was chosen

{metrics["why"]} Candidates from "unchanged" to "rich" were compared by log loss with whole canes
left out; a change had to beat "unchanged" by more than half a standard error over canes.

## What it learnt from

{plain_count(metrics["n_tissues"], "tissue")} of
{plain_count(metrics["n_buds"], "bud")} on {plain_count(metrics["n_canes"], "cane")}:
{metrics["n_dead"]} called dead, {metrics["n_live"]} called live, the rest unsure or contradicted.
By source: {labs}. Left out: {left}. Hash of the training data:
`{metrics["training_data_sha256"]}`.

## How well it does

On these same buds, each judged by a correction that had not seen its cane (the limits were set on
the same left-out values, so the shares are a little flattering):

| model | tissues | called | right among called | dead called live | live called dead |
| --- | --- | --- | --- | --- | --- |
{chr(10).join(rows)}

{_strays(metrics["strays"])}

## Another laboratory

{shared}

## When not to trust it

It knows the lamp, camera and cultivars of the buds above. Compare it with the model in use on
blind calls before promoting it (`budvision models compare`), and train again when the page of the
model says that pictures or agreement have drifted. Readers saw the proposals for buds that were
not blind; the model may have learnt what it had said before.
"""
