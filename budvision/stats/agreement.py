"""How well two or more readers, or a reader and the model, agree.

Kappa says how much of the agreement is beyond chance; say the plain percentage beside it, since
kappa falls when nearly all buds are of one kind.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from budvision.errors import InputError

__all__ = [
    "Kappa",
    "agreement_table",
    "cohen_kappa",
    "kappa_words",
]

Floats = NDArray[np.float64]

LEAST_PAIRS = 20
"""Fewer buds read twice than this tell nothing of agreement: our choice. Even goodness-of-fit
limits of kappa hold only from about 25 (Donner & Eliasziw 1992, Stat. Med. 11:1511)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kappa:
    """Kappa with its standard errors.

    Attributes
    ----------
    kappa, se : float
        Estimate and large-sample standard error; se is nan for Fleiss's kappa.
    low, high : float
        Interval, cut to [-1, 1]; nan where the table shows no spread (all agree).
    se_if_none : float
        Standard error if there were no agreement beyond chance, for `z`.
    observed, by_chance : float
        Shares agreed, weighted where weights were given.
    """

    kappa: float
    se: float
    low: float
    high: float
    se_if_none: float
    z: float
    observed: float
    by_chance: float
    n: int


def agreement_table(first: ArrayLike, second: ArrayLike, words: ArrayLike) -> NDArray[np.int64]:
    """Count pairs of readings.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        What each reader said of each bud.
    words : array_like, shape (k,)
        The words that count; pairs with another word are left out.

    Returns
    -------
    ndarray of int64, shape (k, k)
        Rows by the first reader, columns by the second.

    Raises
    ------
    InputError
        When the readings differ in length.
    """
    one, two, known = np.asarray(first), np.asarray(second), np.asarray(words)
    if one.shape != two.shape or one.ndim != 1:
        raise InputError(f"readings have shapes {one.shape} and {two.shape}", expected="the same")
    return np.array([[int(np.sum((one == a) & (two == b))) for b in known] for a in known])


def _weights(weights: str | ArrayLike | None, k: int) -> Floats:
    """Return agreement weights, 1 on the diagonal, from a word or a table of disagreements."""
    rank = np.arange(k)
    apart = np.abs(rank[:, None] - rank[None, :]).astype(float)
    if weights is None:
        return np.eye(k)
    if isinstance(weights, str):
        if weights not in ("linear", "quadratic"):
            raise InputError(f"weights are {weights!r}", expected="linear, quadratic or a table")
        disagreement = apart if weights == "linear" else apart**2
    else:
        disagreement = np.asarray(weights, dtype=float)
    if disagreement.shape != (k, k) or disagreement.max() <= 0 or np.any(np.diag(disagreement)):
        raise InputError(f"weights have shape {disagreement.shape}",
                         expected=f"({k}, {k}) disagreements, 0 on the diagonal")
    agreement: Floats = 1 - disagreement / disagreement.max()
    return agreement


def cohen_kappa(
    table: ArrayLike, *, weights: str | ArrayLike | None = None, confidence: float = 0.95
) -> Kappa:
    """Return Cohen's kappa of two readers, plain or weighted.

    Parameters
    ----------
    table : array_like of float, shape (k, k)
        Counts, rows by one reader, columns by the other.
    weights : {"linear", "quadratic"} or array_like, shape (k, k), optional
        Disagreement weights, 0 on the diagonal; all disagreements weigh the same when left out.
    confidence : float
        Nominal coverage in (0, 1).

    Returns
    -------
    Kappa

    Raises
    ------
    InputError
        When the table is not square, has a negative count, is empty, or both readers used one
        word only (kappa is then undefined).

    Notes
    -----
    Buds are taken as independent; the standard error is a large-sample one.

    References
    ----------
    Cohen (1960), Educ. Psychol. Meas. 20:37-46; Cohen (1968), Psychol. Bull. 70:213-220; standard
    errors: Fleiss, Cohen & Everitt (1969), Psychol. Bull. 72:323-327.
    """
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or counts.shape[0] < 2:
        raise InputError(f"the table has shape {counts.shape}", expected="a square one")
    if np.any(counts < 0) or counts.sum() <= 0:
        raise InputError("the table is empty or has a negative count", expected="counts")
    n, p = counts.sum(), counts / counts.sum()
    w = _weights(weights, len(p))
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed, chance = float((w * p).sum()), float((w * np.outer(rows, columns)).sum())
    if math.isclose(chance, 1):
        raise InputError("both readers used one word only", do="Give the share agreed instead.",
                         expected="at least two words in use", code="one_word")
    kappa = (observed - chance) / (1 - chance)
    mean = (w @ columns)[:, None] + (rows @ w)[None, :]
    spread = (p * (w - mean * (1 - kappa)) ** 2).sum() - (kappa - chance * (1 - kappa)) ** 2
    none = (np.outer(rows, columns) * (w - mean) ** 2).sum() - chance**2
    se, se_0 = (math.sqrt(max(float(v), 0) / n) / (1 - chance) for v in (spread, none))
    defined = se > 0
    reach = float(scipy.special.ndtri(0.5 + confidence / 2)) * se
    low, high = max(-1.0, kappa - reach), min(1.0, kappa + reach)
    return Kappa(
        kappa=kappa, se=se, low=low if defined else math.nan, high=high if defined else math.nan,
        se_if_none=se_0,
        z=kappa / se_0 if se_0 > 0 else math.nan, observed=observed, by_chance=chance, n=round(n),
    )


def kappa_words(kappa: float, *, n: int = LEAST_PAIRS) -> str:
    """Return the customary word for a kappa: poor, slight, fair ... almost perfect.

    Parameters
    ----------
    kappa : float
        At most 1.
    n : int
        Buds that both read; below `LEAST_PAIRS` the word is "too few to tell".

    References
    ----------
    Landis & Koch (1977), Biometrics 33:159-174, doi 10.2307/2529310. The words are arbitrary, as
    the authors say.
    """
    if n < LEAST_PAIRS:
        return "too few to tell"
    if kappa < 0:
        return "poor"
    for edge, word in ((0.20, "slight"), (0.40, "fair"), (0.60, "moderate"), (0.80, "substantial")):
        if kappa <= edge + 1e-12:
            return word
    return "almost perfect"
