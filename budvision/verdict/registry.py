"""The list of models: names, versions, the hash of every file; nothing unlisted is loaded.

`registry.toml` lies beside the models' folders. A model's folder is found by name (``bench-1.0``)
or by path; in both cases the list in the folder's parent must name every file and its SHA-256.
"""

from __future__ import annotations

import json
import os
import platform
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

from budvision.errors import ConflictError, InputError, NotFoundError, VerificationError
from budvision.files import PART, sha256_of, write_whole
from budvision.settings import models_folder

__all__ = [
    "DEFAULT_MODEL",
    "ModelEntry",
    "add_model",
    "find_model",
    "library_versions",
    "list_models",
    "verify_model",
]

DEFAULT_MODEL = "staged-2.0"
_LIST = "registry.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelEntry:
    """One model as the registry lists it.

    Attributes
    ----------
    name, version : str
        Make ``label`` when joined by a hyphen.
    folder : Path
    files : mapping of str to str
        File name to SHA-256.
    feature_version : str
    made : str
        Date, ISO 8601.
    libraries : mapping of str to str
        Versions it was made with.
    note : str
        One line.
    """

    name: str
    version: str
    folder: Path
    files: Mapping[str, str]
    feature_version: str
    made: str
    libraries: Mapping[str, str] = field(default_factory=dict)
    note: str = ""

    @property
    def label(self) -> str:
        """Name and version, ``bench-1.0``."""
        return f"{self.name}-{self.version}"


def library_versions() -> dict[str, str]:
    """Return the versions of the libraries that a model depends on."""
    names = ("numpy", "opencv-python", "scikit-learn", "skops")
    return {"python": platform.python_version()} | {name: version(name) for name in names}


def list_models(folder: Path | None = None) -> list[ModelEntry]:
    """Return the models listed in a folder's registry, in its order.

    Parameters
    ----------
    folder : Path, optional
        The folder that holds `registry.toml`; the package's own models when left out.

    Raises
    ------
    InputError
        When the registry is not TOML or lacks a field.
    """
    folder = models_folder() if folder is None else folder
    path = folder / _LIST
    if not path.is_file():
        return []
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        return [
            ModelEntry(
                name=row["name"], version=row["version"],
                folder=folder / f"{row['name']}-{row['version']}",
                files={name: str(sha256) for name, sha256 in row["files"].items()},
                feature_version=row["feature_version"], made=row["made"],
                libraries=dict(row.get("libraries", {})), note=row.get("note", ""),
            )
            for row in table.get("model", [])
        ]
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, KeyError, TypeError, ValueError,
            AttributeError) as error:
        raise InputError(
            f"the list of models cannot be read ({type(error).__name__}: {error})",
            expected="[[model]] tables with name, version, files, feature_version and made",
            where=str(path), do="Restore the file from the repository or a backup.",
        ) from error


def _is_model(path: Path) -> bool:
    try:
        return path.is_dir() and (path / "verdict.skops").exists()
    except (OSError, ValueError):  # no path of this system: too long, or with a NUL
        return False


def find_model(
    model: str | Path | None = None, *, folders: Sequence[Path] = ()
) -> ModelEntry:
    """Find a model by name or path.

    Parameters
    ----------
    model : str or Path, optional
        A name such as ``bench-1.0``, or the path of a model's folder; the default model when
        left out.
    folders : sequence of Path
        Folders with registries of their own (a season's ``models/``), searched first.

    Raises
    ------
    NotFoundError
        When no registry lists it.
    """
    wanted = DEFAULT_MODEL if model is None else str(model)
    path = Path(wanted)
    if _is_model(path):
        entries = list_models(path.resolve().parent)
        for entry in entries:
            if entry.folder.resolve() == path.resolve():
                return entry
        raise NotFoundError(
            f"{path.name} is not in the list of models beside it",
            expected=f"an entry in {path.resolve().parent / _LIST}", where=wanted,
            do="Use a model that budvision trained, with the registry beside it.",
        )
    known = [entry for folder in folders for entry in list_models(folder)] + list_models()
    for entry in known:
        if wanted == entry.label:
            return entry
    names = ", ".join(entry.label for entry in known) or "none is installed"
    raise NotFoundError(
        f"there is no model {wanted}", expected=f"a model's folder or one of: {names}",
        where="--model", do="Run `budvision models list`.",
    )


def verify_model(entry: ModelEntry, *, names: Sequence[str] | None = None) -> None:
    """Compare a model's files with their listed hashes.

    Parameters
    ----------
    names : sequence of str, optional
        Only these files; all that are listed when left out.

    Raises
    ------
    VerificationError
        When a file is missing, not listed or not as listed.
    """
    for name in entry.files if names is None else names:
        where = f"{entry.label}/{name}"
        if name not in entry.files:
            raise VerificationError(
                "the file is not in the list of models", where=where,
                expected="a listed file with its SHA-256", do="Do not use it.",
            )
        path = entry.folder / name
        if not os.path.isfile(path):  # noqa: PTH113  (False for impossible names)
            raise VerificationError(
                "the file is missing", expected="the file as listed", where=where,
                do="Install the model again.",
            )
        found = sha256_of(path)
        if found != entry.files[name]:
            raise VerificationError(
                f"its SHA-256 is {found[:16]}...", where=where,
                expected=f"{entry.files[name][:16]}... as listed",
                do="Do not use it; install the model again.",
            )


def add_model(entry: ModelEntry, *, replace: bool = False) -> None:
    """Write a model into the registry beside its folder.

    Parameters
    ----------
    entry : ModelEntry
        Its `files` may be empty: then every file in the folder is hashed and listed.
    replace : bool
        Allow an entry of that name and version to be replaced (while a model is being built).

    Raises
    ------
    ConflictError
        When the name and version are taken.
    """
    parent = entry.folder.parent
    kept = [one for one in list_models(parent) if one.label != entry.label]
    if len(kept) != len(list_models(parent)) and not replace:
        raise ConflictError(
            f"{entry.label} is in the list already", expected="a new name or version",
            where=str(parent / _LIST), do="Raise the version; models are never edited in place.",
        )
    files = dict(entry.files) or {
        path.name: sha256_of(path)
        for path in sorted(entry.folder.iterdir())
        if path.is_file() and not path.name.endswith(PART)
    }
    listed = ModelEntry(
        name=entry.name, version=entry.version, folder=entry.folder, files=files,
        feature_version=entry.feature_version, made=entry.made, libraries=entry.libraries,
        note=entry.note,
    )
    text = "# Models and the SHA-256 of their files; written by budvision, one table a model.\n"
    for one in [*kept, listed]:
        text += "\n[[model]]\n"
        for key in ("name", "version", "feature_version", "made", "note"):
            text += f"{key} = {json.dumps(getattr(one, key))}\n"
        for table in ("files", "libraries"):
            text += f"\n[model.{table}]\n"
            for key, value in getattr(one, table).items():
                text += f"{json.dumps(key)} = {json.dumps(value)}\n"
    write_whole(parent / _LIST, text)
