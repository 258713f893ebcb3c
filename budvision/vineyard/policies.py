"""Pruning policies: bands over the share of dead primary buds, each with an action.

The default, ``common``, is common practice without a published source: up to 14 % (14 % included)
prune as usual; above 14 % and below 35 % (both left out) retain 35 % more; from 35 % to 50 % (both
included) double; above 50 % prune minimally or not at all. `policies.toml` says for each policy to
which band an edge belongs; a share within 1e-9 of an edge counts as on it.
"""

from __future__ import annotations

import itertools
import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from budvision.errors import InputError, NotFoundError, PolicyError

__all__ = [
    "Band",
    "Policy",
    "check_share",
    "load_policies",
    "policy_from_table",
    "shipped_policies",
]

Floats = NDArray[np.float64]
EDGE_TOLERANCE = 1e-9
RULES = ("usual", "times", "add_share_dead", "divide_by_share_alive", "minimal", "open")
_LOWER, _UPPER = ("at_least", "above"), ("up_to", "below")


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """One band of a policy.

    Attributes
    ----------
    low, high : float
        Shares of dead primary buds.
    low_included, high_included : bool
        Whether the edge itself belongs to this band.
    rule : str
        How nodes follow: usual, times, add_share_dead, divide_by_share_alive, minimal or open.
    factor : float
        The multiple of the rule "times", else 1.
    """

    name: str
    low: float
    high: float
    low_included: bool
    high_included: bool
    action: str
    rule: str
    factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Policy:
    """A named pruning policy: bands that cover 0 to 1 without gap or overlap."""

    name: str
    title: str
    source: str
    bands: tuple[Band, ...]

    @property
    def edges(self) -> tuple[float, ...]:
        """The shares between bands, rising, without 0 and 1."""
        return tuple(band.high for band in self.bands[:-1])

    def band_index(self, share: ArrayLike) -> NDArray[np.int64]:
        """Return the number of the band that each share lies in.

        Parameters
        ----------
        share : array_like of float
            Shares of dead primary buds in [0, 1].

        Returns
        -------
        ndarray of int64
            Same shape; an edge belongs to the band whose table says so.
        """
        values = np.asarray(share, dtype=float)
        index = np.zeros(values.shape, dtype=np.int64)
        for number in range(len(self.bands) - 1):
            index += values > self.last_below(number)
        return index

    def last_below(self, number: int) -> float:
        """Return the largest share that still lies below an edge.

        Parameters
        ----------
        number : int
            Of the edge, 0 between the first two bands.
        """
        band = self.bands[number]
        return (band.high + EDGE_TOLERANCE if band.high_included else
                math.nextafter(band.high - EDGE_TOLERANCE, -math.inf))

    def band(self, share: float) -> Band:
        """Return the band that a share of dead primary buds lies in.

        Raises
        ------
        InputError
            When the share is not in [0, 1].
        """
        check_share(share)
        return self.bands[int(self.band_index(share))]

    def factor(self, share: ArrayLike) -> Floats:
        """Return the multiple of the normal node count, nan where the band gives no number.

        Parameters
        ----------
        share : array_like of float
            Shares of dead primary buds in [0, 1].
        """
        values = np.asarray(share, dtype=float)
        index = self.band_index(values)
        result = np.full(values.shape, np.nan)
        with np.errstate(divide="ignore"):
            by_rule = {
                "usual": np.ones_like(values), "add_share_dead": 1 + values,
                "divide_by_share_alive": 1 / (1 - values),
            }
        for number, band in enumerate(self.bands):
            here = index == number
            if band.rule == "times":
                result[here] = band.factor
            elif band.rule in by_rule:
                result[here] = by_rule[band.rule][here]
        return result


def check_share(share: float) -> None:
    """Refuse a number that is not a share.

    Parameters
    ----------
    share : float
        Any number.

    Raises
    ------
    InputError
        When the value is not in [0, 1].
    """
    if not 0 <= share <= 1:
        raise InputError(
            f"the share is {share!r}", expected="a number from 0 to 1",
            do="Give 0.35 for 35 per cent.",
        )


def _edge(row: Mapping[str, object], words: tuple[str, str], where: str) -> tuple[float, bool]:
    given = [word for word in words if word in row]
    if len(given) != 1:
        raise PolicyError(
            f"it has {' and '.join(given) or 'no edge'} on one side", where=where,
            expected=f"either {words[0]} or {words[1]}", do="Correct the band.",
        )
    value = row[given[0]]
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 1:
        raise PolicyError(
            f"{given[0]} is {value!r}", where=where, expected="a share from 0 to 1",
            do="Write 0.35 for 35 per cent.",
        )
    return float(value), given[0] == words[0]


def _band(row: object, where: str) -> Band:
    if not isinstance(row, Mapping):
        raise PolicyError("a band is not a table", where=where, expected="[[NAME.bands]]")
    name = str(row.get("name", ""))
    here = f"{where}, band {name or '?'}"
    low, low_included = _edge(row, _LOWER, here)
    high, high_included = _edge(row, _UPPER, here)
    rule, factor = str(row.get("nodes", "")), row.get("factor", 1.0)
    if not name or not row.get("action"):
        raise PolicyError("name or action is missing", where=here, expected="both, as text")
    if rule not in RULES:
        raise PolicyError(
            f"nodes is {rule!r}", where=here, expected=f"one of {', '.join(RULES)}",
            do="Correct the word; the file's head explains each.",
        )
    if isinstance(factor, bool) or not isinstance(factor, int | float) or not 1 <= factor <= 10:
        raise PolicyError(f"factor is {factor!r}", where=here, expected="a number from 1 to 10")
    if high < low or (high == low and not (low_included and high_included)):
        raise PolicyError(f"it runs from {_percent(low)} to {_percent(high)}", where=here,
                          expected="an upper edge above the lower one")
    return Band(name=name, low=low, high=high, low_included=low_included,
                high_included=high_included, action=str(row["action"]), rule=rule,
                factor=float(factor))


def _percent(share: float) -> str:
    return f"{100 * share:g} %"


def _check_cover(bands: tuple[Band, ...], where: str) -> None:
    if not (bands[0].low == 0 and bands[0].low_included):
        raise PolicyError(
            f"nothing covers 0 % to {_percent(bands[0].low)}", where=where,
            expected="a first band with at_least = 0.0", do="Add the missing band.",
        )
    for lower, upper in itertools.pairwise(bands):
        span = f"{_percent(lower.high)} to {_percent(upper.low)}"
        both = f"bands {lower.name} and {upper.name}"
        if lower.high < upper.low:
            raise PolicyError(f"nothing covers {span}", where=where, do="Close the gap.",
                              expected=f"{both} to meet")
        if lower.high > upper.low:
            span = f"{_percent(upper.low)} to {_percent(min(lower.high, upper.high))}"
            raise PolicyError(f"{both} both cover {span}", where=where, do="Move one edge.",
                              expected="bands that do not overlap")
        if lower.high_included and upper.low_included:
            raise PolicyError(f"{both} both cover exactly {_percent(lower.high)}", where=where,
                              expected="one owner of the edge", do="Use below or above in one.")
        if not (lower.high_included or upper.low_included):
            raise PolicyError(f"nothing covers exactly {_percent(lower.high)}", where=where,
                              expected="one owner of the edge", do="Use up_to or at_least in one.")
    if not (bands[-1].high == 1 and bands[-1].high_included):
        raise PolicyError(
            f"nothing covers {_percent(bands[-1].high)} to 100 %", where=where,
            expected="a last band with up_to = 1.0", do="Add the missing band.",
        )


def policy_from_table(name: str, table: object, *, where: str = "policies.toml") -> Policy:
    """Build one policy from its TOML table, refusing gaps and overlaps.

    Parameters
    ----------
    name : str
        The policy's name.
    table : mapping
        With title, source and bands; see the head of `policies.toml`.
    where : str
        Named in errors.

    Returns
    -------
    Policy
        With its bands in rising order.

    Raises
    ------
    PolicyError
        When bands leave a gap or overlap (the place is named), or a word is unknown.
    """
    here = f"{where}, policy {name}"
    if not isinstance(table, Mapping) or not isinstance(table.get("bands"), list):
        raise PolicyError("it has no bands", where=here, expected="[[NAME.bands]] tables",
                          do="See the head of the policies.toml that ships with budvision.")
    bands = tuple(sorted((_band(row, here) for row in table["bands"]),
                         key=lambda band: (band.low, not band.low_included, band.high)))
    if not bands:
        raise PolicyError("it has no bands", where=here, expected="[[NAME.bands]] tables")
    names = [band.name for band in bands]
    if len(set(names)) != len(names):
        raise PolicyError("two bands have the same name", where=here, expected="names that differ")
    _check_cover(bands, here)
    return Policy(name, str(table.get("title", name)), str(table.get("source", "")), bands)


def load_policies(paths: Iterable[Path]) -> dict[str, Policy]:
    """Read policies from TOML files; a later file's policy replaces one of the same name.

    Parameters
    ----------
    paths : iterable of Path
        TOML files.

    Raises
    ------
    PolicyError
        When a file is not TOML or a policy has gaps, overlaps or unknown words.
    """
    found: dict[str, Policy] = {}
    for path in paths:
        try:
            tables = tomllib.loads(path.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise PolicyError(f"it is not TOML ({error})", where=path.name,
                              expected="tables of bands", do="Correct the line.") from error
        except OSError as error:
            raise NotFoundError(f"it cannot be read ({error.strerror})", where=str(path),
                                expected="a policies file") from error
        for name, table in tables.items():
            found[name] = policy_from_table(name, table, where=path.name)
    return found


def shipped_policies(own: Path | None = None) -> dict[str, Policy]:
    """Return the policies that ship with the package, and a season's own on top of them.

    Parameters
    ----------
    own : Path, optional
        A season's `policies.toml`; a missing file adds nothing.
    """
    paths = [Path(__file__).with_name("policies.toml")]
    if own is not None and own.exists():
        paths.append(own)
    return load_policies(paths)
