"""Scores against worked examples; the card; the rule on doubtful sides; reasons in words."""

from __future__ import annotations

import json

import numpy as np
import pytest

from budvision.errors import InputError
from budvision.learning.modelcard import NOT_ON_REAL_BUDS, SECTIONS, check_card
from budvision.learning.scoring import binned_gap, confusion, coverage_curve, verdict_scores
from budvision.photo.features import FEATURES
from budvision.settings import models_folder
from budvision.verdict.model import names_to_ask
from budvision.verdict.reasons import why
from budvision.vocabulary import Tissue, Verdict


def test_calibration_error_toy() -> None:
    """Nine items, five bins: 0.10444. Data from memory of a published walk-through; computed."""
    confidence = [0.78, 0.64, 0.92, 0.58, 0.51, 0.85, 0.70, 0.63, 0.83]
    right = [1, 1, 0, 1, 0, 1, 1, 0, 1]
    assert binned_gap(confidence, right, n_bins=5) == pytest.approx(0.10444, abs=1e-5)


def test_scores_by_hand() -> None:
    said = ["live", "live", "dead", "dead", "unsure", "unsure", "live", "dead"]
    dead = [False, True, True, False, True, False, False, True]
    table = confusion(said, dead)
    assert table == {
        "live": {"live": 2, "dead": 1, "unsure": 1}, "dead": {"live": 1, "dead": 2, "unsure": 1},
    }
    score = verdict_scores(said, np.where(dead, 0.9, 0.1), dead)
    assert score["n"] == 8
    assert score["called"] == 0.75
    assert score["right"] == pytest.approx(4 / 6, abs=1e-5)
    assert score["dead_called_live"] == 0.25
    assert score["live_called_dead"] == 0.25
    assert verdict_scores([], [], [])["right"] is None


def test_wider_alpha_calls_more_then_errs_more() -> None:
    rng = np.random.default_rng(2)
    dead = rng.random(6000) < 0.5
    share = 1 / (1 + np.exp(-rng.normal(np.where(dead, 2.5, -2.5), 1.5)))
    curve = coverage_curve(share, dead)
    assert curve[0]["called"] < curve[3]["called"]
    assert curve[0]["wrong"] < curve[4]["wrong"]


def test_names_are_asked_for_only_where_they_matter() -> None:
    flankers = {Tissue.SECONDARY, Tissue.TERTIARY}
    differ = {Tissue.PRIMARY: Verdict.DEAD, Tissue.SECONDARY: Verdict.DEAD,
              Tissue.TERTIARY: Verdict.LIVE}
    alike = differ | {Tissue.TERTIARY: Verdict.DEAD}
    alone = {Tissue.PRIMARY: Verdict.LIVE, Tissue.SECONDARY: Verdict.DEAD}
    assert names_to_ask(differ, swap_doubt=0.0) == set()
    assert names_to_ask(alike, swap_doubt=0.4) == set()
    assert names_to_ask(alone, swap_doubt=0.05) == set()
    assert names_to_ask(alone, swap_doubt=0.4) == {Tissue.SECONDARY}
    assert names_to_ask(differ, swap_doubt=0.4) == flankers
    assert names_to_ask({Tissue.PRIMARY: Verdict.DEAD}, swap_doubt=0.4) == set()


def row(**values: float) -> dict[str, float]:
    return {feature.name: 0.0 for feature in FEATURES} | values


def test_reasons_name_what_can_be_seen() -> None:
    brown = row(brown_share=0.82, brown_share_inner=0.85)
    assert why(Verdict.DEAD, brown, {"brown": 2.0, "network": 5.0}).startswith(
        "82 % of the area is brown"
    )
    green = row(green_share_inner=0.91)
    assert "91 % of the middle is green" in why(Verdict.LIVE, green, {"green": -3.0})
    mixed = row(brown_share=0.6, brown_share_inner=0.6, texture_rings=0.2, light_inner=-1.0)
    text = why(Verdict.UNSURE, mixed, {"brown": 1.0, "pattern": -1.0})
    assert text == "60 % of the area is brown, but rings of leaf primordia show"
    assert "unlike" in why(Verdict.UNSURE, green, {}, strange=True)
    for verdict in Verdict:
        assert why(verdict, row(), {})


def test_the_shipped_card_is_whole_and_agrees_with_its_metrics() -> None:
    folder = models_folder() / "bench-1.0"
    card = (folder / "CARD.md").read_text(encoding="utf-8")
    check_card(card, where="CARD.md")
    metrics = json.loads((folder / "metrics.json").read_text(encoding="utf-8"))
    right = metrics["held_out"]["verdicts"]["all"]["right"]
    assert f"| {100 * right:.2f} % | 99.5 % |" in card
    assert NOT_ON_REAL_BUDS in card


def test_a_card_with_an_empty_section_fails() -> None:
    card = "# Model\n\n" + NOT_ON_REAL_BUDS + "\n" + "".join(
        f"\n## {section}\n\nSomething to say.\n" for section in SECTIONS
    )
    check_card(card, where="card")
    with pytest.raises(InputError, match="'How sure it is' is empty"):
        check_card(card.replace("How sure it is\n\nSomething to say.", "How sure it is\n"),
                   where="card")
    with pytest.raises(InputError, match="is missing"):
        check_card(card.replace("## What was measured", "## Measured"), where="card")
    with pytest.raises(InputError, match="does not say"):
        check_card(card.replace(NOT_ON_REAL_BUDS, ""), where="card")
