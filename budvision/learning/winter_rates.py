"""What a model says of live and dead tissues on stand-in photographs: counts, measured and kept."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError
from budvision.files import write_whole
from budvision.photo.features import FEATURE_VERSION
from budvision.photo.overlay import encode_picture
from budvision.render.standin.cut import draw_lab
from budvision.render.standin.folder import season_of_cuts
from budvision.render.visible import can_be_told
from budvision.verdict.propose import Proposer, propose_photo
from budvision.verdict.registry import ModelEntry, find_model
from budvision.version import __version__
from budvision.vocabulary import TISSUES, Tissue, TissueProposal, Verdict

__all__ = ["OUTCOMES", "ModelRates", "measure_rates"]

OUTCOMES: Final = ("live", "dead", "unsure", "none")
"""What a model can say of a tissue; *none* where it saw no such tissue or refused the picture."""
_LABS: Final = 6
_CODES: Final = {Verdict.LIVE: 0, Verdict.DEAD: 1, Verdict.UNSURE: 2}


@dataclass(frozen=True, slots=True)
class ModelRates:
    """What a model said of tissues whose truth is known.

    Attributes
    ----------
    model : str
        Name and version.
    photos : int
        Photographs drawn.
    proposed : ndarray of int64, shape (n_labs, 3, 2, 4)
        Tissues by laboratory, name (primary to tertiary), truth (live, dead) and `OUTCOMES`. Only
        those that the cut has reached and a person could tell.
    """

    model: str
    photos: int
    proposed: NDArray[np.int64]

    @classmethod
    def of(cls, live: Sequence[int], dead: Sequence[int], *, model: str = "given") -> ModelRates:
        """Return the rates of a model with these counts of `OUTCOMES` of live and dead primaries.

        Parameters
        ----------
        live, dead : sequence of int, length 4

        Raises
        ------
        InputError
            When there is no live or no dead tissue.
        """
        proposed = np.zeros((1, len(TISSUES), 2, len(OUTCOMES)), np.int64)
        proposed[0, 0] = live, dead
        return cls(model, 0, proposed).checked()

    def checked(self) -> ModelRates:
        """Return these rates, or raise InputError where no primary was live, or none dead."""
        if not (self.primary.sum(axis=1) > 0).all():
            raise InputError(
                "no primary was live, or none dead", where="photographs",
                expected="some of each", do="Draw more photographs.")
        return self

    def shares(self) -> NDArray[np.float64]:
        """Return how often each of `OUTCOMES` was said of a primary; shape (n_labs, 2, 4).

        A laboratory without live (or dead) primaries gets the shares of all together.
        """
        counts = self.proposed[:, 0].astype(float)
        counts = np.where(counts.sum(axis=2, keepdims=True) > 0, counts, self.primary)
        found: NDArray[np.float64] = counts / counts.sum(axis=2, keepdims=True)
        return found

    @property
    def primary(self) -> NDArray[np.int64]:
        """Primaries of all laboratories by truth (live, dead) and `OUTCOMES`; shape (2, 4)."""
        total: NDArray[np.int64] = self.proposed[:, 0].sum(axis=0)
        return total


def measure_rates(
    model: str | None = None, *, photos: int, folders: Sequence[Path] = (),
    keep: Path | None = None, progress: Callable[[int, int, str], None] | None = None,
) -> ModelRates:
    """Draw stand-in photographs, let a model propose, and count what it said of what is true.

    Parameters
    ----------
    model : str, optional
        Name or folder; the default model when left out.
    photos : int
        Photographs, shared out among six laboratories, each with its own camera, lamp, bench and
        cultivars. The same number draws the same photographs.
    folders : sequence of Path
        Folders with registries of their own, searched first.
    keep : Path, optional
        Folder in which the counts are kept; they are used again while model and program are the
        same.
    progress : callable, optional
        Told the number done, the number in all and the laboratory.

    Raises
    ------
    InputError
        When the photographs hold no live or no dead primary.
    NotFoundError, VerificationError
        When the model is not listed, or not as listed.
    """
    entry = find_model(model, folders=folders)
    kept = None if keep is None else keep / f"rates-{_mark(entry, photos)}.json"
    counts = None if kept is None else _kept(kept)
    if counts is not None:
        return ModelRates(entry.label, photos, counts).checked()
    cv2.setNumThreads(1)
    proposer = Proposer.load(model, folders=folders)
    counted = np.zeros((_LABS, len(TISSUES), 2, len(OUTCOMES)), np.int64)
    done = 0
    for number, n in enumerate([len(part) for part in np.array_split(range(photos), _LABS)]):
        rng = np.random.default_rng([25, number])
        lab = draw_lab(rng, name=f"laboratory {number + 1}")
        for photo in season_of_cuts(rng, n=n, labs=[lab], per_cane=1, unusable=0, others=0,
                                    megapixels=(0.4, 0.7)):
            truth = photo.cut.truth.tissues
            visible = can_be_told(photo.cut.image, photo.cut.labels,
                                  {tissue: truth[tissue].exposed for tissue in TISSUES})
            proposed = _proposed(photo.cut.image, proposer)
            for column, tissue in enumerate(TISSUES):
                if truth[tissue].exposed and visible[tissue]:
                    one = proposed.get(tissue)
                    code = _CODES[one.verdict] if one and one.exposed and one.verdict else 3
                    counted[number, column, int(bool(truth[tissue].dead)), code] += 1
            done += 1
            if progress is not None:
                progress(done, photos, lab.name)
    found = ModelRates(entry.label, photos, counted).checked()
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        write_whole(kept, json.dumps({"model": entry.label, "photos": photos,
                                      "said": counted.tolist()}), lasting=False)
    return found


def _proposed(image: NDArray[np.uint8], proposer: Proposer) -> dict[Tissue, TissueProposal]:
    """Return what a model proposes for a drawn photograph, nothing where it refuses it."""
    data = encode_picture(image, "jpeg", quality=93)
    proposal, _ = propose_photo(data, proposer=proposer, with_labels=False)
    return dict(proposal.tissues) if proposal.found else {}


def _mark(entry: ModelEntry, photos: int) -> str:
    """Return what the counts depend on, as a short hash."""
    parts = [entry.label, FEATURE_VERSION, __version__, str(photos),
             *(f"{name} {hashed}" for name, hashed in sorted(entry.files.items())
               if not name.endswith((".md", ".json")))]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]


def _kept(path: Path) -> NDArray[np.int64] | None:
    """Return the counts kept in a file, None where there are none that can be read."""
    try:
        proposed = np.array(json.loads(path.read_text(encoding="utf-8"))["said"], np.int64)
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return proposed if proposed.shape == (_LABS, len(TISSUES), 2, len(OUTCOMES)) else None
