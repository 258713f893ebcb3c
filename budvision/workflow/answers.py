"""The answers of a season's blocks, as pages and paper show them: one block, all, over time.

Everything ends in `budvision.vineyard.mortality.summarise_table`, as the paper tally does, so that
a page, the sheet, the JSON and the tally give the same numbers for the same calls.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from sqlalchemy import Connection

from budvision.errors import NothingToDoError
from budvision.settings import Settings
from budvision.store.queries import blocks as block_queries
from budvision.store.queries.blocks import Block, Sampling
from budvision.store.queries.calls import current_calls
from budvision.store.queries.review import BudState, bud_states
from budvision.store.session import Season
from budvision.vineyard.buds import BudTable
from budvision.vineyard.mortality import summarise_table
from budvision.vineyard.policies import Policy, shipped_policies
from budvision.vineyard.pruning import band_probabilities
from budvision.vineyard.results import BlockResult
from budvision.vocabulary import TISSUES, BudCalls, CallValue

__all__ = [
    "Answer",
    "WhatIf",
    "answer_of",
    "block_policies",
    "by_group",
    "history",
    "most_urgent_first",
    "prune_last_first",
    "season_answers",
    "what_if",
]


@dataclass(frozen=True, slots=True)
class Answer:
    """What a season knows of one block.

    Attributes
    ----------
    sampling : Sampling or None
        The sampling that the result is of; None where the block was never sampled.
    result : BlockResult or None
        None where nobody has called a bud yet.
    policy : Policy
        The block's own policy, else the season's.
    buds : tuple of BudCalls
        The calls that count.
    states : tuple of BudState
        Every bud of the sampling, called or not.
    """

    block: Block
    sampling: Sampling | None
    result: BlockResult | None
    policy: Policy
    buds: tuple[BudCalls, ...]
    states: tuple[BudState, ...]

    @property
    def waiting(self) -> tuple[BudState, ...]:
        """Buds with a photograph or some call that still wait for a person."""
        return tuple(state for state in self.states if state.state in ("waiting", "partly"))

    @property
    def n_unseen(self) -> int:
        """Buds of the sample with neither photograph nor call."""
        return sum(state.state == "no_photo" for state in self.states)

    @property
    def unsure(self) -> tuple[BudState, ...]:
        """Buds with a tissue called unsure."""
        return tuple(s for s in self.states if CallValue.UNSURE in s.calls.values())

    @property
    def primary_high(self) -> float:
        """Upper end of the share of dead primaries, 1 where nothing is judged."""
        high = self.result.tissues[TISSUES[0]].high if self.result else None
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


def _strata(block: Block) -> Mapping[str, float] | None:
    """Return the block's own shares of vine-size classes, where its layout gives them."""
    shares = block.layout.get("shares")
    if not isinstance(shares, Mapping):
        return None
    told = {str(k): float(v) for k, v in shares.items() if isinstance(v, int | float)}
    return told if told and sum(told.values()) > 0 else None


def _summaries(
    buds: Sequence[BudCalls], blocks: Mapping[str, Block], settings: Settings,
    policies: Mapping[str, Policy],
) -> dict[str, BlockResult]:
    """Work out the answer of each block by its own policy, nodes and crop."""
    by_policy: dict[str, list[BudCalls]] = {}
    for bud in buds:
        name = blocks[bud.block].policy or settings.text("policy")
        by_policy.setdefault(name, []).append(bud)
    found: dict[str, BlockResult] = {}
    for policy, part in by_policy.items():
        used = {bud.block: blocks[bud.block] for bud in part}
        strata = {name: shares for name, row in used.items() if (shares := _strata(row))}
        results = summarise_table(
            BudTable.from_calls(part), settings=Settings({**settings, "policy": policy}),
            policies=policies,
            normal_nodes={n: b.normal_nodes for n, b in used.items() if b.normal_nodes is not None},
            secondary_crop={
                n: b.secondary_crop for n, b in used.items() if b.secondary_crop is not None},
            strata_shares=strata or None,
        )
        found.update({result.block: result for result in results})
    return found


def _policy(block: Block, settings: Settings, policies: Mapping[str, Policy]) -> Policy:
    return policies.get(block.policy or settings.text("policy")) or policies["common"]


def _chosen(
    conn: Connection, blocks: Iterable[Block], label: str | None
) -> list[tuple[Block, Sampling | None]]:
    chosen: list[tuple[Block, Sampling | None]] = []
    for block in blocks:
        if label is None:
            chosen.append((block, block_queries.latest_sampling(conn, block.id)))
        elif (found := block_queries.find_sampling(conn, block.id, label)) is not None:
            chosen.append((block, found))
    return chosen


def _answers(
    conn: Connection, season: Season, chosen: Sequence[tuple[Block, Sampling | None]]
) -> list[Answer]:
    policies = block_policies(season)
    ids = [sampling.id for _, sampling in chosen if sampling is not None]
    buds = current_calls(conn, sampling_ids=ids) if ids else []
    results = _summaries(buds, {b.name: b for b, _ in chosen}, season.settings, policies)
    of_block: dict[str, list[BudCalls]] = {}
    for bud in buds:
        of_block.setdefault(bud.block, []).append(bud)
    return [
        Answer(
            block, sampling, results.get(block.name), _policy(block, season.settings, policies),
            tuple(of_block.get(block.name, ())),
            tuple(bud_states(conn, sampling.id, doubts=False)) if sampling else (),
        )
        for block, sampling in chosen
    ]


def season_answers(season: Season, *, sampling: str | None = None) -> list[Answer]:
    """Return what the season knows of every block, in the order of their names.

    Parameters
    ----------
    season : Season
    sampling : str, optional
        Label of the sampling wanted, blocks without it are left out; the newest of each block
        when left out.

    Returns
    -------
    list of Answer

    Raises
    ------
    InputError
        When a block's policy is not known or its node count is not positive.
    """
    with season.read() as conn:
        return _answers(conn, season, _chosen(conn, block_queries.list_blocks(conn), sampling))


def answer_of(season: Season, block: str | int, *, sampling: str | None = None) -> Answer:
    """Return what the season knows of one block.

    Parameters
    ----------
    season : Season
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
        return _answers(conn, season, [(row, of)])[0]


def history(season: Season, block: Block) -> list[Answer]:
    """Return a block's answers sampling by sampling, oldest first."""
    with season.read() as conn:
        answers: list[Answer] = []
        for sampling in block_queries.list_samplings(conn, block.id):
            answers += _answers(conn, season, [(block, sampling)])
        return answers


def by_group(
    answer: Answer, key: Callable[[BudCalls], str], *, settings: Settings
) -> list[BlockResult]:
    """Return the answer of each group of a block's buds: node, vine-size class or zone.

    Parameters
    ----------
    answer : Answer
    key : callable
        Names the group of a bud; buds with an empty name are left out.
    settings : Settings
        The season's.

    Returns
    -------
    list of BlockResult
        `block` holds the group's name; groups in order of first appearance.
    """
    named = [(key(bud), bud) for bud in answer.buds]
    buds = [replace(bud, block=name) for name, bud in named if name]
    if not buds:
        return []
    return summarise_table(
        BudTable.from_calls(buds),
        settings=Settings({**settings, "policy": answer.policy.name}),
        policies={answer.policy.name: answer.policy}, compare_policies=False,
        normal_nodes=answer.block.normal_nodes, secondary_crop=answer.block.secondary_crop,
    )


def what_if(answer: Answer, more: int) -> WhatIf:
    """Return what cutting so many more buds would tell, if they are like those cut.

    Parameters
    ----------
    answer : Answer
    more : int
        Further judged primaries, at least 0.

    Raises
    ------
    NothingToDoError
        When no primary has been judged yet.
    """
    result = answer.result
    if result is None or result.band is None:
        raise NothingToDoError(
            "no primary has been called live or dead yet", where=answer.block.name,
            do="Confirm some calls first.",
        )
    outlook = result.outlook
    low, high = (float(end[0]) for end in outlook.limits(np.array([float(more)])))
    n_effective = (outlook.n + more) / outlook.design_effect
    chances = band_probabilities(answer.policy, outlook.share, n_effective)[0]
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
        unsampled = not answer.states
        judged = answer.result is not None and answer.result.band is not None
        return (unsampled, judged, -answer.primary_high, answer.block.name)

    return sorted(answers, key=key)


def prune_last_first(answers: Iterable[Answer]) -> list[Answer]:
    """Return judged blocks in the order in which pruning should wait, the last to prune first.

    The likelier the policy's last band, the more is gained by waiting for bud break; between
    blocks alike in that, the one with more dead primaries waits longer.
    """

    def key(answer: Answer) -> tuple[float, float, str]:
        result = answer.result
        assert result is not None
        last = result.band_probabilities.get(answer.policy.bands[-1].name, 0.0)
        return (-round(last, 3), -(result.tissues[TISSUES[0]].mortality or 0.0), answer.block.name)

    return sorted((a for a in answers if a.result is not None and a.result.band), key=key)
