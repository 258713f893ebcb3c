"""The settings, each with its default, help and bounds. They feed the CLI, pages and README.

A season's `budvision.toml` holds only what differs from the defaults below.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, TypeVar

from budvision.errors import InputError, NotFoundError
from budvision.language import read_decimal

__all__ = [
    "SETTINGS", "Setting", "Settings", "models_folder", "read_config", "samples_folder",
]

Value = bool | int | float | str
_V = TypeVar("_V", bool, int, float, str)


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting: its name, default, title, what it does, and the values it may take.

    `low` and `high` bound a number (both ends allowed); `choices` lists the words allowed.
    """

    name: str
    default: Value
    title: str
    help: str
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()

    def check(self, value: object, *, where: str) -> Value:
        """Return the value in the setting's own type, or raise InputError.

        Raises
        ------
        InputError
            When the type is another one, the number out of bounds or the word unknown.
        """
        wanted = type(self.default)
        if wanted is float and isinstance(value, int) and not isinstance(value, bool):
            value = float(value) if abs(value) < 1e300 else str(value)[:60]
        if type(value) is not wanted:
            raise InputError(
                f"{self.name} is {value!r}", expected=f"a {wanted.__name__}", where=where,
                do=f"Correct it; the default is {self.default!r}.",
            )
        assert isinstance(value, bool | int | float | str)
        if isinstance(value, int | float) and not isinstance(value, bool):
            low = self.low if self.low is not None else float("-inf")
            high = self.high if self.high is not None else float("inf")
            if not low <= value <= high:
                raise InputError(
                    f"{self.name} is {value!r}", expected=f"a number from {low:g} to {high:g}",
                    where=where, do=f"Correct it; the default is {self.default!r}.",
                )
        if self.choices and value not in self.choices:
            raise InputError(
                f"{self.name} is {value!r}", expected=f"one of {', '.join(self.choices)}",
                where=where, do=f"Correct it; the default is {self.default!r}.",
            )
        return value

    def read(self, text: str, *, where: str) -> Value:
        """Return the value that a person typed: yes or no, a number with a point, a text.

        Raises
        ------
        InputError
            When the text is no value of this setting.
        """
        text, value = text.strip(), self.default
        if isinstance(self.default, bool):
            value = {"yes": True, "no": False}.get(text.lower(), text)
        elif isinstance(self.default, int | float):
            number = int if isinstance(self.default, int) else float
            try:
                value = number(read_decimal(text, where=where))
            except ValueError:
                value = text
        else:
            value = text
        return self.check(value, where=where)


def _setting(
    default: _V, title: str, help: str, low: float | None = None, high: float | None = None, *,
    choices: tuple[str, ...] = (),
) -> _V:
    """Return the field of a setting; its title, what it does and its bounds stand beside it."""
    return field(default=default, metadata={
        "default": default, "title": title, "help": help, "low": low, "high": high,
        "choices": choices})


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings of a season: the defaults with the season's own values on top.

    Raises
    ------
    InputError
        When a value has another type, is out of bounds or not among the choices.

    Examples
    --------
    >>> Settings(confidence=0.9).policy
    'common'
    """

    confidence: float = _setting(0.95, "Confidence of intervals",
        "Nominal coverage of every interval.", 0.5, 0.999)
    policy: str = _setting("common", "Pruning policy",
        "Pruning policy used for bands and advice (see policies.toml).")
    normal_nodes: int = _setting(40, "Nodes retained in a normal year",
        "Nodes retained per vine in a normal year, where a block gives none of its own.",
        1, 1000)
    secondary_crop: float = _setting(1 / 3, "Crop of a live secondary",
        "Crop of a live secondary where the primary is dead, as a share of a primary's.",
        0.0, 1.0)
    max_nodes_factor: float = _setting(2.5, "Most nodes to retain",
        "Practical maximum of nodes to retain, as a multiple of the normal number.", 1.0, 10.0)
    cold_only: bool = _setting(False, "Cold injury alone",
        "Leave out tissues dead for another cause than cold.")
    prior_icc: float = _setting(0.25, "Likeness of buds of one vine",
        "Likeness of buds of one vine or cane (intra-class correlation) to expect before "
        "anything is cut; each sample corrects it.", 0.0, 0.9)
    blind_share: float = _setting(0.1, "Buds called blind",
        "Share of buds whose proposals stay hidden until called.", 0.0, 1.0)
    second_read_share: float = _setting(0.3, "Buds read twice",
        "Share of buds read again by a second person.", 0.0, 1.0)
    trial_buds: int = _setting(30, "Buds of the first trial",
        "Buds called without sight of proposals before the lead decides whether they are "
        "shown; 0 for no trial.", 0, 500)
    trial_again_buds: int = _setting(10, "Buds of a further trial",
        "The same for each further cultivar and camera, and after a change of the light or model.",
        1, 500)
    soak_h: float = _setting(48.0, "Hours in water",
        "Hours in water at room temperature before cutting (common practice; published "
        "guides say 24 to 48).", 0.0, 240.0)
    soak_min_h: float = _setting(24.0, "Fewest hours in water",
        "Hours below which cutting is called early.", 0.0, 240.0)
    cane_base: str = _setting("unknown", "Side of the cane base",
        "Side of every photograph on which the cane base lies, where no photo card shows "
        "it; a flanker that shows alone is told by it.",
        choices=("left", "right", "top", "bottom", "unknown"))
    bench_verdicts: bool = _setting(False, "Live and dead named at the bench",
        "Name live and dead at the bench too; off, so that the reviewer is not led.")
    card_line_mm: float = _setting(50.0, "Check line of the photo card, in mm",
        "Measured length of the photo card's check line; more than 0.5 mm from 50, the "
        "card's scale is refused.", 10.0, 100.0)
    language: str = _setting("browser", "Language",
        "Language of pages and paper; `browser` leaves pages to each viewer's browser.",
        choices=("browser", "en", "fr", "de", "es"))
    units: str = _setting("metric", "Units",
        "Units on pages and paper.", choices=("metric", "us"))
    paper: str = _setting("a4", "Paper size",
        "Paper size.", choices=("a4", "us-letter"))
    lab: str = _setting("", "Name of the lab",
        "Name of the lab or program, at the head of the grower sheet.")
    lab_phone: str = _setting("", "Telephone of the lab",
        "Telephone number at the head of the grower sheet.")
    lab_logo: str = _setting("", "Logo of the lab",
        "Picture at the head of the grower sheet: a PNG, JPEG or SVG file in the season "
        "folder.")
    backup_days: int = _setting(7, "Days between backups",
        "Days after which pages and `status` remind of a backup; 0 for never.", 0, 365)
    max_upload_mb: int = _setting(120, "Largest photograph, in MB",
        "Largest photograph a page accepts, in megabytes.", 1, 2000)

    def __post_init__(self) -> None:
        for one in SETTINGS:
            value = one.check(getattr(self, one.name), where="settings")
            object.__setattr__(self, one.name, value)

    @classmethod
    def of(cls, values: Mapping[str, object], *, where: str) -> Settings:
        """Return the settings that a table of names and values gives.

        Raises
        ------
        InputError
            When a name is neither a setting nor a retired one, or a value cannot be used; `where`
            stands in the text.
        """
        known: dict[str, Any] = {row.name: row for row in SETTINGS}
        values = {name: value for name, value in values.items() if name not in RETIRED}
        for name in values:
            if name not in known:
                raise InputError(
                    f"{name} is not a setting", expected=f"one of {', '.join(sorted(known))}",
                    where=where, do="Remove the line or correct the name.",
                )
        return cls(**{name: known[name].check(value, where=where)
                      for name, value in values.items()})

    @classmethod
    def load(cls, path: Path) -> Settings:
        """Read `budvision.toml`; a missing file gives the defaults."""
        if not path.exists():
            return cls()
        return cls.of(read_config(path).get("settings", {}), where=path.name)


SETTINGS: tuple[Setting, ...] = tuple(
    Setting(name=one.name, **one.metadata) for one in fields(Settings))
"""What each setting does and may be, in the order of the fields above."""

RETIRED = frozenset({"bound_missing"})
"""Settings of older seasons that decide nothing any more; a line with one is read over."""

_MOST_BYTES = 1_000_000


def read_config(path: Path) -> dict[str, dict[str, object]]:
    """Return the tables of a `budvision.toml` by name.

    Raises
    ------
    InputError
        When it cannot be read, is not TOML, or has a value outside its tables.
    """
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise ValueError(f"it has {path.stat().st_size:,} bytes")
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError, OSError) as error:
        raise InputError(
            f"it is not TOML ({str(error)[:120]})", expected="name = value lines", where=path.name,
            do="Correct the line; nothing was changed.",
        ) from error
    for name, value in table.items():
        if not isinstance(value, dict):
            raise InputError(
                f"{name} = {str(value)[:60]!r} stands outside the tables", where=path.name,
                expected=f"a line [{name}] with its values below, or the value under [settings]",
                do="Correct the line; nothing was changed.",
            )
    return table


def _beside(name: str) -> Path:
    package = Path(__file__).resolve().parent
    for folder in (package.parent / name, package / "_shipped" / name):
        if folder.is_dir():
            return folder
    raise NotFoundError(
        f"the folder {name} is not beside the package",
        expected="a clone of the repository or an installed wheel",
        do="Install budvision again from a clone.",
    )


def models_folder() -> Path:
    """Return the folder of the models that ship with the package."""
    return _beside("models")


def samples_folder() -> Path:
    """Return the folder of the sample photographs that ship with the package."""
    return _beside("sample_images")
