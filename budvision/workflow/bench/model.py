"""The season's own model for the bench, loaded once and kept ready."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from budvision.errors import BudvisionError, PhotoError
from budvision.language import told
from budvision.photo import read
from budvision.photo.card import LINE_MM
from budvision.photo.workers import run
from budvision.store.session import Season
from budvision.verdict.reasons import refused_photo
from budvision.vocabulary import Proposal, Reason
from budvision.workflow.bench.bench import Propose
from budvision.workflow.intake.propose import (
    ModelInUse,
    load_model,
    model_folder,
    model_in_use,
    propose_in,
)

__all__ = ["BenchModel", "get_ready", "model_is_loading", "season_model"]

Judged = tuple[Proposal, npt.NDArray[np.uint8] | None]


@dataclass(frozen=True, slots=True)
class BenchModel:
    """A model to ask at the bench.

    Attributes
    ----------
    propose : callable, optional
        None where the model cannot be used.
    used : ModelInUse, optional
        What its proposals are kept under.
    trouble : str
        Why there is none, empty where there is.
    """

    propose: Propose | None
    used: ModelInUse | None = None
    trouble: str = ""


_loaded: set[tuple[str, str]] = set()


@lru_cache(maxsize=2)
def _load(model: str, cane_base: str) -> Propose:
    run(load_model, model, where=model, patient=True)
    _loaded.add((model, cane_base))

    def look(data: bytes, name: str) -> Judged:
        try:
            return run(propose_in, model, data, name, cane_base, where=name, patient=True)
        except PhotoError as error:
            return refused_photo(name, error), None

    return look


def season_model(season: Season) -> BenchModel:
    """Return the model that proposes in this season, ready to be asked.

    A model that cannot be used does not stop the bench: photographs are kept all the same.
    """
    try:
        used = model_in_use(season)
        look = _load(model_folder(season, used), season.settings.cane_base)
    except BudvisionError as error:
        return BenchModel(None, trouble=told(error))
    line_mm = season.settings.card_line_mm
    if abs(line_mm - LINE_MM) <= 0.5:
        return BenchModel(look, used)
    return BenchModel(lambda data, name: _without_scale(look(data, name), line_mm), used)


def get_ready(season: Season) -> None:
    """Start what decodes and what judges, ahead of the first photograph.

    What fails here is told of when a photograph comes.
    """
    with contextlib.suppress(Exception):
        read.get_ready()
        season_model(season)


def model_is_loading(season: Season) -> bool:
    """Say whether the first answer waits for the model that proposes here to be loaded.

    False where it cannot be used at all: then nothing is waited for.
    """
    try:
        folder = model_folder(season, model_in_use(season))
    except BudvisionError:
        return False
    return (folder, season.settings.cane_base) not in _loaded


def _without_scale(answer: Judged, line_mm: float) -> Judged:
    """Take the scale out of a proposal whose photo card is printed at another size."""
    proposal, labels = answer
    if proposal.mm_per_px is None:
        return answer
    why = Reason("card_wrong_size", f"The photo card's check line measures {line_mm:g} mm and "
                 f"should be {LINE_MM:g}, so its scale is not used. Print the card again at 100 %.")
    return replace(proposal, mm_per_px=None, reasons=(*proposal.reasons, why)), labels
