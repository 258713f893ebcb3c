"""Put a finished folder in the place of the one before it, which is never written into.

On Linux the two change places in one call of the system, so that there is no moment without a
whole folder under the name. Elsewhere the old one is renamed away first; a program killed between
the two renames leaves it beside, and `recover` puts it back.
"""

from __future__ import annotations

import ctypes
import errno
import os
import shutil
import sys
from pathlib import Path

from budvision import files
from budvision.files import sync_folder

__all__ = ["beside", "link", "recover", "switch"]

_AT_FDCWD, _RENAME_EXCHANGE = -100, 2


def beside(target: Path) -> Path:
    """Return the folder beside `target` in which its next generation is built."""
    return target.with_name(f".{target.name}.next")


def _away(target: Path) -> Path:
    return target.with_name(f".{target.name}.before")


def recover(target: Path) -> None:
    """Put back the generation that a program killed while switching had renamed away."""
    if not target.exists() and _away(target).is_dir():
        _away(target).replace(target)


def switch(new: Path, target: Path) -> None:
    """Put the folder `new` in the place of `target`, and remove what stood there.

    Raises
    ------
    OSError
        When the folders cannot be renamed; one whole folder stands under `target` then.
    """
    if not target.exists():
        new.replace(target)
    elif not _exchanged(new, target):
        files.remove(_away(target))
        target.replace(_away(target))
        new.replace(target)
    sync_folder(target.parent)
    for old in (new, _away(target)):
        files.remove(old)


def _exchanged(one: Path, other: Path) -> bool:
    """Let two folders change names at once; False where the system cannot."""
    if not sys.platform.startswith("linux"):
        return False
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if rename is None:
        return False
    done = rename(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE)
    if done == 0:
        return True
    number = ctypes.get_errno()
    if number in (errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP):
        return False  # a disk without this call
    raise OSError(number, os.strerror(number), str(other))


def link(source: Path, target: Path) -> None:
    """Give a file that is never changed a second name; copy it where the disk has no links."""
    if target.exists() and target.samefile(source):
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        with files.beside(target, lasting=False) as part:
            os.link(source, part)
    except OSError:
        with files.beside(target) as part:
            shutil.copyfile(source, part)
