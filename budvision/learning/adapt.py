"""Learn from a season's calls, starting from what the model in use knows.

The verdict's log-odds of dead are corrected:

    corrected = slope * base + shift + features @ weights + bumps @ heights

The prior says slope 1 and all else 0, which is the model unchanged. How strongly the prior holds
is chosen by cross-validation over canes among a short list that begins with "unchanged", and a
richer correction must beat that by more than chance. The likelihood allows for slips of the hand,
so a few wrong calls cannot turn the model round.

References
----------
Platt (1999), Advances in Large Margin Classifiers 61-74 (slope and shift).
Vovk, Lindsay, Nouretdinov & Gammerman (2003), Mondrian confidence machine, Royal Holloway
(conditions by class).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, log_expit
from threadpoolctl import threadpool_limits

from budvision.errors import InputError
from budvision.language import plain_count
from budvision.verdict.correction import LIMIT, Correction, bumps_at, spread_of

__all__ = [
    "CANDIDATES", "Adaptation", "Candidate", "Examples", "adapt", "fit_correction",
]

Floats = NDArray[np.float64]
SLIP_SHARE = 0.08
"""Share of calls taken to be slips of the hand in the likelihood.

Generous on purpose: on stand-in laboratories with 3 % slips, 0.08 kept the called share that 0.03
lost (`budvision.learning.learning_curve`), and cost nothing without slips."""
_FEWEST = 3
_BEYOND = 0.5
"""Standard errors by which a change must beat "unchanged"."""


@dataclass(frozen=True, slots=True)
class Examples:
    """Called tissues with what the model in use measured and said.

    Attributes
    ----------
    features : ndarray, shape (n, d), float64
        Feature rows.
    base_logit : ndarray, shape (n,), float64
        Log-odds of dead by the model in use.
    dead : ndarray, shape (n,), float64
        1 dead, 0 live, 0.5 where readers are unsure or disagree.
    weight : ndarray, shape (n,), float64
        Worth of each call, 1 for a plain one.
    cane : ndarray, shape (n,), int
        Which cane; canes are never split.
    """

    features: Floats
    base_logit: Floats
    dead: Floats
    weight: Floats
    cane: NDArray[np.int64]

    def __post_init__(self) -> None:
        n = len(self.base_logit)
        shapes = (self.features.shape[:1], self.dead.shape, self.weight.shape, self.cane.shape)
        if self.features.ndim != 2 or any(shape != (n,) for shape in shapes):
            raise InputError(f"the arrays have lengths {shapes} for {plain_count(n, 'tissue')}",
                             expected="one entry a tissue", where="examples")
        if not all(np.isfinite(a).all() for a in (self.features, self.base_logit, self.weight)):
            raise InputError("a feature or log-odds is not finite", expected="finite numbers",
                             where="examples")

    def __len__(self) -> int:
        return len(self.base_logit)

    def take(self, keep: NDArray[np.bool_] | NDArray[np.int64]) -> Examples:
        """Return the examples at these places."""
        return Examples(self.features[keep], self.base_logit[keep], self.dead[keep],
                        self.weight[keep], self.cane[keep])

    @property
    def certain(self) -> NDArray[np.bool_]:
        """Where the call is live or dead."""
        return np.asarray(self.dead != 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """How far the correction may go: spreads of the prior round "unchanged".

    Attributes
    ----------
    name : str
        unchanged, recalibrated, adjusted or rich.
    least : int
        Fewest certain calls for which it is tried.
    """

    name: str
    slope: float = 0.0
    shift: float = 0.0
    weights: float = 0.0
    heights: float = 0.0
    least: int = 0


CANDIDATES: tuple[Candidate, ...] = (
    Candidate(name="unchanged"),
    Candidate(name="recalibrated", slope=0.25, shift=0.6, least=12),
    Candidate(name="recalibrated", slope=0.6, shift=2.0, least=30),
    Candidate(name="adjusted", slope=0.4, shift=1.0, weights=0.08, least=16),
    Candidate(name="adjusted", slope=0.4, shift=1.0, weights=0.2, least=24),
    Candidate(name="adjusted", slope=0.5, shift=1.5, weights=0.45, least=40),
    Candidate(name="adjusted", slope=0.7, shift=2.0, weights=1.0, least=120),
    Candidate(name="rich", slope=0.5, shift=1.5, weights=0.3, heights=0.8, least=150),
    Candidate(name="rich", slope=0.7, shift=2.0, weights=0.6, heights=2.0, least=300),
)
"""What cross-validation chooses among, from nothing to much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Adaptation:
    """The outcome of learning from calls.

    Attributes
    ----------
    correction : Correction or None
        None where the model stays unchanged.
    chosen : Candidate
    why : str
        The choice in a sentence.
    losses : tuple
        (candidate, mean log loss over canes left out, standard error of its gain over unchanged).
    cross_logit : ndarray, shape (n,)
        Log-odds of each example by a correction that did not see its cane.
    n_canes : int
    """

    correction: Correction | None
    chosen: Candidate
    why: str
    losses: tuple[tuple[Candidate, float, float], ...]
    cross_logit: Floats
    n_canes: int


def _loss(score: Floats, dead: Floats) -> Floats:
    """Negative log likelihood of calls with slips, one value an example."""
    p = SLIP_SHARE + (1 - 2 * SLIP_SHARE) * expit(score)
    return np.asarray(-(dead * np.log(p) + (1 - dead) * np.log1p(-p)))


def fit_correction(
    examples: Examples, candidate: Candidate, *, rng: np.random.Generator,
    slip: float = SLIP_SHARE,
) -> Correction:
    """Find the most probable correction under a candidate's prior.

    Parameters
    ----------
    rng : Generator
        Picks the bumps' centres of a rich correction.
    slip : float
        Share of calls that say the opposite of what was meant, in [0, 0.5).

    Notes
    -----
    With slips the likelihood has more than one peak; the search starts from the prior's middle.
    """
    n, d = examples.features.shape
    middle, spread = spread_of(examples.features)
    scaled = np.clip((examples.features - middle) / spread, -4, 4)
    m = min(60, n) if candidate.heights > 0 else 0
    centres = scaled[rng.choice(n, m, replace=False)] if m else np.zeros((0, d))
    width = float(np.sqrt(d)) * 0.9
    base = np.clip(examples.base_logit, -LIMIT, LIMIT)
    columns = [base, np.ones(n)]
    prior = [candidate.slope, candidate.shift]
    design = np.column_stack([*columns, scaled, bumps_at(scaled, centres, width)])
    sd = np.array([*prior, *([candidate.weights] * d), *([candidate.heights] * m)])
    free = sd > 0
    start = np.zeros(2 + d + m)
    start[0] = 1.0
    fixed = design[:, ~free] @ start[~free]
    part, scale, centre = design[:, free], sd[free], start[free]

    def target(theta: Floats) -> tuple[float, Floats]:
        score = fixed + part @ (centre + scale * theta)
        log_p, log_q = log_expit(score), log_expit(-score)
        p = slip + (1 - 2 * slip) * np.exp(log_p)
        value = -(examples.dead * np.log(p) + (1 - examples.dead) * np.log1p(-p))
        slope = (1 - 2 * slip) * np.exp(log_p + log_q)
        grad = -(examples.dead / p - (1 - examples.dead) / (1 - p)) * slope
        total = float(examples.weight @ value + 0.5 * theta @ theta)
        return total, scale * (part.T @ (examples.weight * grad)) + theta

    found = start.copy()
    if free.any():
        result = minimize(target, np.zeros(int(free.sum())), jac=True, method="L-BFGS-B",
                          options={"maxiter": 80, "ftol": 1e-7})
        found[free] = centre + scale * result.x
    return Correction(
        slope=float(max(found[0], 0.05)), shift=float(found[1]), middle=middle, spread=spread,
        weights=found[2:2 + d], bumps=centres,
        heights=found[2 + d:], width=width)


def _folds(cane: NDArray[np.int64], rng: np.random.Generator) -> list[NDArray[np.bool_]]:
    names = rng.permutation(np.unique(cane))
    return [np.isin(cane, names[i::6]) for i in range(min(6, len(names)))]


def adapt(
    examples: Examples, *, rng: np.random.Generator,
    candidates: Sequence[Candidate] = CANDIDATES,
    progress: Callable[[int, int], None] | None = None,
) -> Adaptation:
    """Choose and fit the correction that a season's calls support.

    Parameters
    ----------
    rng : Generator
        Splits canes into folds and places bumps.
    candidates : sequence of Candidate
        The first must be "unchanged".
    progress : callable, optional
        Called with (fits done, fits in all).

    Notes
    -----
    A candidate is taken when its mean loss over canes left out is the least and its gain over
    "unchanged" exceeds half a standard error, taken over canes; the prior guards the rest. With
    fewer than 3 live or 3 dead calls, or fewer than 3 canes, the model stays as it is: nothing
    could be checked.
    """
    certain = examples.take(examples.certain)
    n_canes = len(np.unique(certain.cane))
    n_dead = int(certain.dead.sum())
    n_live = len(certain) - n_dead
    unchanged = candidates[0]
    base = np.clip(examples.base_logit, -LIMIT, LIMIT)
    if min(n_dead, n_live) < _FEWEST or n_canes < _FEWEST:
        short = (f"only {plain_count(n_canes, 'cane')}" if n_canes < _FEWEST else
                 f"only {n_dead} dead" if n_dead < _FEWEST else f"only {n_live} live")
        return Adaptation(
            correction=None, chosen=unchanged,
            why=f"The model stays unchanged: {short} among "
            f"{plain_count(len(certain), 'certain call')}; at least {_FEWEST} of each and "
            f"{_FEWEST} canes are needed to check a change.",
            losses=(), cross_logit=base, n_canes=n_canes)
    usable = [c for c in candidates if len(certain) >= c.least]
    folds = _folds(examples.cane, rng)
    crossed = {unchanged: base}
    done, total = 0, (len(usable) - 1) * len(folds)
    with threadpool_limits(1):  # small matrices: more threads only wait for each other
        for candidate in usable[1:]:
            score = np.empty(len(examples))
            for out in folds:
                fitted = fit_correction(examples.take(~out), candidate, rng=rng)
                score[out] = fitted.apply(examples.base_logit[out], examples.features[out])
                done += 1
                if progress is not None:
                    progress(done, total)
            crossed[candidate] = score
    sure = examples.certain
    losses = []
    plain = _loss(base[sure], examples.dead[sure])
    for candidate, score in crossed.items():
        each = _loss(score[sure], examples.dead[sure])
        gain = plain - each
        canes = np.unique(examples.cane[sure], return_inverse=True)[1]
        sums = np.bincount(canes, gain)
        error = float(np.sqrt(((sums - sums.mean()) ** 2).sum() * len(sums) / (
            len(sums) - 1))) / len(gain)
        losses.append((candidate, float(each.mean()), error))
    best, loss, error = min(losses, key=lambda row: row[1])
    better = losses[0][1] - loss
    if best is unchanged or better <= _BEYOND * error:
        return Adaptation(
            correction=None, chosen=unchanged,
            why=f"The model stays unchanged: over {plain_count(n_canes, 'cane')} no change beat "
                f"it by more than "
            f"chance (best gain {better:.4f} +/- {error:.4f} in log loss).",
            losses=tuple(losses), cross_logit=base, n_canes=n_canes)
    correction = fit_correction(examples, best, rng=rng)
    return Adaptation(
        correction=correction, chosen=best,
        why=f"{best.name} on {plain_count(len(certain), 'certain call')} of "
            f"{plain_count(n_canes, 'cane')}: log loss on "
        f"canes left out {losses[0][1]:.3f} -> {loss:.3f} (gain {better:.3f} +/- {error:.3f}).",
        losses=tuple(losses), cross_logit=crossed[best], n_canes=n_canes)
