"""Paper of a season: grower sheets, the program summary, the appendix of every bud."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

from budvision.errors import NothingToDoError, StorageError
from budvision.files import write_whole
from budvision.language import speaking, spoken
from budvision.report.sheet import sheet_pdf
from budvision.report.summary import appendix_pdf, program_summary_pdf
from budvision.store.queries.blocks import block_by_id
from budvision.store.session import Season
from budvision.workflow.answers.answers import answer_of, most_urgent_first, season_answers
from budvision.workflow.answers.comparison import with_history
from budvision.workflow.answers.sheet_facts import block_facts, line_facts

__all__ = [
    "appendix", "grower_sheet", "named", "program_summary", "safe_name", "write_all", "write_pdf",
]


def _today() -> dt.date:
    return dt.datetime.now(dt.UTC).date()


def _form(season: Season, paper: str | None, units: str | None) -> tuple[str, str]:
    return paper or season.settings.paper, units or season.settings.units


def _language(season: Season, language: str | None) -> str:
    fixed = language or season.settings.language
    return spoken() if fixed == "browser" else fixed


def grower_sheet(
    season: Season, block: str | int, *, sampling: str | None = None, paper: str | None = None,
    units: str | None = None, language: str | None = None,
) -> bytes:
    """Set the grower sheet of a block as a PDF of one page.

    Parameters
    ----------
    block : str or int
        Name or id.
    sampling : str, optional
        Label; the newest when left out.
    paper, units, language : str, optional
        The season's settings when left out; where the season leaves the language to browsers,
        the one that is spoken.

    Raises
    ------
    NotFoundError
        When there is no such block or sampling.
    UsageError
        When the paper, the units or the language are unknown.
    """
    paper, units = _form(season, paper, units)
    with speaking(_language(season, language)):
        answer = answer_of(season, block, sampling=sampling)
        facts = with_history(season, answer, block_facts(season, answer, appendix=False))
        return sheet_pdf(facts, paper=paper, units=units, printed_on=_today())


def named(season: Season, block: int) -> str:
    """Return a block's name as part of a file's name, or raise NotFoundError."""
    with season.read() as conn:
        return safe_name(block_by_id(conn, block).name)


def appendix(
    season: Season, block: str | int, *, sampling: str | None = None, paper: str | None = None,
    units: str | None = None, language: str | None = None,
) -> bytes:
    """Set every bud of a block with its calls as a PDF; parameters as in `grower_sheet`."""
    paper, units = _form(season, paper, units)
    with speaking(_language(season, language)):
        facts = block_facts(season, answer_of(season, block, sampling=sampling), photographs=False)
        return appendix_pdf(facts, paper=paper, units=units, printed_on=_today())


def program_summary(
    season: Season, *, sampling: str | None = None, paper: str | None = None,
    units: str | None = None, language: str | None = None,
) -> bytes:
    """Set all blocks as one table, the most urgent first; parameters as in `grower_sheet`."""
    paper, units = _form(season, paper, units)
    with speaking(_language(season, language)):
        answers = most_urgent_first(season_answers(season, sampling=sampling))
        facts = [line_facts(season, answer) for answer in answers]
        return program_summary_pdf(facts, title=season.folder.name, paper=paper, units=units,
                                   printed_on=_today())


def write_pdf(path: Path, data: bytes) -> None:
    """Write a PDF, whole or not at all, making its folder."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, data)
    except OSError as error:
        raise StorageError(
            f"the page could not be written ({error.strerror})", where=str(path),
            do="Choose a folder that may be written, on a disk with room.",
        ) from error


_DEVICES = frozenset({"con", "prn", "aux", "nul"} | {
    f"{name}{number}" for name in ("com", "lpt") for number in range(10)})


def safe_name(text: str) -> str:
    """Return text as a file name: letters, digits, spaces, hyphens and underscores, 80 at most.

    Names that Windows keeps for its devices, such as con or lpt1, get a word more.
    """
    name = "".join(m if m.isalnum() or m in " -_" else "-" for m in text)[:80].strip() or "block"
    return f"{name} block" if name.lower() in _DEVICES else name


def _file_name(block: str, used: set[str]) -> str:
    stem = safe_name(block)
    name, n = stem, 2
    while name.lower() in used:
        name, n = f"{stem} {n}", n + 1
    used.add(name.lower())
    return name


def write_all(
    season: Season, folder: Path, *, sampling: str | None = None, paper: str | None = None,
    units: str | None = None, language: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write a sheet and an appendix for every sampled block, and the program summary.

    Parameters
    ----------
    folder : Path
        Made when missing.
    sampling, paper, units, language
        As in `grower_sheet`.
    progress : callable, optional
        Called with (blocks done, blocks in all).

    Returns
    -------
    list of Path
        The files, the summary first.

    Raises
    ------
    NothingToDoError
        When no block was sampled.
    StorageError
        When a file cannot be written.
    """
    paper, units = _form(season, paper, units)
    with speaking(_language(season, language)):
        return _write_all(season, folder, sampling, paper, units, progress)


def _write_all(
    season: Season, folder: Path, sampling: str | None, paper: str, units: str,
    progress: Callable[[int, int], None] | None,
) -> list[Path]:
    answers = [a for a in season_answers(season, sampling=sampling) if a.sampling]
    if not answers:
        raise NothingToDoError("no block was sampled yet", where="report",
                               do="Take photographs in, or import calls, first.")
    written = [folder / "program summary.pdf"]
    write_pdf(written[0], program_summary(season, sampling=sampling, paper=paper, units=units))
    used = {"program summary"}
    for done, answer in enumerate(most_urgent_first(answers), start=1):
        name = _file_name(answer.block.name, used)
        facts = with_history(season, answer, block_facts(season, answer))
        for kind, make in (("sheet", sheet_pdf), ("every bud", appendix_pdf)):
            path = folder / f"{name} - {kind}.pdf"
            write_pdf(path, make(facts, paper=paper, units=units, printed_on=_today()))
            written.append(path)
        if progress is not None:
            progress(done, len(answers))
    return written
