"""The answers of a season's blocks as pages and paper show them: order, one block, over time.

The numbers are those of `results` beside it; nothing is worked out a second time here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from budvision.errors import NothingToDoError
from budvision.report.misread import CorrectedFacts
from budvision.store.queries import blocks as block_queries
from budvision.store.queries.blocks import Block, Sampling
from budvision.store.queries.calls import current_calls
from budvision.store.queries.states import BudState, bud_states
from budvision.store.session import Season
from budvision.vineyard.breakdown import Part
from budvision.vineyard.policies import Policy, shipped_policies
from budvision.vineyard.results import BlockResult
from budvision.vineyard.training import read_training
from budvision.vineyard.wood import WoodResult
from budvision.vocabulary import TISSUES, BudCalls, CallValue, Tissue
from budvision.workflow.answers.results import BlockAnswer, season_results
from budvision.workflow.answers.tally import zones_apart
from budvision.workflow.answers.waiting import Waiting
from budvision.workflow.sampling.top_up import cane_of

__all__ = [
    "Answer",
    "WhatIf",
    "answer_of",
    "answers_from",
    "block_policies",
    "counted_buds",
    "history",
    "kept_buds",
    "latest_part",
    "left_out",
    "most_urgent_first",
    "prune_last_first",
    "sampled_buds",
    "season_answers",
    "unsure_buds",
    "what_if",
]

_NOTHING_WAITS = Waiting((), 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a season knows of one block.

    Attributes
    ----------
    sampling : Sampling or None
        The sampling that the result is of; None where the block was never sampled.
    result : BlockResult or None
        None where nobody has called a bud yet.
    waiting : Waiting
        Buds with a tissue that nobody has called.
    policy : Policy
        The block's own policy, else the season's.
    policies : mapping of str to Policy
        All that the season knows.
    topped_up_by : tuple of Sampling
        Those whose canes are counted with the sampling's.
    beyond, zones, corrected, trust, wood
        As in `budvision.workflow.answers.results.BlockAnswer`.
    """

    block: Block
    sampling: Sampling | None
    result: BlockResult | None
    waiting: Waiting
    policy: Policy
    policies: Mapping[str, Policy]
    beyond: Part | None = None
    zones: tuple[BlockResult, ...] = ()
    corrected: CorrectedFacts | None = None
    topped_up_by: tuple[Sampling, ...] = ()
    trust: str = ""
    wood: tuple[WoodResult, ...] = ()

    @property
    def samplings(self) -> tuple[Sampling, ...]:
        """The sampling and those that top it up; empty where the block was never sampled."""
        return () if self.sampling is None else (self.sampling, *self.topped_up_by)

    @property
    def zones_differ(self) -> bool:
        """Whether the policy says different things of the block's zones."""
        return zones_apart(self.zones)

    @property
    def judged(self) -> BlockResult | None:
        """The result where some primary was called live or dead, else None."""
        return self.result if self.result is not None and self.result.band is not None else None

    @property
    def primary_high(self) -> float:
        """Upper end of the share of dead primaries, 1 where nothing is judged."""
        high = self.judged.tissues[Tissue.PRIMARY].high if self.judged else None
        return 1.0 if high is None else high


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What to expect after more buds, if they show the same share dead."""

    more: int
    low: float
    high: float
    band_probabilities: Mapping[str, float]
    settled: bool


def block_policies(season: Season) -> dict[str, Policy]:
    """Return the policies that ship, with the season's own `policies.toml` on top."""
    return shipped_policies(season.folder / "policies.toml")


def _answer(
    season: Season, policies: Mapping[str, Policy], block: Block, sampling: Sampling | None,
    found: BlockAnswer | None, more: tuple[Sampling, ...] = (),
) -> Answer:
    name = found.result.policy if found else block.policy or season.settings.policy
    policy = policies.get(name) or policies["common"]
    if found is None:
        return Answer(block=block, sampling=sampling, result=None, waiting=_NOTHING_WAITS,
                      policy=policy, policies=policies)
    return Answer(block=block, sampling=sampling, result=found.result if found.confirmed else None,
                  waiting=found.waiting, policy=policy,
                  policies=policies, beyond=found.beyond,
                  zones=found.zones if found.confirmed else (), corrected=found.corrected,
                  topped_up_by=more,
                  trust=found.trust, wood=found.wood)


def season_answers(season: Season, *, sampling: str | None = None) -> list[Answer]:
    """Return what the season knows of every block, in the order of their names.

    Parameters
    ----------
    sampling : str, optional
        Label of the sampling wanted, blocks without it are left out; the newest of each block
        when left out.

    Returns
    -------
    list of Answer
        Empty where there is no block yet.

    Raises
    ------
    NotFoundError
        When no block has a sampling of that label.
    InputError
        When a block's policy is not known or its node count is not positive.
    """
    with season.read() as conn:
        blocks = block_queries.list_blocks(conn)
        samplings = {(row.block_id, row.label): row for row in block_queries.list_samplings(conn)}
    if not blocks:
        return []
    try:
        by_block = {one.block.id: one for one in season_results(season, sampling=sampling)}
    except NothingToDoError:
        by_block = {}
    policies = block_policies(season)
    return [
        _answer(season, policies, block,
                samplings[block.id, by_block[block.id].sampling] if block.id in by_block else None,
                by_block.get(block.id), _more(samplings, by_block.get(block.id)))
        for block in blocks if sampling is None or block.id in by_block
    ]


def answers_from(season: Season, results: Iterable[BlockAnswer]) -> list[Answer]:
    """Return results already worked out as answers, with their samplings and policies."""
    with season.read() as conn:
        samplings = {(row.block_id, row.label): row for row in block_queries.list_samplings(conn)}
    policies = block_policies(season)
    return [_answer(season, policies, one.block, samplings[one.block.id, one.sampling], one,
                    _more(samplings, one)) for one in results]


def _more(
    samplings: Mapping[tuple[int, str], Sampling], found: BlockAnswer | None
) -> tuple[Sampling, ...]:
    return () if found is None else tuple(
        samplings[found.block.id, label] for label in found.topped_up_by)


def answer_of(season: Season, block: str | int, *, sampling: str | None = None) -> Answer:
    """Return what the season knows of one block.

    Parameters
    ----------
    block : str or int
        Name or id.
    sampling : str, optional
        Label; the newest sampling when left out.

    Raises
    ------
    NotFoundError
        When there is no such block or sampling.
    """
    with season.read() as conn:
        row = (block_queries.block_by_id(conn, block) if isinstance(block, int)
               else block_queries.get_block(conn, block))
        of = (block_queries.get_sampling(conn, row.id, sampling) if sampling
              else block_queries.latest_sampling(conn, row.id))
        rows = {(row.id, s.label): s for s in block_queries.list_samplings(conn, row.id)}
    found = (season_results(season, block=row.name, sampling=of.label)[0] if of else None)
    return _answer(season, block_policies(season), row,
                   rows[row.id, found.sampling] if found else None, found, _more(rows, found))


def sampled_buds(
    season: Season, answer: Answer
) -> tuple[tuple[BudState, ...], tuple[BudCalls, ...]]:
    """Return every bud of an answer's sampling with its state, and the calls that count."""
    states: list[BudState] = []
    calls: list[BudCalls] = []
    with season.read() as conn:
        for one in answer.samplings:
            own = bud_states(conn, one.id, doubts=False)
            called = current_calls(conn, sampling_id=one.id)
            if one is not answer.sampling:
                own = [replace(s, cane=cane_of(s.cane, one.label)) for s in own]
                called = [replace(b, cane=cane_of(b.cane, one.label)) for b in called]
            states += own
            calls += called
    return tuple(states), tuple(calls)


def counted_buds(season: Season, answer: Answer) -> tuple[BudCalls, ...]:
    """Return the calls of the buds that the answer is of: those on nodes that pruning keeps."""
    return kept_buds(answer, sampled_buds(season, answer)[1])


def kept_buds(answer: Answer, calls: tuple[BudCalls, ...]) -> tuple[BudCalls, ...]:
    """Return those of a block's calls that stand at nodes which pruning keeps."""
    training = read_training(answer.block.training_system)
    return calls if training is None else tuple(b for b in calls if b.node <= training.nodes)


def unsure_buds(states: Iterable[BudState], *tissues: Tissue) -> tuple[BudState, ...]:
    """Return the buds with one of these tissues called unsure; with any, where none is named."""
    wanted = tissues or TISSUES
    return tuple(state for state in states
                 if any(state.calls.get(t) is CallValue.UNSURE for t in wanted))


def left_out(answer: Answer, states: Iterable[BudState]) -> tuple[BudState, ...]:
    """Return the buds of the nodes that pruning keeps that do not count: their primary is unsure.
    """
    training = read_training(answer.block.training_system)
    return tuple(state for state in unsure_buds(states, Tissue.PRIMARY)
                 if training is None or state.node <= training.nodes)


def history(season: Season, block: Block) -> list[Answer]:
    """Return a block's answers sampling by sampling, oldest first."""
    with season.read() as conn:
        labels = [row.label for row in block_queries.list_samplings(conn, block.id)
                  if not row.tops_up]
    return [answer_of(season, block.id, sampling=label) for label in labels]


def what_if(answer: Answer, more: int) -> WhatIf:
    """Return what cutting so many more buds would tell, if they are like those cut.

    Parameters
    ----------
    more : int
        Further judged primaries, at least 0.

    Raises
    ------
    NothingToDoError
        When no primary has been judged yet.
    """
    result = answer.judged
    if result is None:
        raise NothingToDoError(
            "no primary has been called live or dead yet", where=answer.block.name,
            do="Confirm some calls first.",
        )
    further = np.array([float(more)])
    low, high = (float(end[0]) for end in result.outlook.limits(further))
    chances = result.outlook.band_chances(answer.policy, further)[0]
    index = answer.policy.band_index(np.array([low, high]))
    return WhatIf(
        more, low, high,
        {b.name: float(p) for b, p in zip(answer.policy.bands, chances, strict=True)},
        bool(index[0] == index[1]),
    )


def most_urgent_first(answers: Iterable[Answer]) -> list[Answer]:
    """Return blocks with the worst that their buds allow first.

    Blocks whose buds wait and that have no result yet lead; then the upper end of the share of
    dead primaries decides, and blocks that were never sampled come last.
    """

    def key(answer: Answer) -> tuple[bool, bool, float, str]:
        return (answer.sampling is None, answer.judged is not None, -answer.primary_high,
                answer.block.name)

    return sorted(answers, key=key)


def latest_part(answer: Answer) -> BlockResult:
    """Return what of a judged block should wait longest: a zone where zones need other pruning."""
    assert answer.judged is not None
    parts = ([zone for zone in answer.zones if zone.band] if answer.zones_differ
             else [answer.judged])
    last = answer.policy.bands[-1].name
    return max(parts, key=lambda part: part.band_probabilities.get(last, 0.0))


def prune_last_first(answers: Iterable[Answer]) -> list[Answer]:
    """Return judged blocks in the order in which pruning should wait, the last to prune first.

    The likelier the policy's last band, the more is gained by waiting for bud break; between
    blocks alike in that, the one with more dead primaries waits longer. Where zones need different
    pruning the worst of them decides.
    """

    def key(answer: Answer) -> tuple[float, float, str]:
        result = latest_part(answer)
        last = result.band_probabilities.get(answer.policy.bands[-1].name, 0.0)
        return (-round(last, 3), -(result.tissues[Tissue.PRIMARY].mortality or 0.0),
                answer.block.name)

    return sorted((answer for answer in answers if answer.judged), key=key)
