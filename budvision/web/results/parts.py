"""What the results templates show, as frozen rows of words and numbers."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from budvision.report.canvas import BandEdges
from budvision.report.words import count, ends, number, percent, percent_range, plain
from budvision.vineyard.breakdown import Part
from budvision.vineyard.policies import Policy
from budvision.vineyard.pruning import NodeCount
from budvision.vineyard.results import BlockResult, TissueResult
from budvision.vocabulary import Tissue
from budvision.workflow.answers.answers import Answer

__all__ = [
    "Bar",
    "BlockRow",
    "NodeRow",
    "PartRow",
    "TissueRow",
    "band_edges",
    "block_row",
    "method_words",
    "next_step",
    "node_row",
    "part_row",
    "range_words",
    "tissue_row",
]


_PRIOR = "rests on an assumed likeness"


@dataclass(frozen=True, slots=True)
class Bar:
    """An interval to scale: ends in thousandths of the width, bands behind, and its words."""

    at: float
    low: float
    high: float
    bands: tuple[tuple[float, float], ...]
    words: str


@dataclass(frozen=True, slots=True)
class BlockRow:
    """One line of the season overview."""

    id: int
    block: str
    place: str
    sampling_id: int | None
    sampling: str
    collected: str
    n_judged: int
    share: str
    span: str
    bar: Bar | None
    band: str
    nodes: str
    n_waiting: int
    next_step: str
    settled: bool


@dataclass(frozen=True, slots=True)
class TissueRow:
    """Counts and share of one tissue."""

    name: str
    n_live: int
    n_dead: int
    n_unsure: int
    n_not_exposed: int
    n_not_called: int
    share: str
    span: str
    bar: Bar | None
    note: str


@dataclass(frozen=True, slots=True)
class PartRow:
    """Counts and share of the primaries of one node, vine size or zone."""

    name: str
    n_live: int
    n_dead: int
    n_canes: int
    share: str
    span: str
    bar: Bar | None
    note: str


@dataclass(frozen=True, slots=True)
class NodeRow:
    """Nodes to retain by one rule or policy."""

    name: str
    retain: str
    span: str
    per_area: str
    note: str


def band_edges(policy: Policy) -> BandEdges:
    """Return a policy's bands as figures want them."""
    return BandEdges(tuple(plain(band.name) for band in policy.bands), policy.edges)


def bar(share: float | None, low: float | None, high: float | None, policy: Policy) -> Bar | None:
    """Return an interval as a bar; None where nothing is judged."""
    if share is None or low is None or high is None:
        return None
    edges = (0.0, *policy.edges, 1.0)
    return Bar(
        1000 * share, 1000 * low, 1000 * high,
        tuple((1000 * a, 1000 * (b - a)) for a, b in pairwise(edges)),
        f"{percent(share)} dead, range {percent_range(low, high)}",
    )


def range_words(row: TissueResult) -> str:
    """Return an interval as words, empty where nothing is judged."""
    return "" if row.low is None or row.high is None else percent_range(row.low, row.high)


def method_words(row: TissueResult) -> str:
    """Say how an interval was made."""
    told = {
        "korn_graubard": "Exact binomial range on the effective number of buds (Korn and Graubard "
        "1998), canes taken as clusters.",
        "korn_graubard_prior": "Exact binomial range on the effective number of buds, which rests "
        "on the assumed likeness of buds within a cane: the sample is too thin to show it.",
        "wilson": "Wilson's range on the effective number of buds.",
    }
    return told.get(row.method, "")


def tissue_row(name: str, row: TissueResult, policy: Policy) -> TissueRow:
    """Return a tissue's result as a line of a table."""
    return TissueRow(
        name, row.n_live, row.n_dead, row.n_unsure, row.n_not_exposed, row.n_not_called,
        percent(row.mortality) if row.mortality is not None else "no result", range_words(row),
        bar(row.mortality, row.low, row.high, policy),
        _PRIOR if row.design_effect_from_prior else "",
    )


def part_row(part: Part, policy: Policy) -> PartRow:
    """Return the primaries of one part of the block as a line of a table."""
    judged = part.mortality is not None and part.low is not None and part.high is not None
    return PartRow(
        part.name, part.n_judged - part.n_dead, part.n_dead, part.n_canes,
        percent(part.mortality) if judged else "no result",
        percent_range(part.low or 0.0, part.high or 0.0) if judged else "",
        bar(part.mortality, part.low, part.high, policy),
        _PRIOR if part.design_effect_from_prior else "",
    )


def node_row(name: str, nodes: NodeCount, *, per_area: float | None, note: str = "") -> NodeRow:
    """Return a rule's node count as a line of a table."""
    if nodes.capped:
        note = f"{note} stopped at the practical maximum".strip()
    return NodeRow(
        name, "no number" if nodes.retain is None else number(nodes.retain),
        ends(nodes.low, nodes.high),
        number(nodes.retain * per_area) if per_area and nodes.retain is not None else "", note,
    )


def next_step(answer: Answer) -> tuple[str, bool]:
    """Say what a block needs next, and whether its band is settled."""
    result, n_waiting = answer.judged, answer.waiting.n_buds
    if answer.sampling is None:
        return "Not sampled yet.", False
    if result is None or result.band is None:
        if n_waiting:
            return f"{count(n_waiting, 'bud waits', 'buds wait')} for a person.", False
        return "No primary could be judged.", False
    waits = f" {n_waiting} still wait." if n_waiting else ""
    if result.more_buds == 0:
        return result.band.action + waits, True
    if result.more_buds is None:
        return "On the edge of a band: decide with your adviser." + waits, False
    return f"Cut about {result.more_buds} more to settle the band." + waits, False


def block_row(answer: Answer) -> BlockRow:
    """Return a block as a line of the overview."""
    result: BlockResult | None = answer.judged
    primary = result.tissues[Tissue.PRIMARY] if result else None
    text, settled = next_step(answer)
    nodes = result.nodes["band"] if result else None
    sampling = answer.sampling
    return BlockRow(
        id=answer.block.id, block=answer.block.name,
        place=" · ".join(part for part in (answer.block.site, answer.block.cultivar) if part),
        sampling_id=sampling.id if sampling else None,
        sampling=sampling.label if sampling else "",
        collected=(sampling.collected_at or "")[:10] if sampling else "",
        n_judged=primary.n_live + primary.n_dead if primary else 0,
        share=percent(primary.mortality) if primary else "no result",
        span=range_words(primary) if primary else "",
        bar=bar(primary.mortality, primary.low, primary.high, answer.policy) if primary else None,
        band=plain(result.band.name) if result and result.band else "",
        nodes=node_row("", nodes, per_area=None).retain if nodes else "",
        n_waiting=answer.waiting.n_buds, next_step=text, settled=settled,
    )


