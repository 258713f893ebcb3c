"""What the results templates show, as frozen rows of words and numbers."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from budvision.language import locale_day, say, say_n
from budvision.report.answer import NO_RESULT, AnswerWords, answer_words, share_line
from budvision.report.canvas import BandEdges
from budvision.report.facts import part_facts
from budvision.report.words import band_name, percent, percent_range
from budvision.store.session import Season
from budvision.vineyard.breakdown import Part
from budvision.vineyard.policies import Policy
from budvision.vineyard.results import TissueResult
from budvision.workflow.answers.answers import Answer
from budvision.workflow.answers.sheet_facts import line_facts

__all__ = [
    "Bar",
    "BlockRow",
    "PartRow",
    "band_edges",
    "bar",
    "block_row",
    "method_words",
    "part_row",
]


@dataclass(frozen=True, slots=True)
class Bar:
    """An interval to scale: ends in thousandths of the width, bands behind, and its words."""

    at: float
    low: float
    high: float
    bands: tuple[tuple[float, float], ...]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
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
    first: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
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


def band_edges(policy: Policy) -> BandEdges:
    """Return a policy's bands as figures want them."""
    return BandEdges(tuple(band_name(band.name) for band in policy.bands), policy.edges)


def bar(ends: tuple[float, float, float] | None, policy: Policy) -> Bar | None:
    """Return an interval (share, low, high) as a bar; None where nothing is judged."""
    if ends is None:
        return None
    share, low, high = ends
    edges = (0.0, *policy.edges, 1.0)
    return Bar(
        1000 * share, 1000 * low, 1000 * high,
        tuple((1000 * a, 1000 * (b - a)) for a, b in pairwise(edges)),
        say("{share} dead, range {span}", share=percent(share), span=percent_range(low, high)),
    )


def method_words(row: TissueResult) -> str:
    """Say how an interval was made."""
    words = {
        "beta_binomial": say(
            "Beta-binomial range over whole vines or canes, the likeness of their buds allowed for "
            "as far as the sample shows it."),
        "beta_binomial_strata": say(
            "Beta-binomial range of each zone or vine size, put together by their shares of the "
            "block."),
    }
    return words.get(row.method, "")


def part_row(part: Part, policy: Policy) -> PartRow:
    """Return the primaries of one part of the block as a line of a table."""
    line = share_line(part_facts(part.name, part))
    return PartRow(name=part.name, n_live=line.n_live, n_dead=line.n_dead, n_canes=part.n_canes,
                   share=line.share, span=line.span,
                   bar=bar(line.ends, policy), note=line.note)


def next_step(answer: Answer, words: AnswerWords) -> str:
    """Say what a block needs next."""
    n_waiting = answer.waiting.n_buds
    if answer.sampling is None:
        return say("Not sampled yet.")
    if answer.judged is None and n_waiting:
        return say_n("{n} bud waits for a person.", "{n} buds wait for a person.", n_waiting)
    if not n_waiting:
        return words.next_step
    return f"{words.next_step} {say_n('{n} still waits.', '{n} still wait.', n_waiting)}"


def block_row(season: Season, answer: Answer) -> BlockRow:
    """Return a block as a line of the overview."""
    words, sampling = answer_words(line_facts(season, answer)), answer.sampling
    collected = sampling.collected_at if sampling else None
    primary = words.tissues[0] if answer.judged else None
    return BlockRow(
        id=answer.block.id, block=answer.block.name,
        place=" · ".join(part for part in (answer.block.site, answer.block.cultivar) if part),
        sampling_id=sampling.id if sampling else None,
        sampling=sampling.label if sampling else "",
        collected=locale_day(collected, us=season.settings.units == "us") if collected else "",
        n_judged=primary.n_live + primary.n_dead if primary else 0,
        share=primary.share if primary else say(NO_RESULT), span=primary.span if primary else "",
        bar=bar(primary.ends, answer.policy) if primary else None, band=words.band,
        nodes=words.retain, n_waiting=answer.waiting.n_buds,
        next_step=next_step(answer, words), first=words.first,
    )
