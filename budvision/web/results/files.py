"""Downloads: results as CSV, JSON and XLSX (always in English), sheets and appendices as PDF."""

from __future__ import annotations

import json

from flask import Response, request
from flask.typing import ResponseReturnValue

from budvision.language import speaking
from budvision.web.current import current_season
from budvision.web.results.door import blueprint, sampling_label
from budvision.workflow.answers import report
from budvision.workflow.answers.results import results
from budvision.workflow.answers.tables import results_csv, results_xlsx

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def _file(data: bytes | str, kind: str, name: str) -> Response:
    reply = Response(data, mimetype=kind)
    reply.headers.set("Content-Disposition", "attachment", filename=name)
    return reply


def _form() -> dict[str, str | None]:
    return {"sampling": sampling_label(), "paper": request.args.get("paper") or None,
            "units": request.args.get("units") or None,
            "language": request.args.get("language") or None}


@blueprint.get("/results.json")
def results_json() -> ResponseReturnValue:
    """Give the season's results as JSON, the same as `budvision results --json`."""
    with speaking("en"):
        answers = results(current_season(), sampling=sampling_label())
    return _file(json.dumps(answers, indent=2, ensure_ascii=False, allow_nan=False),
                 "application/json", "results.json")


@blueprint.get("/results.csv")
def results_table() -> ResponseReturnValue:
    """Give the season's results as CSV, one line a block."""
    with speaking("en"):
        return _file(results_csv(current_season(), sampling=sampling_label()), "text/csv",
                     "results.csv")


@blueprint.get("/results.xlsx")
def results_workbook() -> ResponseReturnValue:
    """Give blocks, tissues, nodes by rule and every bud's calls as a workbook."""
    with speaking("en"):
        return _file(results_xlsx(current_season(), sampling=sampling_label()), XLSX,
                     "results.xlsx")


@blueprint.get("/summary.pdf")
def summary_pdf() -> ResponseReturnValue:
    """Give the program summary."""
    return _file(report.program_summary(current_season(), **_form()), "application/pdf",
                 "program summary.pdf")


@blueprint.get("/block/<int:block_id>/sheet.pdf")
def sheet_pdf(block_id: int) -> ResponseReturnValue:
    """Give a block's grower sheet."""
    name, data = report.named(current_season(), block_id), report.grower_sheet(
        current_season(), block_id, **_form())
    return _file(data, "application/pdf", f"{name} - sheet.pdf")


@blueprint.get("/block/<int:block_id>/every-bud.pdf")
def appendix_pdf(block_id: int) -> ResponseReturnValue:
    """Give every bud of a block with its calls."""
    name, data = report.named(current_season(), block_id), report.appendix(
        current_season(), block_id, **_form())
    return _file(data, "application/pdf", f"{name} - every bud.pdf")
