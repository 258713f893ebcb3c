"""Whole winters played on paper: known truth, a model's proposals, readers who err and are led.

Blocks, vines and buds are drawn with a known share dead; what the model proposes is drawn tissue
by tissue with the rates that `winter_rates` measured; readers make their calls; the answer is that
of `budvision.vineyard`. Photographs are not drawn winter by winter: thousands would not be
affordable. Only primaries are played.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError
from budvision.language import plain_count
from budvision.learning.winter_rates import OUTCOMES, ModelRates
from budvision.settings import Settings
from budvision.stats.agreement import LEAST_PAIRS
from budvision.stats.coverage import Design, simulate_units
from budvision.stats.misreading import ReadersRight, corrected_share
from budvision.vineyard.buds import DEAD, LIVE, NOT_EXPOSED, BudTable, Factor
from budvision.vineyard.mortality import chosen_policy
from budvision.vineyard.strata import block_strata
from budvision.vineyard.tissues import JudgedTissue
from budvision.vocabulary import Tissue

__all__ = ["Answers", "Play", "Score", "play_winters"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

KEYS_A_BUD, SECONDS_A_JUDGEMENT = 4, 1.2
"""Common practice, no source: three tissues and on to the next bud, 1.2 s each."""
MEND_SHARE: Final = 0.5
"""Share of blind buds, or of second readings, that is tried as a mend. Our choice."""
_ZONES: Final = ("hard", "mild")
_WEIGHTS: Final = (0.3, 0.7)
_SPREAD: Final = (2.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Play:
    """How the winters are played.

    Attributes
    ----------
    winters, blocks : int
        Winters, and blocks in each.
    vines, canes, nodes : int
        Vines sampled in a block, canes of each, buds of each cane.
    zones : bool
        Whether a block has a hard-frozen zone (3 in 10 vines, twice the share dead) and a mild
        one; half of the vines are sampled in each and the answer is weighted.
    likeness : float
        Of the buds of one vine, in [0, 1); canes of a vine differ by 0.1 more.
    lowest, highest : float
        Blocks' true shares dead are drawn evenly between them.
    errors : tuple of float
        Of each reader, the share of tissues called wrong unaided, live and dead alike.
    pull : float
        Share of doubts in which a reader follows the proposal in sight; a reader doubts wherever
        it says live and he would say dead, or the reverse.
    blind_share, second_share : float
        Share of buds called before the proposal is shown, and read again by another reader who
        does not see it; where the two differ they settle it, erring as often as they do on average.
    start : int
        Start of the random numbers.
    """

    winters: int = 300
    blocks: int = 4
    vines: int = 20
    canes: int = 2
    nodes: int = 3
    zones: bool = False
    likeness: float = 0.2
    lowest: float = 0.02
    highest: float = 0.6
    errors: tuple[float, ...] = (0.03, 0.03)
    pull: float = 0.5
    blind_share: float = 0.1
    second_share: float = 0.3
    start: int = 1

    def __post_init__(self) -> None:
        shares = (self.likeness, self.lowest, self.highest, self.pull, self.blind_share,
                  self.second_share, *self.errors)
        if not all(0 <= share <= 1 for share in shares) or self.lowest > self.highest:
            raise InputError("a share is not one", where="winters", expected="0 to 1, rising",
                             do="Give 0.03 for 3 per cent.")
        if not self.errors or (self.second_share and len(self.errors) < 2):
            raise InputError(f"there are "
                             f"{plain_count(len(self.errors), 'reader')}", where="winters",
                             expected="two or more where buds are read twice",
                             do="Give --error once for each reader, or --second 0.")
        if min(self.winters, self.blocks, self.canes, self.nodes) < 1 or self.vines < 2:
            raise InputError("there is nothing to sample", where="winters",
                             expected="at least one of each, and two vines", do="Give more.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """One way to answer against the truth, over all blocks or those of one true band.

    Attributes
    ----------
    blocks : int
    bias, bias_error : float
        Mean of answer less truth, as a share, and its standard error over winters.
    coverage, coverage_error : float
        Share of blocks whose interval holds the truth, and its standard error over winters.
    band_right : float
        Share of blocks put in the band that the truth lies in.
    """

    blocks: int
    bias: float
    bias_error: float
    coverage: float
    coverage_error: float
    band_right: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What one way of reading the same winters gave.

    Attributes
    ----------
    name : str
    called, corrected : Score
        Mortality as called, and corrected with the errors that the second readings showed.
    called_by_band, corrected_by_band : mapping of str to Score
        By the band that the truth lies in.
    minutes : float
        Work for 100 buds, second readings included.
    wrong : float
        Share of primaries whose standing call is wrong.
    uncorrected : float
        Share of winters with too few second readings to correct; they count as called.
    """

    name: str
    called: Score
    corrected: Score
    called_by_band: Mapping[str, Score]
    corrected_by_band: Mapping[str, Score]
    minutes: float
    wrong: float
    uncorrected: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """Blocks with their truth and every draw that a reading may need; arrays (blocks, vines, buds).

    The same draws serve every way of reading, so that differences are not chance.
    """

    truth: Floats
    winter: NDArray[np.int64]
    dead: Bools
    proposed: NDArray[np.int64]
    own: Floats
    other: Floats
    follow: Floats
    settle: Floats
    blind_lot: Floats
    second_lot: Floats


def _design(play: Play) -> Design:
    sizes = (play.canes * play.nodes,) * play.vines
    canes = play.canes if play.canes > 1 else 0
    if not play.zones:
        return Design(name="block", sizes=sizes, canes=canes)
    strata = tuple(int(vine >= play.vines // 2) for vine in range(play.vines))
    return Design(name="block with two zones", sizes=sizes, canes=canes, strata=strata,
                  weights=_WEIGHTS, spread=_SPREAD)


def _draw(play: Play, rates: ModelRates) -> _Drawn:
    rng = np.random.default_rng(play.start)
    design, n = _design(play), play.winters * play.blocks
    shape = (n, play.vines, play.canes * play.nodes)
    asked = rng.uniform(play.lowest, play.highest, n)
    sizes = np.array(design.sizes)
    counts = np.concatenate([
        simulate_units(design.shares(share), sizes, play.likeness, 1, rng=rng, canes=design.canes)
        for share in asked.tolist()])
    # buds of one vine are exchangeable to the answer, whose unit is the vine
    dead = np.broadcast_to(np.arange(shape[2]), shape) < counts[:, :, None]
    winter = np.repeat(np.arange(play.winters), play.blocks)
    shares = rates.shares()
    lab = rng.integers(len(shares), size=play.winters)[winter]
    below = np.cumsum(shares, axis=2)[lab[:, None, None], dead.astype(int)]
    proposed = (rng.random(shape)[..., None] >= below[..., :-1]).sum(axis=3)

    def lots() -> Floats:
        ranks = rng.random((n, shape[1] * shape[2])).argsort(axis=1).argsort(axis=1)
        return (ranks.reshape(shape) + 0.5) / (shape[1] * shape[2])

    return _Drawn(
        truth=np.array([design.truth(share) for share in asked.tolist()]), winter=winter,
        dead=dead, proposed=proposed, own=rng.random(shape), other=rng.random(shape),
        follow=rng.random(shape), settle=rng.random(shape), blind_lot=lots(), second_lot=lots(),
    )


@dataclass(frozen=True, slots=True)
class _Called:
    """The standing calls of every bud, and what the second readings showed, by winter."""

    dead: Bools
    right: list[ReadersRight | None]
    minutes: float


def _read(play: Play, drawn: _Drawn) -> _Called:
    """Let the readers call every bud; vines go round the readers."""
    errors = np.array(play.errors)
    reader = np.arange(play.vines)[None, :, None] % len(errors)
    own = drawn.dead ^ (drawn.own < errors[reader])
    proposed_dead = drawn.proposed == OUTCOMES.index("dead")
    decided = proposed_dead | (drawn.proposed == OUTCOMES.index("live"))
    in_doubt = (drawn.blind_lot >= play.blind_share) & decided & (proposed_dead != own)
    first = np.where(in_doubt & (drawn.follow < play.pull), proposed_dead, own)
    twice = drawn.second_lot < play.second_share
    second = drawn.dead ^ (drawn.other < errors[(reader + 1) % len(errors)])
    differ = twice & (first != second)
    settled = drawn.dead ^ (drawn.settle < errors.mean())
    standing = np.where(differ, settled, first)
    keys = KEYS_A_BUD * (1 + twice.mean() + differ.mean()) + in_doubt.mean()
    return _Called(standing, _readers_right(play, drawn.winter, first, standing, twice),
                   float(100 * keys * SECONDS_A_JUDGEMENT / 60))


def _readers_right(
    play: Play, winter: NDArray[np.int64], first: Bools, standing: Bools, twice: Bools
) -> list[ReadersRight | None]:
    """Count how often standing calls are right, by winter, as the second readings show it.

    A bud read twice stands as the two left it and counts as right, so that the rates of error
    are those of first calls times the share read once.
    """
    counts = [
        np.bincount(winter, weights=what.sum(axis=(1, 2)), minlength=play.winters)
        for what in (twice & standing & first, twice & standing, twice & ~standing & ~first,
                     twice & ~standing)
    ]
    once = 1 - float(twice.mean())
    rows: list[ReadersRight | None] = []
    for dead_right, n_dead, live_right, n_live in zip(*counts, strict=True):
        if min(n_dead, n_live) < LEAST_PAIRS or once <= 0:
            rows.append(None)
            continue
        dead, live = round(n_dead / once), round(n_live / once)
        rows.append(ReadersRight(dead - round(n_dead - dead_right), dead,
                                 live - round(n_live - live_right), live))
    return rows


def _table(play: Play, dead: Bools) -> BudTable:
    n, vines, buds = dead.shape
    calls = np.full((dead.size, 3), NOT_EXPOSED, np.int8)
    calls[:, 0] = np.where(dead.ravel(), DEAD, LIVE)
    vine = np.tile(np.repeat(np.arange(vines), buds), n)
    bud = np.tile(np.arange(buds), n * vines)
    cane = np.repeat(np.arange(n * vines), buds) * play.canes + bud // play.nodes
    zone = None
    if play.zones:
        zone = Factor(_ZONES, (vine >= vines // 2).astype(np.int64))
    return BudTable.from_columns(
        block=Factor(tuple(f"block {number + 1}" for number in range(n)),
                     np.repeat(np.arange(n), vines * buds)),
        cane=cane, node=bud % play.nodes + 1, calls=calls, zone=zone,
        vine=Factor(tuple(f"vine {number + 1}" for number in range(vines)), vine))


def _answer(name: str, play: Play, drawn: _Drawn, settings: Settings) -> Answers:
    """Read the winters in one way and score the answers."""
    called = _read(play, drawn)
    table, policy = _table(play, called.dead), chosen_policy(settings)
    weights = dict(zip(_ZONES, _WEIGHTS, strict=True))
    strata = block_strata(
        table, zones=dict.fromkeys(table.block.names, weights)) if play.zones else None
    judged = JudgedTissue.of(table, Tissue.PRIMARY, strata, settings)
    raw = np.stack([judged.posterior.share, judged.low, judged.high])
    corrected, n_without = raw.copy(), sum(one is None for one in called.right)
    effective = judged.posterior.n_effective.tolist()
    for lab_, winter in enumerate(drawn.winter.tolist()):
        right = called.right[winter]
        if right is not None and right.sensitivity + right.specificity > 1:
            found = corrected_share(float(raw[0, lab_]), effective[lab_], right,
                                    confidence=settings.confidence)
            corrected[:, lab_] = found.share, found.interval.low, found.interval.high
    index = policy.band_index(drawn.truth)
    bands = {band.name: index == number for number, band in enumerate(policy.bands)}

    def score(answer: Floats, keep: Bools) -> Score:
        share, low, high = answer[:, keep]
        truth = drawn.truth[keep]
        inside = (low <= truth) & (truth <= high)
        band = policy.band_index(share) == index[keep]
        return Score(blocks=len(truth), bias=float((share - truth).mean()),
                     bias_error=_error(share - truth, drawn.winter[keep]),
                     coverage=float(inside.mean()),
                     coverage_error=_error(inside.astype(float), drawn.winter[keep]),
                     band_right=float(band.mean()))

    everything = np.ones(len(drawn.truth), bool)
    return Answers(
        name=name, called=score(raw, everything), corrected=score(corrected, everything),
        called_by_band={word: score(raw, here) for word, here in bands.items() if here.any()},
        corrected_by_band={word: score(corrected, here) for word, here in bands.items()
                           if here.any()},
        minutes=called.minutes, wrong=float((called.dead != drawn.dead).mean()),
        uncorrected=n_without / play.winters,
    )


def _error(values: Floats, winter: NDArray[np.int64]) -> float:
    """Return the standard error of a mean of values that come in winters; 0 for one winter."""
    _, place = np.unique(winter, return_inverse=True)
    apart = np.bincount(place, weights=values - values.mean())
    k = len(apart)
    return float(np.sqrt((apart**2).sum() * k / max(k - 1, 1)) / len(values)) if k > 1 else 0.0


def _ways(play: Play, drawn: _Drawn) -> dict[str, tuple[Play, _Drawn]]:
    """Return the ways of reading that stand side by side, by name."""
    never_wrong = replace(drawn, proposed=drawn.dead.astype(np.int64))
    none = (0.0,) * len(play.errors)
    ways = {
        "nobody errs, pull 0": (replace(play, errors=none, pull=0.0), drawn),
        "pull 0": (replace(play, pull=0.0), drawn),
        f"pull {play.pull:g}": (play, drawn),
        f"pull {play.pull:g}, a model never wrong": (play, never_wrong),
    }
    if play.blind_share < MEND_SHARE:
        ways[f"pull {play.pull:g}, blind share {MEND_SHARE:g}"] = (
            replace(play, blind_share=MEND_SHARE), drawn)
    if play.second_share < MEND_SHARE and len(play.errors) > 1:
        ways[f"pull {play.pull:g}, second readings {MEND_SHARE:g}"] = (
            replace(play, second_share=MEND_SHARE), drawn)
    return ways


def play_winters(
    play: Play, rates: ModelRates, *, settings: Settings | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> list[Answers]:
    """Play winters and score the answers of several ways of reading the very same buds.

    Parameters
    ----------
    rates : ModelRates
        Each winter is of one laboratory, drawn from those measured: one lamp, one kind of error.
    settings : Settings, optional
        Uses confidence, policy and prior_icc.
    progress : callable, optional
        Told the number done, the number in all and the way of reading.

    Returns
    -------
    list of Answers
        Nobody errs; readers who are not led (pull 0); as stated; a model that is never wrong;
        then with half of the buds blind, and with half of them read twice.

    Raises
    ------
    InputError
        When the policy is unknown.
    """
    ways = _ways(play, _draw(play, rates))
    found: list[Answers] = []
    for name, (how, seen) in ways.items():
        if progress is not None:
            progress(len(found), len(ways), name)
        found.append(_answer(name, how, seen, settings or Settings()))
    return found

