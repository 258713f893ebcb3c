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

LEAST_PAIRS = 20
"""Fewer buds read twice than this tell nothing of agreement: our choice. Even goodness-of-fit
limits of kappa hold only from about 25 (Donner & Eliasziw 1992, Stat. Med. 11:1511)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kappa:
    """Kappa with its standard errors.

    Attributes
    ----------
    kappa, se : float
        Estimate and large-sample standard error.
    low, high : float
        Interval, cut to [-1, 1]; nan where the table shows no spread (all agree).
    """

    kappa: float
    se: float
    low: float
    high: float
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


def cohen_kappa(table: ArrayLike, *, confidence: float = 0.95) -> Kappa:
    """Return Cohen's kappa of two readers.

    Parameters
    ----------
    table : array_like of float, shape (k, k)
        Counts, rows by one reader, columns by the other.
    confidence : float
        Nominal coverage in (0, 1).

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
    Cohen (1960), Educ. Psychol. Meas. 20:37-46; standard error: Fleiss, Cohen & Everitt (1969),
    Psychol. Bull. 72:323-327.
    """
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or counts.shape[0] < 2:
        raise InputError(f"the table has shape {counts.shape}", expected="a square one")
    if np.any(counts < 0) or counts.sum() <= 0:
        raise InputError("the table is empty or has a negative count", expected="counts")
    n, p = counts.sum(), counts / counts.sum()
    agreed = np.eye(len(p))
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed, chance = float(np.trace(p)), float(rows @ columns)
    if math.isclose(chance, 1):
        raise InputError("both readers used one word only", do="Give the share agreed instead.",
                         expected="at least two words in use", code="one_word")
    kappa = (observed - chance) / (1 - chance)
    mean = columns[:, None] + rows[None, :]
    spread = (p * (agreed - mean * (1 - kappa)) ** 2).sum() - (kappa - chance * (1 - kappa)) ** 2
    se = math.sqrt(max(float(spread), 0) / n) / (1 - chance)
    defined = se > 0
    reach = float(scipy.special.ndtri(0.5 + confidence / 2)) * se
    low, high = max(-1.0, kappa - reach), min(1.0, kappa + reach)
    return Kappa(
        kappa=kappa, se=se, low=low if defined else math.nan, high=high if defined else math.nan,
        n=round(n),
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
