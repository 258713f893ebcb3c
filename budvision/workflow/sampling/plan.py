"""Plan a sampling: describe the block, draw its vines, keep the plan with the season."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from budvision.errors import ConflictError, InputError, NotFoundError
from budvision.language import plain_count, say, say_n
from budvision.settings import Settings
from budvision.store.queries.blocks import (
    ensure_block,
    ensure_sampling,
    find_block,
    find_sampling,
    list_samplings,
    sampling_by_id,
    update_block,
    update_sampling,
)
from budvision.store.queries.canes import ensure_cane, list_buds, list_canes, update_cane
from budvision.store.session import Season, now
from budvision.tables import read_table, whole
from budvision.vineyard.mortality import chosen_policy
from budvision.vineyard.plan import DEFAULT_CANES, DEFAULT_NODES, BlockLayout, VineRow
from budvision.vineyard.policies import shipped_policies
from budvision.vineyard.sample_plan import SamplePlan, make_plan, plan_from_dict
from budvision.vineyard.sample_size import canes_for_edge, canes_for_width
from budvision.vineyard.training import check_training, read_training

__all__ = [
    "KnownBlock", "choose_canes", "choose_nodes", "describe_block", "find_plan", "known_block",
    "plan_sample", "save_plan", "season_plan",
]

_LEAST_BUDS = 50
"""Fewest buds of a block that bulletins ask for (Cornell Finger Lakes program, Growing Produce)."""

_RANGE = re.compile(r"(\d+)(?:-(\d+))?")


def describe_block(
    block: str, *, n_rows: int | None = None, n_vines: int | None = None,
    rows_csv: Path | None = None, zones: str = "", missing: str = "", sizes: str = "",
) -> BlockLayout:
    """Describe a block from the words of the command line or the page.

    Parameters
    ----------
    block : str
        Name of the block.
    n_rows, n_vines : int, optional
        Rows, and vine places in each, where all rows are alike.
    rows_csv : Path, optional
        Table with the columns row and vines, optionally zone and missing (as in `missing`
        without the row), instead of the two numbers.
    zones : str
        Rows of each zone: ``top=1-12,foot=13-24``; rows are counted in walking order.
    missing : str
        Missing vines: ``3:7,5:1-4`` is vine 7 of row 3 and vines 1 to 4 of row 5.
    sizes : str
        Shares of the vine-size classes: ``small=0.2,medium=0.6,large=0.2``; percent will do.

    Raises
    ------
    InputError
        When the description cannot be read or is impossible.
    """
    if rows_csv is not None:
        rows = _rows_from_table(rows_csv)
    elif n_rows is not None and n_vines is not None:
        if n_rows > 10_000 or n_rows < 1 or n_vines < 1:
            raise InputError(f"{plain_count(n_rows, 'row')} of "
                             f"{plain_count(n_vines, 'vine')}", where=f"block {block}",
                             expected="1 to 10000 rows of 1 vine or more",
                             do="Correct the numbers.")
        rows = [VineRow(str(i), n_vines) for i in range(1, n_rows + 1)]
    else:
        raise InputError(
            "its rows and vines a row are not given", expected="both numbers, or a table of rows",
            where=f"block {block}", do="Add --rows and --vines, or --rows-csv.",
        )
    for name, text in _pairs(zones, "zones", "top=1-12,foot=13-24"):
        first, last = _range(text, "zones", "top=1-12,foot=13-24")
        if last > len(rows):
            raise InputError(f"zone {name} goes to row {last}", where="zones",
                             expected=f"at most {plain_count(len(rows), 'row')}, as the block has",
                             do="Correct the zone.")
        for i in range(first - 1, last):
            if rows[i].zone:
                raise InputError(f"row {i + 1} is in {rows[i].zone} and in {name}",
                                 expected="one zone a row", where="zones")
            rows[i] = VineRow(rows[i].label, rows[i].n_vines, rows[i].missing, name)
    order = {row.label: i for i, row in enumerate(rows)}
    for part in filter(None, (piece.strip() for piece in missing.split(","))):
        label, _, vines = part.partition(":")
        if label.strip() not in order:
            raise InputError(f"{part!r} names row {label.strip()!r}", where="missing",
                             expected="a row of the block and its vine, as in 3:7 or 5:1-4",
                             do="Correct it.")
        first, last = _range(vines, "missing", "3:7,5:1-4")
        i = order[label.strip()]
        rows[i] = VineRow(rows[i].label, rows[i].n_vines,
                          rows[i].missing | set(range(first, last + 1)), rows[i].zone)
    shares = {name: _share(text) for name, text in _pairs(sizes, "sizes", "small=0.2,large=0.8")}
    return BlockLayout(block, tuple(rows), shares)


def _pairs(text: str, where: str, example: str) -> list[tuple[str, str]]:
    pairs = []
    for part in filter(None, (piece.strip() for piece in text.split(","))):
        name, sign, value = part.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise InputError(f"{part!r} has no name = value", expected=f"for instance {example}",
                             where=where, do="Correct it.")
        pairs.append((name.strip(), value.strip()))
    return pairs


def _range(text: str, where: str, example: str) -> tuple[int, int]:
    match = _RANGE.fullmatch(text.strip())
    if match is None or int(match[2] or match[1]) < int(match[1]) or int(match[1]) < 1:
        raise InputError(f"{text!r} is no number or range", expected=f"for instance {example}",
                         where=where, do="Correct it.")
    return int(match[1]), int(match[2] or match[1])


def _share(text: str) -> float:
    percent = text.endswith("%")
    try:
        value = float(text.removesuffix("%"))
    except ValueError:
        raise InputError(f"{text!r} is no share", expected="for instance 0.2 or 20%",
                         where="sizes", do="Correct it.") from None
    return value / 100 if percent else value


def _rows_from_table(path: Path) -> list[VineRow]:
    table = read_table(path, needed=("row", "vines"), optional=("zone", "missing"),
                       row_of="a row of vines")
    rows = []
    for line in table.rows:
        if line.trouble is not None:
            raise line.trouble
        label, n_vines = line.cells["row"], whole(line.cells["vines"])
        if not label or n_vines is None:
            raise InputError(f"row is {label!r} and vines is {line.cells['vines']!r}",
                             where=line.where, expected="a label and a whole number",
                             do="Correct the line.")
        gaps: set[int] = set()
        for part in filter(None, re.split(r"[ ;]+", line.cells.get("missing", ""))):
            first, last = _range(part, line.where, "7 or 1-4, several parted by spaces")
            gaps |= set(range(first, last + 1))
        rows.append(VineRow(label, n_vines, frozenset(gaps), line.cells.get("zone", "")))
    return rows


def choose_canes(
    *, canes: int | None, nodes: int, icc: float, share: float, edge: float | None = None,
    margin: float = 0.1, sure: float | None = None, width: float | None = None,
    confidence: float = 0.95,
) -> tuple[int, str]:
    """Choose the number of canes from a wish, and say why.

    Parameters
    ----------
    canes : int, optional
        Taken as it is when given.
    edge, margin, sure : float, optional
        A band edge, how far from it the truth may be taken to lie, and the wanted chance of
        landing on the right side.
    width : float, optional
        Wanted width of the interval.

    Returns
    -------
    canes : int
    why : str
        One sentence.
    """
    if canes is not None:
        return canes, say("as asked")
    if sure is not None and edge is not None:
        n = canes_for_edge(edge, margin=margin, sure=sure, nodes=nodes, icc=icc)
        return max(n, 3), say(
            "enough to be {sure}% sure of the side of {edge}% when the block lies {margin}% or "
            "more from it", sure=f"{100 * sure:.0f}", edge=f"{100 * edge:.0f}",
            margin=f"{100 * margin:.0f}")
    if width is not None:
        n = canes_for_width(share, width=width, nodes=nodes, icc=icc, confidence=confidence)
        return n, say("enough for an interval {width}% wide", width=f"{100 * width:.0f}")
    n = max(DEFAULT_CANES, -(-_LEAST_BUDS // nodes))
    if n == DEFAULT_CANES:
        return n, say("common practice: 10 canes of 10 nodes")
    return n, say_n("so many that {n} node of each makes the {buds} buds that are asked for",
                    "so many that {n} nodes of each make the {buds} buds that are asked for",
                    nodes, buds=_LEAST_BUDS)


def choose_nodes(nodes: int | None, *, training: str) -> int:
    """Choose the nodes to cut on each cane: those that pruning keeps.

    Parameters
    ----------
    nodes : int, optional
        Taken as it is when given.
    training : str
        Training system of the block; 10 nodes where it is empty.

    Raises
    ------
    InputError
        When the training system cannot be read.
    """
    check_training(training, where="plan")
    kept = read_training(training)
    return nodes or (kept.nodes if kept else DEFAULT_NODES)


@dataclass(frozen=True, slots=True)
class KnownBlock:
    """What a season knows of a block before it is planned; empty where it knows nothing."""

    cultivar: str = ""
    training: str = ""
    policy: str = ""


def known_block(season: Season, block: str) -> KnownBlock:
    """Return what the season knows of a block; a training system only where it can be read."""
    with season.read() as conn:
        found = find_block(conn, block)
    if found is None:
        return KnownBlock()
    training = found.training_system if read_training(found.training_system) else ""
    return KnownBlock(found.cultivar, training, found.policy or "")


def plan_sample(
    layout: BlockLayout, *, settings: Settings, sampling: str, canes: int, nodes: int,
    draw: int, share: float = 0.3, folder: Path | None = None, policy: str = "",
    cultivar: str = "", training: str = "", made_at: str | None = None,
) -> SamplePlan:
    """Make a plan with a season's settings (or the defaults); it is not kept anywhere.

    Parameters
    ----------
    folder : Path, optional
        Folder of the season, whose policies.toml counts too.
    policy : str
        The block's own pruning policy; the settings' where it has none.

    Raises
    ------
    InputError
        When there is no such policy or a number is out of range.
    """
    policies = shipped_policies(None if folder is None else folder / "policies.toml")
    return make_plan(
        layout, sampling=sampling, canes=canes, nodes=nodes, draw=draw, cultivar=cultivar,
        icc=settings.prior_icc, share=share,
        policy=chosen_policy(replace(settings, policy=policy or settings.policy), policies),
        made_at=made_at or now(), training=training,
        confidence=settings.confidence,
    )


def save_plan(season: Season, plan: SamplePlan) -> int:
    """Keep a plan with the season: its block, its sampling and a cane for each vine.

    Returns
    -------
    int
        Id of the sampling.

    Raises
    ------
    ConflictError
        When the sampling has buds already: its canes are not to be exchanged under them.
    """
    with season.write() as conn:
        found = find_block(conn, plan.block)
        described = {"cultivar": plan.cultivar, "training_system": plan.training}
        block_id = found.id if found else ensure_block(conn, plan.block)
        update_block(conn, block_id, layout=plan.layout.as_dict(),
                     **{name: text for name, text in described.items() if text})
        known = find_sampling(conn, block_id, plan.sampling)
        sampling_id = known.id if known else ensure_sampling(conn, block_id, plan.sampling)
        if list_buds(conn, sampling_id=sampling_id):
            raise ConflictError(
                f"sampling {plan.sampling} of block {plan.block} has buds already",
                expected="a sampling without photographs", where="plan", code="sampling_begun",
                do="Give the new plan another sampling label.",
            )
        labels = {vine.cane for vine in plan.vines}
        extra = [cane.label for cane in list_canes(conn, sampling_id) if cane.label not in labels]
        if extra:
            raise ConflictError(
                f"sampling {plan.sampling} of block {plan.block} has a cane {extra[0]!r} that the "
                "plan lacks", expected="a plan with at least the canes there are", where="plan",
                code="sampling_begun", do="Give the new plan another sampling label.",
            )
        update_sampling(conn, sampling_id, plan=plan.as_dict())
        cane_ids = {cane.label: cane.id for cane in list_canes(conn, sampling_id)}
        for vine in plan.vines:
            facts = {"vine": f"{vine.row}-{vine.vine}", "vigor": vine.size, "zone": vine.zone,
                     "position": vine.order}
            if vine.cane in cane_ids:
                update_cane(conn, cane_ids[vine.cane], **facts)
            else:
                ensure_cane(conn, sampling_id, vine.cane, vine=f"{vine.row}-{vine.vine}",
                            vigor=vine.size, zone=vine.zone, position=vine.order)
    return sampling_id


def season_plan(season: Season, sampling_id: int) -> SamplePlan:
    """Return the plan of a sampling.

    Raises
    ------
    NotFoundError
        When the sampling was not planned.
    """
    with season.read() as conn:
        sampling = sampling_by_id(conn, sampling_id)
    table: Mapping[str, object] = sampling.plan
    if not table:
        raise NotFoundError(
            f"sampling {sampling.label} of block {sampling.block} has no plan", where="plan",
            do="Make one with `budvision plan`.", code="no_plan",
        )
    return plan_from_dict(table, where=f"plan of {sampling.block} {sampling.label}")


def find_plan(season: Season, *, block: str = "", sampling: str = "") -> SamplePlan:
    """Find a plan by block and sampling; with only one plan in the season neither is needed.

    Raises
    ------
    NotFoundError
        When no plan, or more than one, fits.
    """
    with season.read() as conn:
        rows = [row for row in list_samplings(conn) if row.plan
                and (not block or row.block == block) and (not sampling or row.label == sampling)]
    if not rows:
        raise NotFoundError(
            "no plan fits", where="plan", code="no_plan",
            expected="a sampling made with `budvision plan`",
            do="Make the plan first, or correct block and sampling.",
        )
    blocks = {row.block for row in rows}
    if len(blocks) > 1:
        raise NotFoundError(
            f"{plain_count(len(blocks), 'plan')} could be meant", where="plan",
            code="several_plans", expected="one block",
            do=f"Add --block, one of {', '.join(sorted(blocks)[:12])}.",
        )
    return plan_from_dict(rows[-1].plan, where=f"plan of {rows[-1].block} {rows[-1].label}")
