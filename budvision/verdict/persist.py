"""Keep a verdict model as a skops file; only this module knows skops.

Nothing is unpickled. A file that holds any type outside our own list, or that skops does not trust
by itself, is refused with the names of those types; skops' list alone changes with its version, and
for years held trees, whose links a changed file can lead out of memory. skops and scikit-learn take
five seconds of processor time to import: only what needs the estimators does. What judges
photographs reads the numbers of the usual model straight from the file.
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from budvision.errors import NotFoundError, StorageError, VerificationError
from budvision.files import beside
from budvision.photo.features import FEATURE_NAMES
from budvision.verdict.conformal import ConformalSets
from budvision.verdict.correction import Correction
from budvision.verdict.model import Novelty, ScaledLogistic, VerdictModel

__all__ = ["FORMAT", "load_to_judge", "load_training_rows", "load_verdict", "save_verdict"]

FORMAT = 3
"""Number of the layout of the file; a higher one is refused. 1 holds no correction, 2 one, 3 one
with a doubt about regions."""

MOST_BYTES = 200_000_000
"""Most that a file may unpack to; the shipped model takes 0.6 MB."""

_KEPT = ("builtins.", "numpy.", *(f"sklearn.{room}." for room in (
    "pipeline", "compose", "preprocessing", "decomposition", "feature_selection",
    "kernel_approximation", "multiclass", "linear_model", "discriminant_analysis", "naive_bayes",
    "svm", "neural_network._multilayer_perceptron", "ensemble._bagging")))
"""How the types of a file may begin: those that hold numbers only and look where they reach."""

_LOGISTIC = ("sklearn.preprocessing._data.StandardScaler",
             "sklearn.linear_model._logistic.LogisticRegression")
_OBJECTS = frozenset({"sklearn.pipeline.Pipeline", *_LOGISTIC})
_ESTIMATOR = "an estimator: "  # a key that no attribute can have, before what it is


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
    learned = model.correction
    content = {
        "format": 1 if learned is None else 2 if learned.doubt is None else FORMAT,
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
        foreign = set(skops.io.get_untrusted_types(file=path))
        with zipfile.ZipFile(path) as packed:
            foreign |= {one for one in _types(json.loads(packed.read("schema.json")))
                        if not one.startswith(_KEPT)}
    except Exception as error:  # a damaged file can fail anywhere in the parser
        raise _damaged(path, error) from error
    if foreign:
        raise VerificationError(
            f"it holds types that could run foreign code: {', '.join(sorted(foreign))}",
            expected="only plain Python, numpy and those of scikit-learn that hold numbers only",
            where=str(path),
            do="Do not use the file; train the model again.",
        )
    try:
        return _model_of(skops.io.load(path, trusted=[]), path)
    except VerificationError:
        raise
    except Exception as error:
        raise _damaged(path, error) from error


def _types(node: Any) -> Iterator[str]:
    """Return the name of every type that the schema of a file names."""
    if isinstance(node, dict) and "__class__" in node:
        yield f"{node['__module__']}.{node['__class__']}"
    if isinstance(node, dict | list):
        for one in node.values() if isinstance(node, dict) else node:
            yield from _types(one)


def load_to_judge(path: Path) -> VerdictModel:
    """Read a verdict model that is to judge and not to be saved again.

    The usual one, scaled rows into logistic regressions, is read as plain numbers, without
    scikit-learn; any other as `load_verdict` reads it.

    Raises
    ------
    NotFoundError, VerificationError
        As `load_verdict`.
    """
    _weigh(path)
    try:
        with zipfile.ZipFile(path) as packed:
            content = _plain(packed, json.loads(packed.read("schema.json")))
        content["estimators"] = [_logistic(one) for one in content["estimators"]]
        return _model_of(content, path)
    except VerificationError:
        raise
    except Exception:  # another kind, foreign types, or damaged: read as a whole, or refused
        return load_verdict(path)


def _model_of(content: dict[str, Any], path: Path) -> VerdictModel:
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


def _plain(packed: zipfile.ZipFile, node: dict[str, Any]) -> Any:
    """Return what a node of the schema holds, of plain types and estimators known here alone."""
    kind, held = f"{node['__module__']}.{node['__class__']}", node.get("content", "")
    match node["__loader__"], kind:
        case "DictNode", "builtins.dict":
            return {name: _plain(packed, one) for name, one in held.items()}
        case ("ListNode", "builtins.list") | ("TupleNode", "builtins.tuple"):
            return [_plain(packed, one) for one in held]
        case "JsonNode", _:
            return json.loads(held)
        case "NdArrayNode", _ if node["type"] == "numpy":
            return _numbers(packed, node)
        case "ObjectNode", _ if kind in _OBJECTS:
            return {_ESTIMATOR: kind} | _plain(packed, held)
    raise ValueError(kind)


def _logistic(pipeline: dict[str, Any]) -> ScaledLogistic:
    """Return a pipeline of a scaler and a logistic regression of two classes as its numbers."""
    scaler, regression = (step for _, step in pipeline["steps"])
    if (scaler[_ESTIMATOR], regression[_ESTIMATOR]) != _LOGISTIC or not (
            regression["classes_"].tolist() == [False, True]
            and scaler["with_mean"] and scaler["with_std"]):
        raise ValueError("another estimator")
    found = ScaledLogistic(
        scaler["mean_"], scaler["scale_"], regression["coef_"][0], float(*regression["intercept_"]))
    if not found.mean.shape == found.scale.shape == found.weights.shape == (
            len(FEATURE_NAMES),):
        raise ValueError("other features")
    return found


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
