"""A season's results as CSV and as a workbook: the numbers of `results` beside it."""

from __future__ import annotations

from collections.abc import Sequence

from budvision.report.answer import CROP_NAME, answer_words
from budvision.report.facts import RULES
from budvision.report.spreadsheet import Row, as_csv, as_xlsx
from budvision.store.queries.readings import readings
from budvision.store.session import Season
from budvision.vineyard.results import BlockResult
from budvision.vocabulary import TISSUES
from budvision.workflow.answers.answers import Answer, sampled_buds, season_answers
from budvision.workflow.answers.sheet_facts import line_facts

__all__ = ["results_csv", "results_xlsx"]


def _place(answer: Answer) -> dict[str, str | int | float | None]:
    sampling = answer.sampling
    return {
        "site": answer.block.site, "block": answer.block.name, "cultivar": answer.block.cultivar,
        "sampling": sampling.label if sampling else "",
        "collected": (sampling.collected_at or "")[:10] if sampling else "",
    }


def _tissue_cells(result: BlockResult | None) -> dict[str, str | int | float | None]:
    cells: dict[str, str | int | float | None] = {}
    for tissue in TISSUES:
        row = result.tissues[tissue] if result else None
        for name in ("n_live", "n_dead", "n_unsure", "n_not_exposed", "n_not_called", "mortality",
                     "low", "high"):
            cells[f"{tissue.value}_{name}"] = getattr(row, name) if row else None
    return cells


def _block_row(season: Season, answer: Answer) -> Row:
    """Return a block's line: the words of page and sheet, then the numbers behind them."""
    result, words = answer.result, answer_words(line_facts(season, answer))
    crop = result.crop_potential if result else None
    nodes = result.nodes["band"] if result else None
    line = words.nodes[0] if words.nodes and not words.by_zone else None
    return {
        **_place(answer), "n_buds": result.n_buds if result else 0,
        "n_canes": result.n_canes if result else 0, "waiting": answer.waiting.n_buds,
        "headline": words.headline, "read_first": " ".join(words.first),
        "band": words.band, "action": words.action,
        "nodes_a_vine": words.retain, "nodes_range": line.span if line else "",
        **{f"{row.name} share dead": f"{row.share} ({row.span})" if row.span else row.share
           for row in words.tissues},
        CROP_NAME: f"{words.crop.share} ({words.crop.span})" if words.crop else "",
        "how_sure": " ".join(words.sure), "warnings": " ".join(result.warnings) if result else "",
        **_tissue_cells(result),
        "crop_share": crop.share if crop else None, "crop_low": crop.low if crop else None,
        "crop_high": crop.high if crop else None, "policy": answer.policy.name,
        "normal_nodes": result.normal_nodes if result else None,
        "nodes_retain": nodes.retain if nodes else None, "nodes_low": nodes.low if nodes else None,
        "nodes_high": nodes.high if nodes else None,
        "more_buds": result.more_buds if result else None,
    }


def results_csv(season: Season, *, sampling: str | None = None) -> str:
    """Return one line a block.

    Parameters
    ----------
    sampling : str, optional
        Label; the newest sampling of each block when left out.
    """
    return as_csv([_block_row(season, a) for a in season_answers(season, sampling=sampling)])


def results_xlsx(season: Season, *, sampling: str | None = None) -> bytes:
    """Return a workbook: blocks, tissues, nodes by rule, buds; parameters as in `results_csv`."""
    answers = season_answers(season, sampling=sampling)
    tissues: list[Row] = []
    nodes: list[Row] = []
    for answer in answers:
        result = answer.result
        if result is None:
            continue
        words = answer_words(line_facts(season, answer))
        for line, row in zip(words.tissues, result.tissues.values(), strict=True):
            tissues.append({
                **_place(answer), "tissue": line.name, "n_live": row.n_live,
                "n_dead": row.n_dead, "n_unsure": row.n_unsure,
                "n_not_exposed": row.n_not_exposed, "n_not_called": row.n_not_called,
                "share dead": line.share, "range": line.span,
                "mortality": row.mortality, "low": row.low, "high": row.high,
                "confidence": row.confidence, "design_effect": row.design_effect,
                "method": row.method,
            })
        others = [one.nodes for one in result.other_policies]
        lines = [(RULES[rule], answer.policy.title, line, n) for (rule, n), line in zip(
            result.nodes.items(), words.nodes, strict=True)] if words.nodes else []
        lines += [(RULES["band"], line.name, line, n)
                  for line, n in zip(words.policies[1:], others, strict=True)]
        nodes += [{
            **_place(answer), "rule": rule, "policy": policy, "nodes a vine": line.retain,
            "range": line.span, "retain": n.retain, "low": n.low, "high": n.high,
            "note": line.note,
        } for rule, policy, line, n in lines]
    return as_xlsx({
        "blocks": [_block_row(season, a) for a in answers], "tissues": tissues, "nodes": nodes,
        "buds": _bud_rows(season, answers),
    })


def _bud_rows(season: Season, answers: Sequence[Answer]) -> list[Row]:
    rows: list[Row] = []
    for answer in answers:
        if answer.sampling is None:
            continue
        with season.read() as conn:
            called = {(r.bud_id, r.tissue): r for one in answer.samplings
                      for r in readings(conn, one.id)}
        for state in sampled_buds(season, answer)[0]:
            own = {t: r for t in TISSUES if (r := called.get((state.bud_id, t)))}
            rows.append({
                **_place(answer), "vine": state.vine, "cane": state.cane, "node": state.node,
                **{t.value: own[t].value.value if t in own else "" for t in TISSUES},
                "called_by": ", ".join(dict.fromkeys(r.person for r in own.values())),
                "called_at": max((r.added_at for r in own.values()), default=""),
                "n_photographs": state.n_cuts,
            })
    return rows
