"""How fast a laboratory's calls improve the model: measured on stand-in photographs.

Each stand-in laboratory has its own camera, lamp, bench and cultivars, drawn by a renderer that
the default model never learnt from. Buds of some canes are called; the rest are judged.

``python -m budvision.learning.learning_curve --out DIR`` writes `learning_curve.csv` and
`learning_curve.svg` and prints the table.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from budvision.learning.lessons import Lesson, make_lessons
from budvision.learning.tune import score_verdicts, tune
from budvision.photo.features import FEATURE_VERSION, row_of
from budvision.photo.overlay import encode_picture
from budvision.render.standin.cut import StandinCut, draw_lab
from budvision.render.standin.folder import season_of_cuts
from budvision.render.visible import can_be_told
from budvision.verdict.model import VerdictModel
from budvision.verdict.propose import Proposer, propose_photo
from budvision.verdict.registry import find_model
from budvision.vocabulary import TISSUES, CallValue, Tissue

__all__ = ["LabRows", "Point", "collect", "curve_points", "main", "run"]

DESIGNS = ((0, 8), (20, 8), (20, 4), (50, 8), (100, 8), (300, 8))
"""Confirmed buds, and how many of each cane: the same 20 stand on few canes and on many."""
TARGETS = {50: (0.97, 0.85), 100: (0.985, 0.92), 300: (0.993, 0.96)}
SLIPS = (0.0, 0.03)
_NEW_BUDS = 80
_PER_CANE = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class LabRows:
    """Measured tissues of one laboratory.

    Attributes
    ----------
    features : ndarray, shape (n, d)
    bud, cane : ndarray, shape (n,)
    tissue : tuple of Tissue
    truth : tuple of CallValue
        live, dead or not_exposed (the model found a region where there is none).
    missed : tuple of tuple of int
        (bud, cane) of each exposed tissue for which the model found no region, where a person
        could have told it (`budvision.render.visible`).
    """

    features: NDArray[np.float64]
    bud: NDArray[np.int64]
    cane: NDArray[np.int64]
    tissue: tuple[Tissue, ...]
    truth: tuple[CallValue, ...]
    missed: tuple[tuple[int, int], ...]

    def save(self, path: Path) -> None:
        """Keep the rows in a file of plain arrays."""
        np.savez_compressed(
            path, features=self.features, bud=self.bud, cane=self.cane,
            tissue=np.array([t.value for t in self.tissue]),
            truth=np.array([t.value for t in self.truth]),
            missed=np.array(self.missed, np.int64).reshape(-1, 2))

    @classmethod
    def load(cls, path: Path) -> LabRows:
        """Read rows that `save` wrote."""
        with np.load(path, allow_pickle=False) as kept:
            return cls(
                features=kept["features"], bud=kept["bud"], cane=kept["cane"],
                tissue=tuple(Tissue(str(t)) for t in kept["tissue"]),
                truth=tuple(CallValue(str(t)) for t in kept["truth"]),
                missed=tuple((int(a), int(b)) for a, b in kept["missed"]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One point of the curve, over laboratories.

    Attributes
    ----------
    accuracy : float
        Share right among tissues that are called.
    called : float
        Share of exposed tissues that are called rather than left unsure (missed ones are not
        called).
    """

    n_buds: int
    per_cane: int
    slips: float
    accuracy: float
    called: float
    worst_accuracy: float
    dead_called_live: int
    n: int


def collect(
    lab_number: int, *, n_buds: int, model: str | None = None, keep: Path | None = None
) -> LabRows:
    """Render a laboratory's photographs and measure them with a model's segmenter.

    Parameters
    ----------
    lab_number : int
        Which laboratory; the same number is the same laboratory and the same photographs.
    keep : Path, optional
        Folder in which rows are kept between runs; they are used again while the segmenter and
        the features are the same.
    """
    cv2.setNumThreads(1)
    kept = None
    if keep is not None:
        entry = find_model(model)
        mark = f"{entry.files['segmenter.onnx'][:10]}-{FEATURE_VERSION}"
        kept = keep / f"lab{lab_number}-{n_buds}-{mark}.npz"
        if kept.exists():
            return LabRows.load(kept)
    rng = np.random.default_rng([20, lab_number])
    lab = draw_lab(rng, name=f"lab{lab_number}")
    proposer = Proposer.load(model)
    rows, bud, cane, tissue, truth, missed = [], [], [], [], [], []
    photos = season_of_cuts(rng, n=n_buds, labs=[lab], per_cane=_PER_CANE, unusable=0, others=0,
                            megapixels=(0.4, 0.7))
    for i, photo in enumerate(photos):
        data = encode_picture(photo.cut.image, "jpeg", quality=93)
        proposal, _ = propose_photo(data, proposer=proposer, with_labels=False)
        for part in TISSUES:
            real = photo.cut.truth.tissues[part]
            proposed = proposal.tissues.get(part) if proposal.found else None
            if proposed is None or not proposed.exposed:
                if real.exposed and _visible(photo.cut)[part]:
                    missed.append((i, photo.cane))
                continue
            rows.append(row_of(proposed.features))
            bud.append(i)
            cane.append(photo.cane)
            tissue.append(part)
            truth.append(CallValue.NOT_EXPOSED if not real.exposed else
                         CallValue.DEAD if real.dead else CallValue.LIVE)
    done_rows = LabRows(features=np.array(rows), bud=np.array(bud), cane=np.array(cane),
                        tissue=tuple(tissue),
                        truth=tuple(truth), missed=tuple(missed))
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        done_rows.save(kept)
    return done_rows


def _visible(cut: StandinCut) -> Mapping[Tissue, bool]:
    exposed = {tissue: cut.truth.tissues[tissue].exposed for tissue in TISSUES}
    return can_be_told(cut.image, cut.labels, exposed)


def _lessons(
    rows: LabRows, keep: NDArray[np.bool_], base: VerdictModel, slips: float,
    rng: np.random.Generator,
) -> list[Lesson]:
    odds = base.odds(rows.features)
    out = []
    for i in np.flatnonzero(keep):
        value = rows.truth[i]
        if value is not CallValue.NOT_EXPOSED and rng.random() < slips:
            value = CallValue.LIVE if value is CallValue.DEAD else CallValue.DEAD
        out.append(Lesson(bud=str(rows.bud[i]), cane=str(rows.cane[i]), tissue=rows.tissue[i],
                          value=value, second=(),
                          row=rows.features[i], base_logit=float(odds[i])))
    return out


def curve_points(labs: Sequence[LabRows], base: VerdictModel, *, repeats: int = 3) -> list[Point]:
    """Train on the calls of some canes of each laboratory and judge the rest.

    Parameters
    ----------
    repeats : int
        Different choices of canes.
    """
    points = []
    for slips in SLIPS:
        for n_buds, per_cane in DESIGNS:
            scores, called, right, n, dead_live = [], 0.0, 0.0, 0, 0
            for number, rows in enumerate(labs):
                for repeat in range(repeats if n_buds else 1):
                    rng = np.random.default_rng([number, n_buds, repeat])
                    canes = rng.permutation(np.unique(rows.cane))
                    chosen = canes[:max(2, round(n_buds / per_cane))] if n_buds else canes[:0]
                    here = np.isin(rows.cane, chosen)
                    buds = [rng.permutation(np.unique(rows.bud[rows.cane == cane]))[:per_cane]
                            for cane in chosen]
                    keep = np.isin(rows.bud, np.concatenate(buds)) if buds else here
                    new = ~here & np.array([t is not CallValue.NOT_EXPOSED for t in rows.truth])
                    model = base
                    if n_buds:
                        made = make_lessons(_lessons(rows, keep, base, slips, rng))
                        model = tune(base, made, rng=np.random.default_rng(1)).model
                    dead = np.array([float(t is CallValue.DEAD) for t in rows.truth])[new]
                    features = rows.features[new]
                    score = score_verdicts(
                        np.asarray(expit(model.odds(features))), dead, model.sets,
                        model.novelty.distance(features) > model.novelty.limit)
                    n_missed = sum(cane not in chosen for _, cane in rows.missed)
                    n_called = score.called * score.n
                    called += n_called
                    n += score.n + n_missed
                    right += n_called * (score.accuracy or 0.0)
                    dead_live += score.dead_called_live
                    scores.append(score.accuracy if score.accuracy is not None else 1.0)
            points.append(Point(
                n_buds=n_buds, per_cane=per_cane, slips=slips, accuracy=right / max(called, 1e-9),
                called=called / max(n, 1),
                worst_accuracy=min(scores), dead_called_live=dead_live, n=n))
    return points


def table_of(points: Sequence[Point]) -> str:
    """Return the points as a Markdown table beside the targets."""
    lines = ["| confirmed buds | of each cane | slips | right among called | called | worst | "
             "target |", "| --- | --- | --- | --- | --- | --- | --- |"]
    for p in points:
        target = TARGETS.get(p.n_buds)
        aim = "-" if target is None else f"{target[0]:.1%} / {target[1]:.0%}"
        lines.append(
            f"| {p.n_buds} | {p.per_cane if p.n_buds else '-'} | {p.slips:.0%} | "
            f"{p.accuracy:.2%} | {p.called:.1%} | {p.worst_accuracy:.1%} | {aim} |")
    return "\n".join(lines)


def draw(points: Sequence[Point], path: Path) -> None:
    """Draw the curve as SVG, to scale, telling lines apart without colour."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 3.4), layout="constrained")
    FigureCanvasSVG(figure)
    axes = figure.subplots(1, 2)
    for ax, name, column in ((axes[0], "right among called, %", 0), (axes[1], "called, %", 1)):
        for slips, style in zip(SLIPS, ("-o", "--s"), strict=True):
            part = [p for p in points if p.slips == slips]
            values = [100 * (p.accuracy if column == 0 else p.called) for p in part]
            ax.plot(range(len(part)), values, style, color="0.15", markersize=4,
                    label=f"{slips:.0%} slips" if slips else "no slips")
        for i, (n_buds, _) in enumerate(DESIGNS):
            if n_buds in TARGETS:
                ax.plot([i - 0.25, i + 0.25], [100 * TARGETS[n_buds][column]] * 2, color="0.55",
                        linewidth=3, label="target" if n_buds == 50 else None)
        ax.set_xticks(range(len(DESIGNS)), [
            f"{n}" if per == _PER_CANE else f"{n},\n{per} a cane" for n, per in DESIGNS])
        ax.set_xlabel("confirmed buds, 8 a cane or as said")
        ax.set_title(name, fontsize=10)
        ax.grid(axis="y", color="0.9")
    axes[0].legend(fontsize=8, frameon=False)
    figure.savefig(path, format="svg", metadata={"Date": None, "Creator": "budvision"})


def run(
    out: Path, *, n_labs: int = 4, model: str | None = None, jobs: int = 2,
    keep: Path | None = None,
) -> str:
    """Measure the curve, write its table and figure, and return the table as text."""
    from joblib import Parallel, delayed

    base = Proposer.load(model).verdict
    n_buds = max(n for n, _ in DESIGNS) + _NEW_BUDS
    labs = Parallel(n_jobs=jobs)(
        delayed(collect)(i, n_buds=n_buds, model=model, keep=keep) for i in range(n_labs))
    points = curve_points(labs, base)
    out.mkdir(parents=True, exist_ok=True)
    with (out / "learning_curve.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["n_buds", "per_cane", "slips", "accuracy", "called", "worst_accuracy",
                         "dead_called_live", "n"])
        for p in points:
            writer.writerow([
                p.n_buds, p.per_cane, p.slips, round(p.accuracy, 5), round(p.called, 5),
                round(p.worst_accuracy, 5), p.dead_called_live, p.n])
    draw(points, out / "learning_curve.svg")
    return table_of(points)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command."""
    parser = argparse.ArgumentParser(prog="python -m budvision.learning.learning_curve")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--labs", type=int, default=4)
    parser.add_argument("--model", default=None)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", type=Path, default=None, help="folder for measured rows")
    given = parser.parse_args(arguments)
    sys.stdout.write(run(given.out, n_labs=given.labs, model=given.model, jobs=given.jobs,
                         keep=given.keep) + "\n")


if __name__ == "__main__":
    main()
