"""The season's answer: the tally's numbers from confirmed calls, and what waits for a person.

Ends in `budvision.vineyard.mortality.summarise_table`, as the paper tally does. Only tissues that
a person has called are counted; the rest are listed as waiting.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from types import MappingProxyType

import numpy as np
from sqlalchemy import Connection

from budvision.errors import NothingToDoError
from budvision.language import spoken
from budvision.report.misread import CorrectedFacts
from budvision.report.uncalled import uncalled
from budvision.settings import Settings
from budvision.store.counts import versions
from budvision.store.queries.blocks import Block, Sampling, list_blocks, list_samplings
from budvision.store.queries.columns import call_columns
from budvision.store.queries.overview import samplings_with
from budvision.store.queries.people import list_people
from budvision.store.session import Season
from budvision.vineyard.breakdown import Part
from budvision.vineyard.buds import BudTable
from budvision.vineyard.policies import shipped_policies
from budvision.vineyard.results import BlockResult
from budvision.vineyard.wood import WoodResult
from budvision.workflow.answers.readers import SecondReadings, corrected, second_readings
from budvision.workflow.answers.summaries import BlockCalls
from budvision.workflow.answers.tally import CAUTION, block_as_dict, zones_as_dict
from budvision.workflow.answers.waiting import Waiting, waiting_of
from budvision.workflow.answers.wood import season_wood
from budvision.workflow.review.calls_table import chosen_samplings
from budvision.workflow.review.trial import trust_words_of
from budvision.workflow.sampling.soak import SoakClock, soak_clock
from budvision.workflow.sampling.top_up import head_and_more

__all__ = [
    "BESIDE", "BlockAnswer", "answer_as_dict", "results", "season_results", "season_table",
]

BESIDE: Mapping[str, object] = MappingProxyType({"caution": CAUTION, "warnings": []})
"""What stands beside the blocks in the JSON of a season's results."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockAnswer:
    """One block's answer.

    Attributes
    ----------
    result : BlockResult
        With no buds, and no mortality, where nobody has called one.
    confirmed : bool
        Whether anybody has called a bud of this sampling.
    beyond : Part, optional
        Primaries of the nodes that pruning takes off, which the result leaves out; None where
        the training system is not known or no such node was sampled.
    zones : tuple of BlockResult
        The answer of each zone by itself; empty where the sample has fewer than two.
    soak : SoakClock, optional
        Hours in water and whether cutting was early; None where nobody kept the times.
    corrected : CorrectedFacts, optional
        Mortality with readers' errors taken out; None where nobody read a bud twice.
    topped_up_by : tuple of str
        Labels of the samplings whose canes are counted with this one's.
    trust : str
        Whether readers saw proposals and on what ground; empty without photographs or trial.
    wood : tuple of WoodResult
        What cuts into the block's wood say; empty where nobody cut it.
    """

    block: Block
    sampling: str
    result: BlockResult
    waiting: Waiting
    confirmed: bool
    beyond: Part | None = None
    zones: tuple[BlockResult, ...] = ()
    soak: SoakClock | None = None
    corrected: CorrectedFacts | None = None
    topped_up_by: tuple[str, ...] = ()
    trust: str = ""
    wood: tuple[WoodResult, ...] = ()


def season_results(
    season: Season, *, block: str | None = None, sampling: str | None = None,
    policy: str | None = None,
) -> list[BlockAnswer]:
    """Return the answer of every block that was sampled, by name.

    Parameters
    ----------
    block : str, optional
        One block only.
    sampling : str, optional
        Label of the sampling; each block's newest when left out.
    policy : str, optional
        A pruning policy for all blocks, instead of the block's own or the season's.

    Raises
    ------
    NotFoundError
        When there is no such block or sampling.
    NothingToDoError
        When no block was sampled.
    InputError
        When a policy is unknown.
    """
    settings = season.settings
    with season.read() as conn:
        groups = _groups(conn, sampling=sampling, block=block)
        if not groups:
            raise NothingToDoError(
                "no canes have been sampled yet", where=f"block {block}" if block else "results",
                expected="photographs or calls in the season",
                do="Take photographs in with `budvision intake`.",
            )
        blocks = {one.id: one for one in list_blocks(conn)}
        far = versions(conn)
        states = {key: (tuple(far[one.id] for one in group), group, blocks[group[0].block_id])
                  for key, group in groups.items()}
        known = _known_answers(season, conn, states, settings, policy)
        twice = _second_readings(season, conn)
        trust = trust_words_of(conn, settings, {
            key: (block.cultivar, [one.id for one in group])
            for key, (_, group, block) in states.items()})
        wood = season_wood(season, conn, settings)

        def work_out(keys: list[int]) -> dict[int, CorrectedFacts | None]:
            return {key: corrected(known[key].result, twice,
                                   sampling_ids=[one.id for one in groups[key]]) for key in keys}

        right = season.remembered.each(
            ("corrected", policy, settings),
            {key: (twice, state) for key, state in states.items()}, work_out) if twice.any else {}
    clocks = {key: clock for key, group in groups.items()
              if (clock := soak_clock(group[0], settings)).state != "unknown"}
    head = {state[2].id: key for key, state in states.items()}
    return [replace(known[key], soak=clocks.get(key), corrected=right.get(key),
                    trust=trust.get(key, ""), wood=wood.get(block_id, ()))
            for block_id in blocks if (key := head.get(block_id)) is not None]


def _known_answers(
    season: Season, conn: Connection,
    states: Mapping[int, tuple[tuple[int, ...], tuple[Sampling, ...], Block]], settings: Settings,
    policy: str | None,
) -> dict[int, BlockAnswer]:
    """Return the answer of each group less what hangs on the hour or on other blocks.

    Only groups of which a sampling, the block or the policies have changed are worked out anew.
    """
    own = season.folder / "policies.toml"

    def work_out(keys: list[int]) -> dict[int, BlockAnswer]:
        columns = call_columns(
            conn, [(one.id, one.block_id) for key in keys for one in states[key][1]],
            sorted((states[key][2] for key in keys), key=lambda block: block.name))
        labels = {one.id: one.label for key in keys for one in states[key][1]}
        calls = BlockCalls(columns, settings)
        results, zones = calls.summaries(shipped_policies(own), policy)
        beyond, called = calls.beyond(), calls.block_called()
        waiting = waiting_of(columns, labels)
        return {
            key: BlockAnswer(
                block=one, sampling=labels[key], result=results[one.name], waiting=waiting[index],
                confirmed=bool(called[index]),
                beyond=beyond.get(one.name), zones=zones.get(one.name, ()),
                topped_up_by=tuple(more.label for more in states[key][1][1:]))
            for index, (one, key) in enumerate(
                zip(columns.blocks, columns.sampling_ids.tolist(), strict=True))
        }

    return season.remembered.each(
        ("answers", spoken(), policy, settings, own.read_bytes() if own.exists() else b""),
        states, work_out)


def _second_readings(season: Season, conn: Connection) -> SecondReadings:
    """Return what second readings tell, counted anew where a bud read twice may have changed."""
    names = tuple((row.id, row.name) for row in list_people(conn))
    of = tuple(samplings_with(conn, "n_twice").items())
    return season.remembered.each(
        "second readings", {0: (names, of)}, lambda _: {0: second_readings(conn)})[0]


def season_table(season: Season, *, sampling: str | None = None) -> BudTable:
    """Return the called buds of all blocks as one table, for breakdowns over the season.

    Parameters
    ----------
    sampling : str, optional
        Label of the sampling; each block's newest when left out.

    Raises
    ------
    NotFoundError
        When there is no such sampling.
    NothingToDoError
        When no block was sampled, or nobody has called a bud.
    """
    with season.read() as conn:
        ids = [(one.id, one.block_id)
               for group in _groups(conn, sampling=sampling).values() for one in group]
        columns = call_columns(conn, ids, list_blocks(conn)) if ids else None
    calls = BlockCalls(columns, season.settings) if columns else None
    if calls is None or not calls.called.any():
        raise uncalled(sampling, where="results")
    return calls.table(np.flatnonzero(calls.called))


def _groups(
    conn: Connection, *, sampling: str | None, block: str | None = None
) -> dict[int, tuple[Sampling, ...]]:
    """Return each chosen sampling with those that top it up, by the id of the first."""
    rows = list_samplings(conn)
    chosen = set(chosen_samplings(conn, sampling=sampling, block=block, known=rows).values())
    of_block: dict[int, list[Sampling]] = {}
    for row in rows:
        of_block.setdefault(row.block_id, []).append(row)
    pairs = [head_and_more(rows, one) for rows in of_block.values() for one in rows
             if one.id in chosen]
    return {head.id: (head, *more) for head, more in pairs}


def answer_as_dict(answer: BlockAnswer) -> dict[str, object]:
    """Return one block as the tally's JSON, plus `sampling`, `confirmed` and `waiting`.

    Where `zones_differ` is there the band and nodes of the whole block fit none of its zones.
    """
    payload = block_as_dict(answer.result) | {
        "sampling": answer.sampling, "confirmed": answer.confirmed,
        "waiting": answer.waiting.as_dict(),
    }
    further: dict[str, object] = {
        **zones_as_dict(answer.zones),
        "beyond": answer.beyond and asdict(answer.beyond),
        "topped_up_by": list(answer.topped_up_by),
        "wood": [asdict(one) for one in answer.wood],
        "corrected": answer.corrected and asdict(answer.corrected),
        "trust": answer.trust,
        "soak": answer.soak and {
            "state": answer.soak.state, "hours": answer.soak.hours,
            "early": answer.soak.early, "words": answer.soak.words},
    }
    return payload | {name: value for name, value in further.items() if value}


def results(
    season: Season, *, block: str | None = None, sampling: str | None = None,
    policy: str | None = None,
) -> dict[str, object]:
    """Return the JSON object of `budvision results`; parameters as in `season_results`."""
    answers = season_results(season, block=block, sampling=sampling, policy=policy)
    return {"blocks": [answer_as_dict(answer) for answer in answers], **BESIDE}
