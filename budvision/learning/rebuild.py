"""Build a model folder anew: train the verdict, evaluate, write card, metrics and the registry.

``python -m budvision.learning.rebuild --out models/bench-1.0 --work /tmp/rows`` draws and looks at
photographs (`budvision.learning.observe`) unless the work folder holds the tables already (further
``train_*.npz`` there, of other seeds or earlier weights of the segmenter, are added), trains the
verdict model on the segmenter's own regions, evaluates on seeds that nothing was trained on,
and writes ``verdict.skops``, ``metrics.json`` and ``CARD.md`` beside ``segmenter.onnx``.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree

import numpy as np

from budvision.files import write_whole
from budvision.language import plain_count
from budvision.learning.evaluate import (
    evaluate_observations,
    leave_one_world_out,
    robustness,
    training_rows,
    unsure_rows,
)
from budvision.learning.modelcard import write_card
from budvision.learning.observe import (
    FIRST_SEED,
    draw_scene,
    load_observations,
    observe,
    observe_many,
    save_observations,
)
from budvision.learning.recipes import compare_recipes
from budvision.learning.train import ALPHA, fit_verdict
from budvision.photo.features import FEATURE_VERSION
from budvision.photo.segment import Segmenter
from budvision.verdict.persist import save_verdict
from budvision.verdict.propose import Proposer
from budvision.verdict.registry import ModelEntry, add_model, library_versions

__all__ = ["PARTS", "main", "rebuild"]

PARTS: Final = {
    "train": (FIRST_SEED, 6000, "tidy"),
    "held_out": (FIRST_SEED + 100_000_000, 1500, "tidy"),
    "other_hand": (1000, 450, "standin"),
}
"""Tables of observations: first seed, photographs, and who draws (`HANDS`)."""
RECIPE_SEED: Final = FIRST_SEED + 700_000_000
KINDS: Final = ("logistic",)
WRONG: Final = (
    "A flanker alone is the hardest: unless the side of the cane base is known (the photo card's "
    "arrow, or the season's `cane_base`), whether it is the secondary or the tertiary shows in "
    "little but its size; where it is doubted, it is unsure. A small patch of wool or of light is "
    "now and then taken for a flanker. That and the smallest tertiaries, which are missed, keep "
    "the tertiary's centre and *exposed* low where the side is not known; the rows above give both "
    "with it too. "
    "Dead tissue that is still dull olive and live tissue that is pale or lit by strongly coloured "
    "lamps look alike; many of them are unsure rather than called, and so are tissues in wool as "
    "brown as dead tissue, of which more are called wrongly too. Some of the wrong calls on "
    "known worlds are right calls under the wrong name. A cut under the "
    "buds that is bright and smooth, a glare that leaves islands of tissue and a face half covered "
    "by a finger are refused less surely than blur, darkness or a missing cut face: the last two "
    "are most of what is missed on drawings of another hand. Of good but hard renders more are "
    "refused than asked for, as cut too deep, too blurred or too dark, near the border where "
    "people would disagree too; looser limits would let more unusable ones through. Tissue that "
    "nobody could tell in the picture (of the wool's own colour, burnt out, cut off by the frame) "
    "and photographs on the border of too dark or blown out are not counted "
    "(budvision.render.visible). A proposal takes under 1.5 times a plain decode only in a fresh "
    "process: where a long-running one uses its memory again, the decode gets quicker and the "
    "proposal took 2.3 times as long (tests/benchmarks/test_propose_speed.py says how). Reddish "
    "live tissue, moulds and stains that were never drawn can mislead it. Tried without gain over "
    "the logistic regression: perceptrons, boosted trees, pairs of features."
)


def rebuild(
    folder: Path, *, work: Path, workers: int, n_robust: int, n_recipe: int, note: str = "",
    smaller: float = 1.0, figures: Sequence[Path] = (), alpha: float = ALPHA,
) -> dict[str, Any]:
    """Train, evaluate and write a model folder that holds ``segmenter.onnx``.

    Parameters
    ----------
    folder : Path
        ``<name>-<version>``.
    work : Path
        Tables of observations are kept here and used again.
    workers : int
        Processes that draw.
    n_robust, n_recipe : int
        Photographs of the robustness table and of the comparison with other recipes.
    note : str
        Line for the registry.
    smaller : float
        Share of the photographs to draw, for a quick try.
    figures : sequence of Path
        What the benchmarks of speed and memory measured: the files that pytest wrote when run
        with ``--junitxml``.
    alpha : float
        Share of each class that may be called the other one.

    Returns
    -------
    dict
        The metrics.
    """
    work.mkdir(parents=True, exist_ok=True)
    tables = {}
    for name, (first, n_photos, hand) in PARTS.items():
        path = work / f"{name}.npz"
        if not path.exists():
            seeds = range(first, first + max(40, round(n_photos * smaller)))
            _say(f"drawing {plain_count(len(seeds), 'photograph')} for {name}")
            seen = list(observe_many(seeds, folder=folder, hand=hand, workers=workers))
            save_observations(seen, path)
        tables[name] = load_observations(path)
    rng = np.random.default_rng(20260211)
    for more in sorted(work.glob("train_*.npz")):
        tables["train"] = _joined(tables["train"], load_observations(more))
    rows, dead, photo = training_rows(tables["train"])
    _say(f"training on {plain_count(len(dead), 'tissue')}")
    doubted, theirs = unsure_rows(tables["train"])
    model = fit_verdict(rows, dead, photo, rng=rng, kinds=KINDS, alpha=alpha, unsure=doubted,
                        unsure_groups=theirs).model
    label = folder.name
    name, _, version = label.rpartition("-")
    proposer = Proposer(label, Segmenter.load(folder), model)
    _say("leaving worlds out")
    metrics: dict[str, Any] = {
        "training": {
            "kinds": list(KINDS), "n_rows": len(dead), "n_unsure": len(doubted),
            "n_photos": int(np.unique(photo).size),
            "share_dead": round(float(dead.mean()), 4), "alpha": model.sets.alpha,
            "live_limit": model.sets.live_limit, "dead_limit": model.sets.dead_limit,
            "feature_version": FEATURE_VERSION,
        },
        "held_out": evaluate_observations(tables["held_out"], model),
        "other_hand": evaluate_observations(tables["other_hand"], model),
        "left_out": leave_one_world_out(tables["train"], rng=rng, kinds=KINDS),
    }
    _say("changing what must not matter")
    metrics["speed"] = [row for path in figures for row in _figures(path)]
    metrics["robustness"] = robustness(proposer, n=n_robust)
    _say("comparing with other recipes")
    metrics["recipes"] = compare_recipes(
        _primary_right(proposer, n_recipe), rng=rng, n_test=n_recipe, first=RECIPE_SEED
    )
    made = datetime.now(UTC).date().isoformat()
    segmenter = _segmenter_facts(folder)
    card = write_card(metrics, label=label, facts={
        "made": made, "segmenter": segmenter, "wrong": WRONG,
        "command": "python -m budvision.learning.segmenter_training --minutes 9 --out DIR\n"
        f"    python -m budvision.learning.rebuild --out models/{label} --work DIR/rows",
    })
    for file in ("verdict.skops", "metrics.json", "CARD.md"):
        (folder / file).unlink(missing_ok=True)
    save_verdict(model, folder / "verdict.skops")
    write_whole(folder / "metrics.json", json.dumps(metrics, indent=1, sort_keys=True) + "\n")
    write_whole(folder / "CARD.md", card)
    add_model(
        ModelEntry(name=name, version=version, folder=folder, files={},
                   feature_version=FEATURE_VERSION, made=made, libraries=library_versions(),
                   note=note),
        replace=True,
    )
    return metrics


def _joined(first: dict[str, Any], second: dict[str, Any]) -> dict[str, Any]:
    """Put two tables under one another; the second's photographs get numbers of their own."""
    joined = {name: np.concatenate([first[name], second[name]]) for name in first}
    joined["seed"] = np.arange(len(joined["seed"]))
    return joined


def _primary_right(proposer: Proposer, n_photos: int) -> dict[int, bool]:
    """Say for each photograph of the comparison whether the model's likelier side is right."""
    right = {}
    for seed in range(RECIPE_SEED, RECIPE_SEED + n_photos):
        scene = draw_scene(seed)
        seen = observe(scene, seed=seed, segmenter=proposer.segmenter)
        if scene.usable and np.isfinite(seen.row[0]).all():
            p_dead = float(proposer.verdict.p_dead(seen.row[:1])[0])
            right[seed] = (p_dead > 0.5) == bool(seen.dead[0] > 0)
    return right


def _segmenter_facts(folder: Path) -> str:
    plain = "The segmenter is a compact U-shaped network trained on rendered photographs."
    path = folder / "segmenter_metrics.json"
    if not path.is_file():
        return plain
    facts = json.loads(path.read_text(encoding="utf-8"))
    rounds = facts["training"]["rounds"]
    return (
        f"The segmenter is a U-shaped network of {facts['network']['parameters']:,} parameters, "
        f"trained in {len(rounds)} rounds on {sum(one['examples_drawn'] for one in rounds):,} "
        "rendered examples (`segmenter_metrics.json` holds the commands)."
    )


def _figures(path: Path) -> list[list[str]]:
    """Return what the benchmarks recorded: what, measured, asked for."""
    found = ElementTree.parse(path).iter("property")  # nosec B314  (our own tests wrote it)
    return [[one.get("name", ""), *one.get("value", "").split(" | ")] for one in found]


def _say(text: str) -> None:
    sys.stderr.write(f"{text}\n")


def main(arguments: Sequence[str] | None = None) -> None:
    """Build a model folder anew."""
    parser = argparse.ArgumentParser(prog="python -m budvision.learning.rebuild")
    parser.add_argument("--out", type=Path, required=True, help="folder with segmenter.onnx")
    parser.add_argument("--work", type=Path, required=True, help="folder for the tables")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--robust", type=int, default=150)
    parser.add_argument("--recipes", type=int, default=150)
    parser.add_argument("--alpha", type=float, default=ALPHA,
                        help="share of each class that may be called the other")
    parser.add_argument("--smaller", type=float, default=1.0)
    parser.add_argument(
        "--figures", type=Path, nargs="*", default=(), help="files of `pytest ... --junitxml`"
    )
    parser.add_argument("--note", default="Ships with budvision; learned from renders.")
    given = parser.parse_args(arguments)
    metrics = rebuild(
        given.out, work=given.work, workers=given.workers, n_robust=given.robust,
        n_recipe=given.recipes, note=given.note, smaller=given.smaller, figures=given.figures,
    )
    sys.stdout.write(json.dumps(metrics["held_out"]["verdicts"]["all"]) + "\n")


if __name__ == "__main__":
    main()
