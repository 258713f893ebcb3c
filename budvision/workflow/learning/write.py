"""Put a trained model into the season: its folder whole or not at all, then the list, then a row.

A training that is killed leaves at most a folder with a dot before its name, which the next one
removes, or a whole folder that no list names and nothing loads.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from budvision.errors import StorageError
from budvision.files import PART, beside
from budvision.store.queries import models
from budvision.store.session import Season, now
from budvision.store.shared_models import share_model
from budvision.workflow.intake.propose import ModelInUse, model_in_use

if TYPE_CHECKING:
    from budvision.verdict.registry import ModelEntry

__all__ = ["LEFT_OUT", "copy_segmenter", "write_model"]

LEFT_OUT = "left_out.json"
"""What a model says of the buds it learnt from, each with its cane left out."""


def write_model(
    season: Season, name: str, fill: Callable[[Path, str], None], *, feature_version: str,
    note: str, facts: Mapping[str, Any],
) -> tuple[ModelInUse, Path]:
    """Write a new version of a model into the season's own models.

    The season's door for writing is held meanwhile, so that two trainings at once, in whatever
    process, get two versions.

    Parameters
    ----------
    name : str
        The model's name without version.
    fill : callable
        Writes every file into the folder given; told the model's name and version as well.
    feature_version : str
        The features that it reads.
    note : str
        A sentence for the list of models.
    facts : mapping
        Kept with the model's row.

    Returns
    -------
    used : ModelInUse
    folder : Path

    Raises
    ------
    StorageError
        When the disk is full; nothing is half-written.
    """
    from budvision.verdict.registry import ModelEntry, add_model, find_model, library_versions

    home = season.models_folder
    with season.write() as conn:
        try:
            for left in home.glob(f".{name}-*{PART}"):  # of a training that was killed
                shutil.rmtree(left, ignore_errors=True)
            target = home / f"{name}-{_next_version(home, name, models.list_models(conn))}"
            home.mkdir(parents=True, exist_ok=True)
            with beside(target, hidden=True) as part:
                part.mkdir()
                fill(part, target.name)
        except OSError as error:
            if isinstance(error, StorageError):
                raise
            raise StorageError(
                f"the model could not be written ({error.strerror})", where=str(home),
                do="Make room and train again; the season is as it was.") from error
        add_model(ModelEntry(
            name=name, version=target.name.removeprefix(f"{name}-"), folder=target, files={},
            feature_version=feature_version, made=now()[:10], libraries=library_versions(),
            note=note))
        used = model_in_use(season, target)
        models.ensure_model(
            conn, used.label, used.sha256, used.path, facts=used.facts | dict(facts) | {
                "listed": {"note": note, "libraries": dict(library_versions())}})
    share_model(season, find_model(target))
    return used, target


def copy_segmenter(base: ModelEntry, part: Path) -> None:
    """Copy what finds the tissues, and all else but what a new verdict model brings itself."""
    for name in base.files:
        if name not in ("verdict.skops", "metrics.json", "CARD.md", LEFT_OUT):
            (part / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(base.folder / name, part / name)


def _next_version(home: Path, name: str, known: Sequence[models.ModelRow]) -> int:
    """Return the version after the highest that any station ever began, listed or not."""
    from budvision.verdict.registry import list_models

    taken = [path.name.removeprefix(f"{name}-") for path in home.glob(f"{name}-*")]
    taken += [row.name.removeprefix(f"{name}-") for row in known
              if row.name.startswith(f"{name}-")]
    taken += [entry.version for entry in list_models(home) if entry.name == name]
    return max((int(text) for text in taken if text.isdigit()), default=0) + 1
