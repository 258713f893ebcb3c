"""The card of a model with somebody's own classifier, written from facts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from budvision.language import plain_count
from budvision.learning.tuned_card import score_line

__all__ = ["estimator_card"]


def estimator_card(label: str, metrics: Mapping[str, Any], *, made: str) -> str:
    """Write the card.

    Parameters
    ----------
    label : str
        Name and version.
    metrics : mapping
        As `budvision.workflow.learning.own` writes them.
    made : str
        Time, ISO 8601.
    """
    scores = metrics["canes_left_out"]
    rows = "\n".join([score_line(f"base {metrics['base']}", scores["base"]),
                      score_line(label, scores["tuned"])])
    return f"""# {label}

Made {made} from a script, with the segmenter of {metrics["base"]}.

## What it is

`{metrics["estimator"]}`, fitted on the features of the season's confirmed calls and of nothing
else; its log-odds calibrated and its limits set on canes left out.

## What it learnt from

{plain_count(metrics["n_tissues"], "tissue")} called live or dead on
{plain_count(metrics["n_canes"], "cane")}.

## How well it does

Each tissue judged by a fit that had not seen its cane (calibration and limits were set on the
same left-out values, so the shares are a little flattering):

| model | tissues | called | right among called | dead called live | live called dead |
| --- | --- | --- | --- | --- | --- |
{rows}

## When not to trust it

It knows the lamp, camera and cultivars of these buds only, and has forgotten what the default
model learned from rendered pictures. Compare it with the model in use on blind calls before
promoting it (`budvision models compare`).
"""
