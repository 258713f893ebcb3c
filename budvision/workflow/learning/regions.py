"""Train the segmenter on the season's corrected and confirmed regions (`train --regions`)."""

from __future__ import annotations

import importlib.util
import json
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from budvision.errors import MissingLibraryError, StorageError
from budvision.language import plain_count
from budvision.photo.read import read_photo
from budvision.photo.segmenter import Segmenter
from budvision.store.queries import learning
from budvision.store.queries.photos import photo_by_id
from budvision.store.queries.proposals import Region, current_region
from budvision.store.session import Season
from budvision.verdict.registry import ModelEntry, find_model
from budvision.vocabulary import LABEL_SCALES, TISSUES, CallValue, Tissue
from budvision.workflow.learning.train import TrainReport, load_base, train
from budvision.workflow.learning.write import write_model

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from budvision.learning.region_training import RegionExamples

__all__ = ["gather_regions", "that_learns", "train_regions"]

Progress = Callable[[str, int, int], None]
MODEL_NAME = "regions"
_SIDE = 320
_FACE_OF_CROP = 0.74


@dataclass(frozen=True, slots=True)
class _Place:
    cane_id: int
    calls: dict[Tissue, CallValue]


def _crop(
    image: NDArray[np.uint8], scale: float, region: Region
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]] | None:
    """Return the square round the face, and its labels, both 320 pixels wide."""
    rows, cols = np.nonzero(region.labels)
    if not len(rows):
        return None
    n = region.labels.shape[0]
    row0, col0, row1, col1 = region.box
    per = np.array([(row1 - row0) / n, (col1 - col0) / n])
    low = np.array([rows.min(), cols.min()]) * per + (row0, col0)
    high = (np.array([rows.max(), cols.max()]) + 1) * per + (row0, col0)
    side = float((high - low).max()) / _FACE_OF_CROP
    corner = (low + high) / 2 - side / 2
    step = side / _SIDE
    photo = np.array([[step * scale, 0, corner[1] * scale], [0, step * scale, corner[0] * scale]],
                     np.float32)
    labels = np.array([[step / per[1], 0, (corner[1] - col0) / per[1]],
                       [0, step / per[0], (corner[0] - row0) / per[0]]], np.float32)
    flags = cv2.INTER_AREA if step * scale > 1 else cv2.INTER_LINEAR
    picture = cv2.warpAffine(image, photo, (_SIDE, _SIDE), flags=flags | cv2.WARP_INVERSE_MAP,
                             borderMode=cv2.BORDER_REFLECT)
    mask = cv2.warpAffine(region.labels, labels, (_SIDE, _SIDE),
                          flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    return np.asarray(picture, np.uint8), np.asarray(mask, np.uint8)


def _agrees(region: Region, calls: dict[Tissue, CallValue]) -> bool:
    """Tell whether a model's region shows just the tissues that a person called exposed."""
    if len(calls) < len(TISSUES):
        return False
    return all(
        (calls[t] is not CallValue.NOT_EXPOSED) == bool((region.labels == t.label).any())
        for t in TISSUES)


def gather_regions(season: Season, *, progress: Progress | None = None) -> RegionExamples:
    """Return crops with the regions that people drew, and those that their calls confirm.

    A model's region counts as confirmed when all three tissues of the bud are called and the
    region shows exactly the exposed ones; of these at most three for each corrected one are
    taken, and at least 40.
    """
    from budvision.learning.region_training import RegionExamples

    with season.read() as conn:
        places: dict[int, _Place] = {}
        for call in learning.called_tissues(conn):
            places.setdefault(call.bud_id, _Place(call.cane_id, {})).calls[call.tissue] = call.value
        bud_of = learning.buds_of_photos(conn)
        drawn: list[tuple[Region, _Place]] = []
        confirmed: list[tuple[Region, _Place]] = []
        for photo_id, bud_id in bud_of.items():
            region = current_region(conn, photo_id)
            place = places.get(bud_id)
            if region is None or place is None:
                continue
            if region.person_id is not None:
                drawn.append((region, place))
            elif _agrees(region, place.calls):
                confirmed.append((region, place))
        keep = confirmed[:max(40, 3 * len(drawn))]
        hashes = {r.photo_id: photo_by_id(conn, r.photo_id).sha256 for r, _ in [*drawn, *keep]}
    images, labels, exposed, dead, canes, corrected = [], [], [], [], [], []
    chosen = [*drawn, *keep]
    for i, (region, place) in enumerate(chosen):
        data = season.photos.read(hashes[region.photo_id], verify=True)
        photo = read_photo(data, max_side_px=2400)
        made = _crop(photo.image, photo.scale, region)
        if made is None:
            continue
        images.append(made[0])
        labels.append(np.minimum(made[1], LABEL_SCALES))
        exposed.append([bool((made[1] == t.label).any()) for t in TISSUES])
        dead.append([place.calls.get(t) is CallValue.DEAD for t in TISSUES])
        canes.append(place.cane_id)
        corrected.append(region.person_id is not None)
        if progress is not None:
            progress("regions", i + 1, len(chosen))
    n = len(images)
    return RegionExamples(
        images=np.array(images, np.uint8).reshape(n, _SIDE, _SIDE, 3),
        labels=np.array(labels, np.uint8).reshape(n, _SIDE, _SIDE),
        exposed=np.array(exposed, bool).reshape(n, 3), dead=np.array(dead, bool).reshape(n, 3),
        cane=np.array(canes, np.int64), corrected=np.array(corrected, bool))


def train_regions(
    season: Season, *, base: str | Path | None = None, minutes: float = 10.0,
    n_renders: int = 300, progress: Progress | None = None,
) -> TrainReport:
    """Fine-tune the segmenter on the season's regions, then tune verdicts on what it measures.

    Parameters
    ----------
    base : str or Path, optional
        The model to start from; the default model when left out.
    minutes : float
        Time for the network's steps.
    n_renders : int
        Rendered pictures mixed in.
    progress : callable, optional

    Returns
    -------
    TrainReport
        Of the verdict model tuned on the new regions; ``metrics["regions"]`` holds overlaps before
        and after. It proposes only once promoted.

    Raises
    ------
    MissingLibraryError
        Without the `train` extra.
    NothingToDoError
        When there are too few regions.
    """
    for name in ("torch", "onnx"):
        if importlib.util.find_spec(name) is None:
            raise MissingLibraryError(
                f"{name} is not installed", where="train --regions",
                expected="the extra `train`", do="Run `pip install 'budvision[train]'`.")
    from budvision.learning.region_training import fine_tune

    entry = that_learns(load_base(season, base)[1], folders=[season.models_folder])
    examples = gather_regions(season, progress=progress)
    with tempfile.TemporaryDirectory(prefix="budvision-") as scratch:
        tuned = Path(scratch) / learning.SEGMENTER
        try:
            facts = fine_tune(
                entry.folder / learning.SEGMENTER, tuned, examples, minutes=minutes,
                n_renders=n_renders, rng=np.random.default_rng(1), progress=progress)
        except OSError as error:
            raise StorageError(
                f"the network could not be written ({error.strerror})", where=scratch,
                do="Make room and train again; the season is as it was.") from error

        def fill(part: Path, label: str) -> None:
            shutil.copyfile(tuned, part / learning.SEGMENTER)
            for name in entry.files:
                if name not in (learning.SEGMENTER, "metrics.json", "CARD.md"):
                    shutil.copyfile(entry.folder / name, part / name)
            (part / "metrics.json").write_text(
                json.dumps({"regions": facts}, indent=1) + "\n", encoding="utf-8")
            (part / "CARD.md").write_text(_card(label, entry.label, facts), encoding="utf-8")

        _, target = write_model(
            season, MODEL_NAME, fill, feature_version=entry.feature_version,
            note=f"segmenter of {entry.label} trained on "
                 f"{plain_count(facts['n_regions'], 'region')}",
            facts={"base": entry.label})
    report = train(season, base=target, progress=progress)
    report.metrics["regions"] = facts
    return report


def that_learns(entry: ModelEntry, *, folders: Sequence[Path]) -> ModelEntry:
    """Return the model whose network learns: one in whole numbers holds another one's weights.

    Parameters
    ----------
    entry : ModelEntry
    folders : sequence of Path
        Folders with registries of their own, searched first.
    """
    rounded = Segmenter.load(entry.folder).weights_of
    return find_model(rounded, folders=folders) if rounded else entry


def _card(label: str, base: str, facts: dict[str, Any]) -> str:
    rows = "\n".join(
        f"| {where} | {tissue} | {share:.3f} | {facts['after'][where].get(tissue, 0):.3f} |"
        for where in ("own", "renders") for tissue, share in facts["before"][where].items())
    return f"""# {label}

The segmenter of {base}, trained on with {plain_count(facts["n_regions"], "region")} of
{plain_count(facts["n_canes"], "cane")} ({facts["n_corrected"]} drawn by people,
the rest confirmed by their calls), half of each batch being renders.
Steps: {facts["steps"]}. Its verdicts are those of {base}.

## Overlap with regions on canes left out, and with renders left out

| where | tissue | before | after |
| --- | --- | --- | --- |
{rows}

## When not to trust it

Confirmed regions were drawn by the model itself; only corrected ones teach it something new. If
the overlap on renders fell, it has begun to forget: train shorter, or correct more.
"""
