"""Look at rendered photographs as the program looks at real ones, and keep what is true beside it.

The verdict model is trained and scored on the segmenter's own regions, so that its errors are in
both. ``python -m budvision.learning.observe --first SEED --n N --out ROWS.npz`` draws, looks and
keeps; a photograph is named by its seed, and seeds of the segmenter's own training are below
`FIRST_SEED`.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from budvision.language import plain_count
from budvision.learning.scenes import (
    FIRST_SEED,
    HANDS,
    WORLD_KEYS,
    Scene,
    draw_scene,
    draw_standin,
    traced_scene,
)
from budvision.learning.traced import load_traced
from budvision.photo.features import FEATURE_NAMES, measure, row_of
from budvision.photo.quality import judge
from budvision.photo.segment import Segmentation, Segmenter, segment
from budvision.render.visible import can_be_told, on_the_border
from budvision.vocabulary import TISSUES

__all__ = [
    "BORDERLINE",
    "FIRST_SEED",
    "HALF_DEAD",
    "NO_TISSUE",
    "WORLD_KEYS",
    "Observation",
    "Scene",
    "columns_of",
    "draw_scene",
    "draw_standin",
    "load_observations",
    "observe",
    "observe_many",
    "observe_together",
    "observe_traced",
    "save_observations",
]

Uint8 = npt.NDArray[np.uint8]
Float64 = npt.NDArray[np.float64]

HALF_DEAD: Final = -2
"""State of a tissue that people would leave unsure: half dead, or nobody could judge it."""
NO_TISSUE: Final = -1
"""State under a region most of which covers no tissue that shows."""
BORDERLINE: Final = "nobody could tell"
"""Why a photograph counts neither as good nor as unusable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """What was seen of one photograph, beside what is true.

    Arrays have one entry a tissue, primary to tertiary. `row` is NaN where nothing was measured;
    `dead_here` is the truth of the tissue that the region mostly covers (-1 for none), `dead` the
    truth of the tissue of that name (-1 where not exposed, `HALF_DEAD` where people would leave it
    unsure), `drawn` the same as it was drawn, also where nobody could judge it in the photograph
    (`HALF_DEAD` where half dead). `clear` is False where the tissue is
    exposed but nobody could tell it (`budvision.render.visible`); where that is the primary the
    photograph is neither good nor bad: `why_not` is then `BORDERLINE`. `based_said` and
    `based_inside` are `exposed_said` and `centre_inside` where the segmenter was told on which
    side of the picture the cane base lies, to the nearest quarter turn. `kinds` are the scene's,
    joined by commas. `doubtful` are the flankers that are said to be exposed and may be no bud.
    """

    seed: int
    usable: bool
    why_not: str
    found: bool
    reasons: str
    world: tuple[str, ...]
    exposed_true: npt.NDArray[np.bool_]
    exposed_said: npt.NDArray[np.bool_]
    centre_inside: npt.NDArray[np.bool_]
    overlap: Float64
    dead: npt.NDArray[np.int8]
    dead_here: npt.NDArray[np.int8]
    clear: npt.NDArray[np.bool_]
    swap_doubt: float
    based_said: npt.NDArray[np.bool_]
    based_inside: npt.NDArray[np.bool_]
    row: Float64
    drawn: npt.NDArray[np.int8]
    doubtful: npt.NDArray[np.bool_]
    kinds: str = "tidy"


def observe(
    scene: Scene, *, seed: int, segmenter: Segmenter, full_px: int | None = None
) -> Observation:
    """Segment and measure one photograph, and lay the truth beside it.

    Parameters
    ----------
    scene : Scene
    seed : int
        Its name.
    segmenter : Segmenter
    full_px : int, optional
        Width at full size, where `scene.image` is a reduced copy; its own width when left out.
    """
    found = segment(scene.image, segmenter=segmenter)
    width_px = full_px or scene.image.shape[1]
    reasons = [reason.code for reason in found.reasons]
    seen, doubt = found.found, float(found.swap_doubt)
    if seen:
        poor = judge(found.crop, found.labels, face_px=found.face_share * width_px)
        reasons += [reason.code for reason in poor]
        seen = not poor
    exposed_true = np.array([scene.exposed[tissue] for tissue in TISSUES])
    dead = _states(scene)
    exposed_said, inside = np.zeros(3, np.bool_), np.zeros(3, np.bool_)
    overlap = np.full(3, np.nan)
    here = np.full(3, NO_TISSUE, np.int8)
    rows = np.full((3, len(FEATURE_NAMES)), np.nan)
    if seen:
        features = measure(
            found.crop, found.labels, confidence=found.confidence,
            dead_map=found.dead_map, brown_map=found.brown_map,
            growing_points=found.growing_points,
        )
        truth = _truth_in_box(scene.labels, found)
        exposed_said, inside = _where(found, truth)
        for index, tissue in enumerate(TISSUES):
            mine, own = found.labels == tissue.label, truth == tissue.label
            if exposed_true[index] and own.any():
                overlap[index] = float((mine & own).sum() / max((mine | own).sum(), 1))
            if tissue not in features:
                exposed_said[index] = inside[index] = False
            if not exposed_said[index]:
                continue
            rows[index] = row_of(features[tissue])
            covered = np.bincount(truth[mine].astype(int), minlength=5)[1:4]
            if covered.max() >= 0.4 * mine.sum():
                here[index] = dead[int(covered.argmax())]
    based_said, based_inside = exposed_said, inside
    if seen:
        quarter = 90.0 * round(scene.base_deg / 90.0)
        based = segment(scene.image, segmenter=segmenter, base_direction_deg=quarter)
        based_said, based_inside = _where(based, _truth_in_box(scene.labels, based))
    visible = can_be_told(scene.image, scene.labels, scene.exposed)
    clear = np.array([visible[tissue] for tissue in TISSUES], np.bool_)
    usable, why_not = scene.usable, scene.why_not
    if (usable and not clear[0]) or on_the_border(scene.image, scene.labels, why_not):
        usable, why_not = False, BORDERLINE
    return Observation(
        seed=seed, usable=usable, why_not=why_not, found=seen, reasons="+".join(reasons),
        world=tuple(scene.world[key] for key in WORLD_KEYS), exposed_true=exposed_true,
        exposed_said=exposed_said, centre_inside=inside, overlap=overlap,
        dead=dead, dead_here=here, clear=clear, swap_doubt=doubt, based_said=based_said,
        based_inside=based_inside, row=rows, drawn=_drawn(scene), kinds=",".join(scene.kinds),
        doubtful=np.array([tissue in found.doubtful for tissue in TISSUES]) & exposed_said,
    )


def _states(scene: Scene) -> npt.NDArray[np.int8]:
    """Return 1 dead, 0 live, -1 not exposed or `HALF_DEAD` of each tissue."""
    return np.array([HALF_DEAD if tissue in scene.unsure else int(scene.dead.get(tissue, -1))
                     for tissue in TISSUES], np.int8)


def _drawn(scene: Scene) -> npt.NDArray[np.int8]:
    """Return the same as drawn: `HALF_DEAD` only where half dead."""
    return np.array([int(scene.dead[tissue]) if tissue in scene.dead
                     else HALF_DEAD if tissue in scene.unsure else -1 for tissue in TISSUES],
                    np.int8)


def _where(
    found: Segmentation, truth: Uint8
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Return which tissues are said to be exposed, and whether their centres lie in the truth."""
    proposed, inside = np.zeros(3, np.bool_), np.zeros(3, np.bool_)
    for index, tissue in enumerate(TISSUES):
        mine = found.labels == tissue.label
        proposed[index] = mine.any() and found.shows(tissue)
        if proposed[index]:
            depth = cv2.distanceTransform(np.pad(mine.astype(np.uint8), 1), cv2.DIST_L2, 3)
            row, col = np.unravel_index(int(depth.argmax()), depth.shape)
            inside[index] = bool(truth[int(row) - 1, int(col) - 1] == tissue.label)
    return proposed, inside


def _truth_in_box(labels: Uint8, found: Segmentation) -> Uint8:
    """Sample the true labels on the segmenter's square crop."""
    row0, col0, row1, col1 = found.box
    n = found.labels.shape[0]
    at_row = np.floor(row0 + (np.arange(n) + 0.5) * (row1 - row0) / n).astype(int)
    at_col = np.floor(col0 + (np.arange(n) + 0.5) * (col1 - col0) / n).astype(int)
    rows, cols = labels.shape
    sampled = labels[np.clip(at_row, 0, rows - 1)[:, None], np.clip(at_col, 0, cols - 1)[None]]
    outside = ((at_row < 0) | (at_row >= rows))[:, None] | ((at_col < 0) | (at_col >= cols))[None]
    return np.where(outside, 0, sampled).astype(np.uint8)


def columns_of(found: Sequence[Observation]) -> dict[str, npt.NDArray[Any]]:
    """Put observations into one array a column."""
    return {
        name: np.array([getattr(one, name) for one in found])
        for name in Observation.__dataclass_fields__
    }


def save_observations(found: Sequence[Observation], path: Path) -> None:
    """Write observations as one compressed table of arrays."""
    columns = columns_of(found)
    columns["row"] = columns["row"].astype(np.float32)
    np.savez_compressed(path, allow_pickle=False, **columns)


def load_observations(path: Path) -> dict[str, npt.NDArray[Any]]:
    """Read the columns that `save_observations` wrote."""
    with np.load(path, allow_pickle=False) as table:
        return {name: table[name] for name in table.files}


@lru_cache(maxsize=2)
def _segmenter(folder: str) -> Segmenter:
    cv2.setNumThreads(1)
    return Segmenter.load(Path(folder))


def _look(seed: int, folders: tuple[str, ...], hand: str) -> tuple[Observation, ...] | str:
    """Return what was observed, or why the photograph could not be drawn."""
    try:
        drawn = HANDS[hand](seed)
    except (cv2.error, ValueError, IndexError, FloatingPointError) as error:
        return f"photograph {seed} could not be drawn: {error}"
    return tuple(observe(drawn, seed=seed, segmenter=_segmenter(one)) for one in folders)


def _look_there(folder: str, _: bytes, seed: int, hand: str) -> tuple[Observation, ...] | str:
    """Look at a cluster's worker, which draws the photograph itself."""
    return _look(seed, (folder,), hand)


def observe_many(
    seeds: Sequence[int], *, folder: Path, hand: str = "tidy", workers: int = 2, cluster: str = "",
) -> Iterator[Observation]:
    """Draw and look at many photographs of a hand of `HANDS` over several processes."""
    for one in observe_together(
        seeds, folders=[folder], hand=hand, workers=workers, cluster=cluster
    ):
        yield one[0]


def observe_together(
    seeds: Sequence[int], *, folders: Sequence[Path], hand: str = "tidy", workers: int = 2,
    cluster: str = "",
) -> Iterator[tuple[Observation, ...]]:
    """Draw many photographs and let several models look at each, in the order of their folders.

    Parameters
    ----------
    seeds : sequence of int
    folders : sequence of Path
        The models'.
    hand : str
        Who draws, one of `HANDS`.
    workers : int
        Processes of this machine.
    cluster : str
        Address of a Dask scheduler whose workers draw and look instead, ``local`` for one here.

    Raises
    ------
    UsageError
        When no cluster answers.
    """
    looks = (_looked(seeds, folders, hand, workers) if not cluster
             else _looked_there(seeds, folders, hand, cluster))
    for one in looks:
        if isinstance(one, str):
            sys.stderr.write(f"{one}\n")
        else:
            yield one


def _looked_there(
    seeds: Sequence[int], folders: Sequence[Path], hand: str, address: str
) -> Iterator[tuple[Observation, ...] | str]:
    """Have a cluster draw and look; each model goes out for itself."""
    from budvision.verdict.cluster import cluster_many
    from budvision.verdict.registry import find_model

    for each in zip(*(
        cluster_many(_look_there, ((str(seed), b"", (seed, hand)) for seed in seeds),
                     n=len(seeds), address=address, model=find_model(folder))
        for folder in folders
    ), strict=True):
        for one in each:
            if isinstance(one, Exception):
                raise one
        yield each[0] if isinstance(each[0], str) else tuple(one[0] for one in each)


def _looked(
    seeds: Sequence[int], folders: Sequence[Path], hand: str, workers: int
) -> Iterator[tuple[Observation, ...] | str]:
    from concurrent.futures import ProcessPoolExecutor
    from functools import partial

    job = partial(_look, folders=tuple(map(str, folders)), hand=hand)
    if workers == 1:
        yield from map(job, seeds)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(job, seeds, chunksize=8)


def observe_traced(
    folder: Path, *, folders: Sequence[Path]
) -> Iterator[tuple[Observation, ...]]:
    """Let several models look at the path-traced photographs of a folder that are held out."""
    for photo in load_traced(folder, held_out=True):
        yield tuple(observe(traced_scene(photo), seed=photo.number, segmenter=_segmenter(str(one)))
                    for one in folders)


def main(arguments: Sequence[str] | None = None) -> None:
    """Draw, look and keep."""
    parser = argparse.ArgumentParser(prog="python -m budvision.learning.observe")
    parser.add_argument("--first", type=int, default=FIRST_SEED)
    parser.add_argument("--n", type=int, default=4000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--hand", choices=sorted(HANDS), default="tidy", help="who draws")
    parser.add_argument("--traced", type=Path, help="held-out path-traced photographs instead")
    parser.add_argument("--model", type=Path, required=True, help="folder with segmenter.onnx")
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args(arguments)
    if given.traced is not None:
        seen = observe_traced(given.traced, folders=[given.model])
        save_observations([one[0] for one in seen], given.out)
        return
    seeds = range(given.first, given.first + given.n)
    found = list(
        observe_many(seeds, folder=given.model, hand=given.hand, workers=given.workers)
    )
    save_observations(found, given.out)
    sys.stdout.write(f"{plain_count(len(found), 'photograph')}, "
                     f"{sum(one.found for one in found)} judged\n")


if __name__ == "__main__":
    main()
