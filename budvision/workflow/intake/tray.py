"""The tray: photographs that a person sent through the pages and has not taken in yet.

It lies in the season's cache, one for each person, and may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import json
import re
import secrets
import shutil
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from budvision.errors import InputError, StorageError
from budvision.files import write_whole
from budvision.store.names import clean_label
from budvision.store.session import Season
from budvision.workflow.intake.manifest import DEFAULT_PATTERN, IMAGE_SUFFIXES
from budvision.workflow.intake.places import Foreseen, Places, foresee, read_places

__all__ = ["Asked", "Tray"]

_TABLES = (".csv", ".tsv", ".txt", ".xlsx")
_FOLDER, _ASKED = "photographs", "asked.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What goes with the photographs: sampling, day of collection, and how names are read."""

    sampling: str = ""
    collected: str = ""
    pattern: str = DEFAULT_PATTERN
    block: str = ""
    move: str = ""
    """``yes`` gives photographs that have another place already the new one."""
    columns: str = ""
    """Which column of the manifest is what, as JSON; empty where it has the names asked for."""

    @classmethod
    def of(cls, given: Mapping[str, str]) -> Asked:
        """Return what a form holds, names left out being empty."""
        return cls(**{name: str(given.get(name) or getattr(cls(), name)).strip()
                      for name in cls.__slots__})

    @property
    def chosen(self) -> dict[str, str]:
        """Which column of the manifest is what, as `budvision.tables.read_table` takes it.

        Empty where it is no such choice: it is asked for then.
        """
        found: object = None
        with contextlib.suppress(ValueError, RecursionError):
            found = json.loads(self.columns or "{}")
        if not isinstance(found, dict) or not all(isinstance(cell, str) for cell in found.values()):
            return {}
        return found


class Tray:
    """The tray of one person.

    Parameters
    ----------
    season : Season
        The season.
    person_id : int
        Whose.
    """

    def __init__(self, season: Season, person_id: int) -> None:
        self._season, self._person_id = season, person_id
        self.folder = season.folder / "cache" / "tray" / str(person_id)
        self.photographs = self.folder / _FOLDER

    def add(self, name: str, data: bytes) -> None:
        """Put a photograph or a manifest into the tray; a file of the same name is replaced.

        Raises
        ------
        InputError
            When the name is that of neither.
        StorageError
            When the disk is full.
        """
        parts = [re.sub(r'[\x00-\x1f<>:"|?*]', "_", part).strip()
                 for part in name.replace("\\", "/").split("/")]
        parts = [part for part in parts if part.strip(". ")][-4:]
        suffix = Path(parts[-1]).suffix.lower() if parts else ""
        if suffix in _TABLES:
            target = self.folder / f"manifest{suffix}"
        elif suffix in IMAGE_SUFFIXES and all(len(part.encode()) <= 200 for part in parts):
            target = self.photographs.joinpath(*(part.lstrip(".") for part in parts))
        else:
            raise InputError("it is neither a photograph nor a table", where=name[:120],
                             expected="JPEG, PNG, TIFF, WebP or HEIC, or a manifest as CSV or XLSX",
                             do="Leave it out.")
        try:
            if suffix in _TABLES:
                self._without_manifest()
            target.parent.mkdir(parents=True, exist_ok=True)
            write_whole(target, data, lasting=False)
        except OSError as error:
            raise StorageError(f"it could not be kept ({error.strerror})", where=name[:120],
                               do="Make room on the disk, then send it again.") from error

    def ask(self, asked: Asked) -> None:
        """Keep what goes with the photographs.

        Raises
        ------
        InputError
            When the sampling has no usable label.
        """
        clean_label(asked.sampling, "sampling")
        self.folder.mkdir(parents=True, exist_ok=True)
        write_whole(self.folder / _ASKED, json.dumps(asdict(asked)), lasting=False)

    @property
    def asked(self) -> Asked:
        """What was asked for with these photographs."""
        kept: object = None
        with contextlib.suppress(OSError, ValueError, RecursionError):
            kept = json.loads((self.folder / _ASKED).read_text(encoding="utf-8"))
        return Asked.of(kept if isinstance(kept, dict) else {})

    @property
    def manifest(self) -> Path | None:
        """The manifest that was sent along, None where there is none."""
        return next(iter(sorted(self.folder.glob("manifest.*"))), None)

    @property
    def n_files(self) -> int:
        """How many photographs lie in it."""
        return sum(path.is_file() for path in self.photographs.rglob("*"))

    def look_over(self) -> tuple[Places, tuple[Foreseen, ...]]:
        """Say what taking them in would do; errors are those of `read_places`."""
        asked = self.asked
        places = read_places(
            [self.photographs] if self.photographs.is_dir() else [], manifest=self.manifest,
            pattern=asked.pattern or DEFAULT_PATTERN, block=asked.block, within=self.photographs,
            columns=asked.chosen)
        return places, foresee(self._season, places, sampling=asked.sampling)

    def set_off(self) -> Tray:
        """Take what lies in it aside to be taken in; what is sent meanwhile is another batch."""
        away = Tray(self._season, self._person_id)
        away.folder = self.folder.with_name(f"{self.folder.name}-{secrets.token_hex(6)}")
        away.photographs = away.folder / _FOLDER
        if self.folder.is_dir():
            self.folder.rename(away.folder)
        return away

    @classmethod
    def set_aside(cls, season: Season, person_id: object, name: str) -> Tray:
        """Return what `set_off` took aside under that name, whether it is still there or not.

        Raises
        ------
        InputError
            When it is the name of no such folder.
        """
        if not isinstance(person_id, int) or not re.fullmatch(
                rf"{person_id}-[0-9a-f]{{12}}", name):
            raise InputError(f"the tray is {name[:60]!r}", where="photographs",
                             expected="one that was set off", do="Send the photographs again.")
        away = cls(season, person_id)
        away.folder = away.folder.with_name(name)
        away.photographs = away.folder / _FOLDER
        return away

    def put_back(self) -> None:
        """Give what was set off to the person's tray again, unless other files lie there now."""
        own = Tray(self._season, self._person_id)
        if self.folder.is_dir() and not own.folder.exists():
            self.folder.rename(own.folder)

    def clear(self) -> None:
        """Throw away what lies in it."""
        shutil.rmtree(self.folder, ignore_errors=True)

    def _without_manifest(self) -> None:
        for old in self.folder.glob("manifest.*"):
            old.unlink()
