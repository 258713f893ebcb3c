"""The season's answer: the tally's numbers from confirmed calls, and what waits for a person.

Ends in `budvision.vineyard.mortality.summarise_table`, as the paper tally does. Only tissues that
a person has called are counted; the rest are listed as waiting.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace

import numpy as np
from sqlalchemy import Connection

from budvision.errors import NothingToDoError
from budvision.report.misread import CorrectedFacts
from budvision.settings import Settings
from budvision.store.counts import versions
from budvision.store.queries.blocks import Block, Sampling, list_blocks, list_samplings
from budvision.store.queries.columns import CallColumns, call_columns
from budvision.store.queries.overview import sampling_counts
from budvision.store.queries.people import list_people
from budvision.store.session import Season
from budvision.vineyard.breakdown import Part, breakdown
from budvision.vineyard.buds import BudTable, Factor
from budvision.vineyard.mortality import summarise_table
from budvision.vineyard.policies import Policy, shipped_policies
from budvision.vineyard.potential import SECONDARY_CROP
from budvision.vineyard.results import BlockResult
from budvision.vineyard.training import read_training
from budvision.vineyard.wood import WoodResult
from budvision.workflow.answers.readers import SecondReadings, corrected, second_readings
from budvision.workflow.answers.tally import CAUTION, block_as_dict
from budvision.workflow.answers.waiting import Waiting, waiting_of
from budvision.workflow.answers.wood import season_wood
from budvision.workflow.review.calls_table import chosen_samplings
from budvision.workflow.review.trial import trust_words_of
from budvision.workflow.sampling.soak import SoakClock, soak_clock
from budvision.workflow.sampling.top_up import head_and_more

__all__ = [
    "BlockAnswer", "results", "results_as_dict", "season_results", "season_table",
]


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
    policy: str | None = None, settings: Settings | None = None,
) -> list[BlockAnswer]:
    """Return the answer of every block that was sampled, by name.

    Parameters
    ----------
    season : Season
        The season.
    block : str, optional
        One block only.
    sampling : str, optional
        Label of the sampling; each block's newest when left out.
    policy : str, optional
        A pruning policy for all blocks, instead of the block's own or the season's.
    settings : Settings, optional
        Instead of the season's.

    Raises
    ------
    NotFoundError
        When there is no such block or sampling.
    NothingToDoError
        When no block was sampled.
    InputError
        When a policy is unknown.
    """
    settings = settings or season.settings
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
        columns = call_columns(conn, [one.id for key in keys for one in states[key][1]])
        labels = {one.id: one.label for key in keys for one in states[key][1]}
        results, zones = _summaries(columns, season, settings, policy)
        beyond = _beyond(columns, settings)
        waiting = waiting_of(columns, labels)
        called = np.zeros(len(columns.blocks), bool)
        called[columns.cane_block[columns.cane[(columns.calls >= 0).any(axis=1)]]] = True
        return {
            key: BlockAnswer(
                block=one, sampling=labels[key], result=results[one.name], waiting=waiting[index],
                confirmed=bool(called[index]),
                beyond=beyond.get(one.name), zones=tuple(zones.get(one.name, ())),
                topped_up_by=tuple(more.label for more in states[key][1][1:]))
            for index, (one, key) in enumerate(
                zip(columns.blocks, columns.sampling_ids.tolist(), strict=True))
        }

    return season.remembered.each(
        ("answers", policy, settings, own.read_bytes() if own.exists() else b""),
        states, work_out)


def _second_readings(season: Season, conn: Connection) -> SecondReadings:
    """Return what second readings tell, counted anew where a bud read twice may have changed."""
    names = tuple((row.id, row.name) for row in list_people(conn))
    of = tuple((one.sampling_id, one.version) for one in sampling_counts(conn) if one.n_twice)
    return season.remembered.each(
        "second readings", {0: (names, of)}, lambda _: {0: second_readings(conn)})[0]


def season_table(season: Season, *, sampling: str | None = None) -> BudTable:
    """Return the called buds of all blocks as one table, for breakdowns over the season.

    Parameters
    ----------
    season : Season
        The season.
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
        ids = [one.id for group in _groups(conn, sampling=sampling).values() for one in group]
        columns = call_columns(conn, ids) if ids else None
    rows = np.flatnonzero((columns.calls >= 0).any(axis=1)) if columns else np.zeros(0, int)
    if columns is None or not len(rows):
        raise NothingToDoError("nobody has called a bud yet", where="results",
                               do="Confirm some calls first.")
    return _table(columns, rows, columns.cane_block[columns.cane], list(columns.blocks),
                  np.ones(len(columns.blocks), bool))


def _groups(
    conn: Connection, *, sampling: str | None, block: str | None = None
) -> dict[int, tuple[Sampling, ...]]:
    """Return each chosen sampling with those that top it up, by the id of the first."""
    chosen = set(chosen_samplings(conn, sampling=sampling, block=block).values())
    of_block: dict[int, list[Sampling]] = {}
    for row in list_samplings(conn):
        of_block.setdefault(row.block_id, []).append(row)
    pairs = [head_and_more(rows, one) for rows in of_block.values() for one in rows
             if one.id in chosen]
    return {head.id: (head, *more) for head, more in pairs}


def _summaries(
    columns: CallColumns, season: Season, settings: Settings, policy: str | None
) -> tuple[dict[str, BlockResult], dict[str, list[BlockResult]]]:
    policies = shipped_policies(season.folder / "policies.toml")
    own = [policy or block.policy or settings.policy for block in columns.blocks]
    found: dict[str, BlockResult] = {}
    by_zone: dict[str, list[BlockResult]] = {}
    bud_block = columns.cane_block[columns.cane]
    counted = (columns.calls >= 0).any(axis=1) & (columns.node <= _kept(columns)[bud_block])
    for name in sorted(set(own)):
        blocks = np.array([each == name for each in own], bool)
        rows = np.flatnonzero(blocks[bud_block] & counted)
        under_policy = replace(settings, policy=name)
        chosen = [b for b, keep in zip(columns.blocks, blocks, strict=True) if keep]
        facts: dict[str, Mapping[str, float]] = {
            "normal_nodes": {b.name: b.normal_nodes for b in chosen if b.normal_nodes is not None},
            "secondary_crop": {
                b.name: crop for b in chosen if (crop := secondary_crop_of(b)) is not None
            },
        }
        zones = {b.name: s for b in chosen if (s := zone_shares(b))}
        sizes = {b.name: s for b in chosen if (s := vine_class_shares(b))}
        table = _table(columns, rows, bud_block, chosen, blocks)
        for result in summarise_table(
            table, settings=under_policy, policies=policies,
            normal_nodes=facts["normal_nodes"], secondary_crop=facts["secondary_crop"],
            strata_shares=sizes or None, zone_shares=zones or None,
        ):
            found[result.block] = result
        by_zone |= _by_zone(table, under_policy, policies, facts)
    return found, by_zone


def _by_zone(
    table: BudTable, settings: Settings, policies: Mapping[str, Policy],
    facts: Mapping[str, Mapping[str, float]],
) -> dict[str, list[BlockResult]]:
    """Return the answer of each zone of blocks whose sample names two or more."""
    pairs = sorted({(int(b), int(z)) for b, z in zip(
        table.block.codes, table.zone.codes, strict=True) if table.zone.names[z]})
    blocks = [b for b, _ in pairs]
    pairs = [pair for pair in pairs if blocks.count(pair[0]) > 1]
    if not pairs:
        return {}
    index = {pair: number for number, pair in enumerate(pairs)}
    keys = zip(table.block.codes.tolist(), table.zone.codes.tolist(), strict=True)
    code = np.array([index.get(key, -1) for key in keys])
    rows = code >= 0
    part = BudTable.from_columns(
        block=Factor(tuple(f"{b} {z}" for b, z in pairs), code[rows]),
        cane=np.array([f"{c} {b}" for c, b in zip(table.unit[rows], code[rows],
                                                  strict=True)]).tolist(),
        node=table.node[rows], calls=table.calls[rows], other_cause=table.other_cause[rows])
    own = {kind: {f"{b} {z}": values[name] for b, z in pairs
                  if (name := table.block.names[b]) in values} for kind, values in facts.items()}
    zones = summarise_table(part, settings=settings, policies=policies, compare_policies=False,
                            normal_nodes=own["normal_nodes"], secondary_crop=own["secondary_crop"])
    found: dict[str, list[BlockResult]] = {}
    for (b, z), result in zip(pairs, zones, strict=True):
        found.setdefault(table.block.names[b], []).append(
            replace(result, block=table.zone.names[z]))
    return found


def _kept(columns: CallColumns) -> np.ndarray:
    """Return for each block the last node that its pruning keeps."""
    each = [read_training(block.training_system) for block in columns.blocks]
    return np.array([one.nodes if one else np.iinfo(np.int64).max for one in each], np.int64)


def _beyond(columns: CallColumns, settings: Settings) -> dict[str, Part]:
    """Return the primaries of the nodes that pruning takes off, for each block that has some."""
    bud_block = columns.cane_block[columns.cane]
    rows = np.flatnonzero((columns.calls[:, 0] >= 0)
                          & (columns.node > _kept(columns)[bud_block]))
    if not len(rows):
        return {}
    table = _table(columns, rows, bud_block, list(columns.blocks),
                   np.ones(len(columns.blocks), bool))
    return {part.name: part for part in breakdown(table, "block", settings=settings)}


def _table(
    columns: CallColumns, rows: np.ndarray, bud_block: np.ndarray, chosen: list[Block],
    keep: np.ndarray,
) -> BudTable:
    """Return the called buds of some blocks as the table that the maths takes."""
    code = np.full(len(columns.blocks), -1, np.int64)
    code[keep] = np.arange(len(chosen))
    canes = columns.cane[rows]

    def factor(words: tuple[str, ...]) -> Factor:
        of_cane = Factor.of(words)
        return Factor(of_cane.names or ("",), of_cane.codes[canes] if len(words) else canes)

    cultivars = Factor.of(block.cultivar for block in chosen)
    at_block = code[bud_block[rows]]
    return BudTable.from_columns(
        block=Factor(tuple(block.name for block in chosen), at_block),
        cane=columns.cane_ids[canes], vine=factor(columns.vines), node=columns.node[rows],
        calls=columns.calls[rows], other_cause=columns.other_cause[rows],
        vigor=factor(columns.vigors),
        zone=factor(columns.zones), cultivar=Factor(cultivars.names, cultivars.codes[at_block]),
    )


def secondary_crop_of(block: Block) -> float | None:
    """Return what a live secondary bears: the block's own value, else its cultivar class's."""
    if block.secondary_crop is not None:
        return block.secondary_crop
    known = SECONDARY_CROP.get(block.cultivar_class)
    return None if known is None else known.share


def vine_class_shares(block: Block) -> Mapping[str, float] | None:
    """Return the block's own shares of vine-size classes, where its layout gives them."""
    shares = block.layout.get("shares")
    if not isinstance(shares, Mapping):
        return None
    numbers = {str(k): float(v) for k, v in shares.items() if isinstance(v, int | float)}
    return numbers if numbers and sum(numbers.values()) > 0 else None


def zone_shares(block: Block) -> Mapping[str, float] | None:
    """Return the share of the block's vines in each zone, where its rows say so."""
    rows = block.layout.get("rows")
    vines: dict[str, float] = {}
    for row in rows if isinstance(rows, list) else []:
        standing = float(row.get("n_vines", 0)) - len(row.get("missing", ()))
        vines[str(row.get("zone", ""))] = vines.get(str(row.get("zone", "")), 0.0) + standing
    total = sum(vines.values())
    if len(vines) < 2 or "" in vines or total <= 0:
        return None
    return {zone: n / total for zone, n in vines.items()}


def results_as_dict(answers: list[BlockAnswer]) -> dict[str, object]:
    """Return the answers as the tally's JSON, plus `sampling`, `confirmed` and `waiting`."""
    return {
        "blocks": [
            block_as_dict(answer.result) | {
                "sampling": answer.sampling, "confirmed": answer.confirmed,
                "waiting": answer.waiting.as_dict(),
            } | ({"zones": [block_as_dict(zone) for zone in answer.zones]} if answer.zones else {})
            | ({} if answer.beyond is None else {"beyond": asdict(answer.beyond)})
            | ({"topped_up_by": list(answer.topped_up_by)} if answer.topped_up_by else {})
            | ({"wood": [asdict(one) for one in answer.wood]} if answer.wood else {})
            | ({} if answer.corrected is None else {"corrected": asdict(answer.corrected)})
            | ({"trust": answer.trust} if answer.trust else {})
            | ({} if answer.soak is None else {"soak": {
                "state": answer.soak.state, "hours": answer.soak.hours,
                "early": answer.soak.early, "words": answer.soak.words,
            }})
            for answer in answers
        ],
        "caution": CAUTION,
        "warnings": [],
    }


def results(
    season: Season, *, block: str | None = None, sampling: str | None = None,
    policy: str | None = None,
) -> dict[str, object]:
    """Return the JSON object of `budvision results`; parameters as in `season_results`."""
    return results_as_dict(
        season_results(season, block=block, sampling=sampling, policy=policy)
    )
