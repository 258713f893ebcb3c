"""What scripts and notebooks use: `import budvision`, then the names below.

`propose` looks at a photograph, `tally` answers for a table of calls, `open_season` gives a
season's calls, answers and lessons, `render_bud` draws a cut with its truth. Results turn into a
data frame by `to_frame()` where pandas is installed, and show themselves in a notebook.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from budvision.photo.features import FEATURE_NAMES
from budvision.script_results import Answers, Calls, Lessons, PhotoProposal
from budvision.settings import Settings
from budvision.store.session import Season

if TYPE_CHECKING:
    import pandas as pd

    from budvision.render.cut import RenderedCut
    from budvision.verdict.propose import Proposer
    from budvision.workflow.learning.train import TrainReport

__all__ = [
    "Answers", "Calls", "Lessons", "OpenSeason", "PhotoProposal", "open_season", "propose",
    "render_bud", "tally",
]


# ---- a photograph ----------------------------------------------------------------------------


@lru_cache(maxsize=2)
def _proposer(model: str | None) -> Proposer:
    from budvision.verdict.propose import Proposer

    return Proposer.load(model)


def propose(
    photo: Path | str | bytes, *, model: str | None = None, cane_base: str = "unknown"
) -> PhotoProposal:
    """Propose live, dead or unsure for each tissue of a photograph.

    Parameters
    ----------
    photo : path or bytes
        The file, or what is in it.
    model : str, optional
        A model's name or folder; the default model when left out.
    cane_base : str
        Side of the photograph on which the cane base lies: left, right, top, bottom or unknown.

    Returns
    -------
    PhotoProposal
        With `proposal.found` False and the reasons where the photograph cannot be read or judged.

    Examples
    --------
    >>> import budvision
    >>> from budvision.settings import samples_folder
    >>> seen = budvision.propose(samples_folder() / "apricot_c1_n3_k1.jpg", cane_base="left")
    >>> seen.proposal.found
    True
    >>> [tissue.value for tissue, one in seen.proposal.tissues.items() if one.exposed]
    ['primary', 'secondary']
    """
    from budvision.verdict.propose import propose_photo

    source = photo if isinstance(photo, bytes) else Path(photo)
    proposal, labels = propose_photo(source, proposer=_proposer(model), cane_base=cane_base)
    return PhotoProposal(proposal, labels, source)


# ---- calls and answers -----------------------------------------------------------------------


def tally(
    table: Path | str | pd.DataFrame, *, policy: str = "", normal_nodes: float | None = None,
    **settings: object,
) -> Answers:
    """Work out mortality, band and nodes to retain from a table of calls.

    Parameters
    ----------
    table : path or data frame
        Columns block, cane, node, primary, secondary, tertiary; optionally vine, vigor, zone.
    policy : str
        Pruning policy by name; the usual one when left out.
    normal_nodes : float, optional
        Nodes retained on a vine in a normal year.
    **settings
        Any setting of README, such as ``confidence=0.9``.

    Examples
    --------
    >>> import budvision
    >>> from budvision.settings import samples_folder
    >>> answers = budvision.tally(samples_folder() / "calls.csv", normal_nodes=40)
    >>> [block.block for block in answers.blocks]
    ['Apricot Terrace', 'Mill Row', 'Long Slope', 'River Flat']
    """
    from budvision.vineyard.policies import shipped_policies
    from budvision.workflow.answers.tally import tally_file

    given = settings | ({"policy": policy} if policy else {})
    wanted = Settings.of(given, where="tally")
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "calls.csv"
        if isinstance(table, str | Path):
            path = Path(table)
        else:
            table.to_csv(path, index=False)
        result = tally_file(
            path, settings=wanted, policies=shipped_policies(), normal_nodes=normal_nodes)
    return Answers(result.results, result.warnings, result.zones)


# ---- a season --------------------------------------------------------------------------------


class OpenSeason:
    """A season opened by a script: read its calls and answers, try and keep estimators.

    Nothing here writes a call: those come from people, on the review page or as a table.
    """

    def __init__(self, season: Season) -> None:
        self._season = season

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._season.close()

    @property
    def folder(self) -> Path:
        """The season's folder."""
        return self._season.folder

    def calls(self, *, sampling: str | None = None) -> Calls:
        """Return the calls that count, of each block's newest sampling unless one is named."""
        from budvision.store.queries.calls import current_calls
        from budvision.workflow.review.calls_table import chosen_samplings

        with self._season.read() as conn:
            ids = chosen_samplings(conn, sampling=sampling)
            return Calls(tuple(current_calls(conn, sampling_ids=list(ids.values()))))

    def answers(self, *, sampling: str | None = None) -> Answers:
        """Return the answer of every block with calls, of its newest sampling unless one is named.

        Raises
        ------
        NothingToDoError
            When no canes have been sampled yet.
        """
        from budvision.workflow.answers.results import season_results

        found = season_results(self._season, sampling=sampling)
        return Answers(tuple(one.result for one in found if one.confirmed))

    def lessons(self) -> Lessons:
        """Return the features of called tissues beside the calls, measuring what lacks them."""
        from budvision.workflow.learning.train import gather_lessons, load_base

        model, entry = load_base(self._season, None)
        kept = gather_lessons(self._season, base=model, entry=entry)
        sure = kept.examples.certain
        part = kept.examples.take(sure)
        tissue = np.array([lesson.tissue.value for lesson in kept.kept], np.str_)[sure]
        return Lessons(part.features, part.dead == 1, part.cane, tissue, FEATURE_NAMES)

    def keep_estimator(self, estimator: Any, *, name: str, note: str = "") -> TrainReport:
        """Fit a scikit-learn classifier on the lessons and keep it among the season's models.

        It is measured with whole canes left out beside the default model, and proposes only when
        a person promotes it: ``budvision models promote``. Linear models, discriminant analysis,
        naive Bayes and support vectors can be kept; others can be tried. For errors see
        `budvision.workflow.learning.own.keep_estimator`.
        """
        from budvision.workflow.learning.own import keep_estimator

        return keep_estimator(self._season, estimator, name=name, note=note)


def open_season(folder: Path | str) -> OpenSeason:
    """Open a season's folder.

    Raises
    ------
    SeasonError
        When the folder is no season.

    Examples
    --------
    >>> import tempfile
    >>> import budvision
    >>> from budvision.store.session import Season
    >>> folder = tempfile.mkdtemp() + "/winter"
    >>> Season.create(folder).close()  # as `budvision init winter` does
    >>> with budvision.open_season(folder) as season:
    ...     len(season.calls())
    0
    """
    return OpenSeason(Season.open(Path(folder)))


# ---- a rendered bud --------------------------------------------------------------------------


def render_bud(
    rng: np.random.Generator, *, dead: Sequence[bool | None] = (None, None, None),
    size_px: int = 384,
) -> RenderedCut:
    """Draw a photograph of a cut bud that a person could judge, with exact labels and truth.

    Parameters
    ----------
    rng : numpy Generator
        The only source of randomness.
    dead : sequence of bool or None
        Wanted state of primary, secondary and tertiary; None leaves it to chance.
    size_px : int
        Side, 64 or more.

    Returns
    -------
    RenderedCut
        `image`, `labels`, `truth`.

    Examples
    --------
    >>> import numpy as np
    >>> import budvision
    >>> cut = budvision.render_bud(np.random.default_rng(3), dead=(True, False, None))
    >>> cut.image.shape, cut.truth.usable
    ((384, 384, 3), True)
    """
    from budvision.render.cut import render_cut
    from budvision.render.world import sample_world

    world = sample_world(rng, depths=("shallow", "middle", "full", "deep"), fault="",
                         face_share=(0.5, 0.9), dead=dead)
    return render_cut(rng, world=world, size_px=size_px)
