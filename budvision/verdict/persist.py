"""Keep a verdict model as a skops file; only this module knows skops.

Nothing is unpickled. A file that holds any type outside the list that skops trusts by itself is
refused with the names of those types. skops and scikit-learn take seconds to import: only what
needs the estimators does.
"""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from budvision.errors import NotFoundError, StorageError, VerificationError
from budvision.files import beside
from budvision.verdict.conformal import ConformalSets
from budvision.verdict.correction import Correction
from budvision.verdict.model import Novelty, VerdictModel

__all__ = ["FORMAT", "load_training_rows", "load_verdict", "save_verdict"]

FORMAT = 2
"""Number of the layout of the file; a higher one is refused. 2 holds a correction, 1 none."""

MOST_BYTES = 200_000_000
"""Most that a file may unpack to; the shipped model takes 0.6 MB."""


def save_verdict(model: VerdictModel, path: Path) -> None:
    """Write a verdict model; the file appears whole or not at all.

    Parameters
    ----------
    path : Path
        Ends in ``.skops``; must not exist, since models are never edited in place.

    Raises
    ------
    StorageError
        When the path exists or cannot be written.
    """
    import skops.io

    if path.exists():
        raise StorageError(
            "the file exists already", expected="a new path", where=str(path),
            do="Give the model a new version; models are never edited in place.",
        )
    content = {
        "format": 1 if model.correction is None else FORMAT,
        "estimators": list(model.estimators),
        "slope": model.slope, "offset": model.offset,
        "feature_names": list(model.feature_names), "feature_version": model.feature_version,
        "conformal": {
            "live_limit": model.sets.live_limit, "dead_limit": model.sets.dead_limit,
            "alpha": model.sets.alpha, "n_live": model.sets.n_live, "n_dead": model.sets.n_dead,
        },
        "novelty": {
            "middle": model.novelty.middle, "whitener": model.novelty.whitener,
            "limit": model.novelty.limit,
        },
        "reserve": {"rows": model.reserve_rows, "dead": model.reserve_dead},
        "correction": None if model.correction is None else model.correction.as_arrays(),
    }
    try:
        with beside(path) as part:
            skops.io.dump(content, part, compression=zipfile.ZIP_DEFLATED)
    except OSError as error:
        raise StorageError(
            f"the model cannot be written ({error.strerror or error})", where=str(path),
            expected="a writable folder with free space", do="Free some space and try again.",
        ) from error


def load_verdict(path: Path) -> VerdictModel:
    """Read a verdict model.

    Raises
    ------
    NotFoundError
        When there is no such file.
    VerificationError
        When the file holds types that are not trusted, is damaged or of a newer format.
    """
    import skops.io

    _weigh(path)
    try:
        foreign = skops.io.get_untrusted_types(file=path)
    except Exception as error:  # a damaged file can fail anywhere in the parser
        raise _damaged(path, error) from error
    if foreign:
        raise VerificationError(
            f"it holds types that could run foreign code: {', '.join(sorted(foreign))}",
            expected="only scikit-learn, numpy and plain Python types", where=str(path),
            do="Do not use the file; train the model again.",
        )
    try:
        content = skops.io.load(path, trusted=[])
        if int(content["format"]) > FORMAT:
            raise VerificationError(
                f"its format is {content['format']}", expected=f"at most {FORMAT}",
                where=str(path), do="Update budvision.",
            )
        return VerdictModel(
            estimators=tuple(content["estimators"]),
            slope=float(content["slope"]), offset=float(content["offset"]),
            feature_names=tuple(content["feature_names"]),
            feature_version=str(content["feature_version"]),
            sets=ConformalSets(**content["conformal"]),
            novelty=Novelty(
                np.asarray(content["novelty"]["middle"]),
                np.asarray(content["novelty"]["whitener"]), float(content["novelty"]["limit"]),
            ),
            reserve_rows=np.asarray(content["reserve"]["rows"], np.float32),
            reserve_dead=np.asarray(content["reserve"]["dead"], np.bool_),
            correction=None if content.get("correction") is None
            else Correction.from_arrays(content["correction"]),
        )
    except VerificationError:
        raise
    except Exception as error:
        raise _damaged(path, error) from error


def load_training_rows(path: Path) -> tuple[npt.NDArray[np.float32], Novelty]:
    """Read what a verdict model was trained on, and its guard, without its estimators.

    Returns
    -------
    rows : ndarray, shape (m, f)
        The sample of its training rows.
    novelty : Novelty

    Raises
    ------
    NotFoundError, VerificationError
        As `load_verdict`.
    """
    _weigh(path)
    try:
        with zipfile.ZipFile(path) as packed:
            content = json.loads(packed.read("schema.json"))["content"]
            rows = _numbers(packed, content["reserve"]["content"]["rows"])
            parts = {name: _numbers(packed, node)
                     for name, node in content["novelty"]["content"].items()}
        return np.asarray(rows, np.float32), Novelty(
            parts["middle"], parts["whitener"], float(parts["limit"]))
    except Exception:  # written otherwise, or damaged: the whole model is read, or refused
        whole = load_verdict(path)
        return whole.reserve_rows, whole.novelty


def _numbers(packed: zipfile.ZipFile, node: dict[str, Any]) -> npt.NDArray[Any]:
    """Return the plain number or array of numbers that an entry of the schema names."""
    if "file" in node:
        return np.asarray(np.load(io.BytesIO(packed.read(node["file"])), allow_pickle=False))
    return np.asarray(json.loads(node["content"]))


def _weigh(path: Path) -> None:
    """Refuse a file that is not there, is no archive, or unpacks to too much."""
    if not path.is_file():
        raise NotFoundError(
            "there is no such file", expected="a verdict model", where=str(path),
            do="Run `budvision models list`.",
        )
    try:
        with zipfile.ZipFile(path) as packed:
            n_bytes = sum(part.file_size for part in packed.infolist())
    except Exception as error:
        raise _damaged(path, error) from error
    if n_bytes > MOST_BYTES:
        raise VerificationError(
            f"it unpacks to {n_bytes:,} bytes", expected=f"at most {MOST_BYTES:,}",
            where=str(path), do="Do not use the file; a verdict model is far smaller.",
        )


def _damaged(path: Path, error: Exception) -> VerificationError:
    return VerificationError(
        f"the file is damaged ({type(error).__name__}: {str(error)[:80]})",
        expected="a verdict model written by budvision", where=str(path),
        do="Fetch it again and run `budvision models verify`.",
    )
