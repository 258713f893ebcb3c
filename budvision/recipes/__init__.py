"""Recipes for a server and for a batch system, written out for whoever runs one.

The files stand beside this module as they are written.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from budvision.errors import StorageError, UsageError
from budvision.files import write_whole

__all__ = ["RECIPES", "write_recipes"]

RECIPES: tuple[str, ...] = (
    "README.md", "Dockerfile", "start.sh", "compose.yaml", "Caddyfile", "env.example",
    "propose.sbatch", "SCALE.md",
)
"""Names of the files."""


def write_recipes(folder: Path) -> tuple[Path, ...]:
    """Write every recipe to a folder, made where missing; nothing that is there is overwritten.

    Raises
    ------
    UsageError
        When one of the files is there already.
    StorageError
        When the folder cannot be written.
    """
    targets = tuple(folder / name for name in RECIPES)
    there = [target.name for target in targets if target.exists()]
    if there:
        raise UsageError(f"{there[0]} is there already", where=str(folder),
                         expected="a folder without recipes", do="Name another folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for target in targets:
            text = files(__name__).joinpath(target.name).read_text(encoding="utf-8")
            write_whole(target, text, mode=0o755 if target.suffix in (".sh", ".sbatch") else 0o644)
    except OSError as error:
        raise StorageError(f"the recipes cannot be written ({error.strerror})", where=str(folder),
                           do="Choose a folder that may be written.") from error
    return targets
