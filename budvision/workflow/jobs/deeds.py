"""The deeds that can be asked for as long work; each may be done twice without harm."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from budvision.errors import BudvisionError, InputError
from budvision.language import plain_count
from budvision.store.session import Season
from budvision.workflow.archive.backup import backup
from budvision.workflow.archive.export import export_archive
from budvision.workflow.intake.intake import IntakeReport, intake
from budvision.workflow.intake.manifest import DEFAULT_PATTERN
from budvision.workflow.intake.propose import propose_waiting
from budvision.workflow.intake.tray import Tray
from budvision.workflow.learning.anew import propose_anew
from budvision.workflow.season.check import check

__all__ = ["DEEDS", "Deed", "Halted", "Outcome", "Progress"]

Progress = Callable[[str, int, int], None]
"""To be told the step, how much of it is done, and how much there is (0 where not known)."""
_PROCESSES = 1
"""The pages are to stay quick, and a server that is stopped is to leave no process behind."""
_STEPS = {"photographs": "looking at photographs", "fits": "comparing corrections"}
_MOST_FINDINGS = 12


class Halted(BaseException):
    """The work was cancelled or, where `again`, the program ends: no deed may go on after it."""

    def __init__(self, *, again: bool) -> None:
        super().__init__()
        self.again = again


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a deed: sentences, and the model that they are about."""

    text: str
    model: str = ""


@dataclass(frozen=True, slots=True)
class Deed:
    """A kind of long work: its title, and what does it with what was asked for."""

    title: str
    do: Callable[[Season, Mapping[str, Any], Progress], Outcome]


def _train(season: Season, _: Mapping[str, Any], tell: Progress) -> Outcome:
    from budvision.workflow.learning.train import train

    report = train(season, jobs=_PROCESSES, progress=lambda what, done, total: tell(
        _STEPS.get(what, what), done, total))
    return Outcome(f"{report.model} was trained. {report.metrics['why']} It proposes only once "
                   "promoted.", report.model)


def _look_again(season: Season, _: Mapping[str, Any], tell: Progress) -> Outcome:
    report = propose_anew(season, jobs=_PROCESSES, progress=lambda done, total, _: tell(
        _STEPS["photographs"], done, total))
    if not report.n_looked:
        return Outcome(f"Every bud that waits shows what {report.model} says.", report.model)
    gone = f" {report.trouble}" if report.trouble else ""
    return Outcome(
        f"{report.model} looked at {plain_count(report.n_looked, 'photograph')} of buds that wait: "
        f"{report.n_found} with proposals, {report.n_refused} that cannot be judged.{gone} "
        "The proposals before are kept, and what people called is untouched.", report.model)


def _take_in(season: Season, given: Mapping[str, Any], tell: Progress) -> Outcome:
    away = Tray.set_aside(season, int(given["person_id"]), str(given["tray"]))
    message = "These photographs were taken in already."
    if away.folder.is_dir():
        asked = away.asked
        try:
            report = intake(
                season, [away.photographs], sampling=asked.sampling, manifest=away.manifest,
                pattern=asked.pattern or DEFAULT_PATTERN, block=asked.block,
                collected_at=asked.collected or None, person=str(given["person"]),
                within=away.photographs, move=asked.move == "yes", columns=asked.chosen,
                progress=lambda done, total, _: tell("taking in", done, total))
        except (Exception, Halted) as error:
            if not (isinstance(error, Halted) and error.again):
                away.put_back()
            raise
        away.clear()
        message = _taken_in(report)
    try:
        proposed = propose_waiting(season, progress=lambda done, total, _: tell(
            _STEPS["photographs"], done, total))
    except BudvisionError as error:
        return Outcome(f"{message} They wait for proposals: {error}")
    return Outcome(
        f"{message} {proposed.model} looked at {proposed.n_looked}: {proposed.n_found} with "
        f"proposals, {proposed.n_refused} that cannot be judged. {proposed.trouble} "
        "Proposals are not calls: confirm each in the review.", proposed.model)


def _taken_in(report: IntakeReport) -> str:
    """Return what an intake did, each refusal with its reason."""
    words = [(report.count("new"), "new"), (report.count("known"), "there already"),
             (report.count("placed"), "given a place"), (report.count("moved"), "moved"),
             (len(report.refused), "refused")]
    counts = ", ".join(f"{n} {word}" for n, word in words if n) or "nothing to do"
    refused = [str(one.error) for one in report.refused[:8]]
    more = [f"And {len(report.refused) - 8} more."] if len(report.refused) > 8 else []
    return " ".join([f"Sampling {report.sampling}: {counts}.", *refused, *more, *report.remarks])


def _check(season: Season, _: Mapping[str, Any], tell: Progress) -> Outcome:
    report = check(season, progress=lambda done, total, _: tell("photographs", done, total))
    findings = [f"{one.where}: {one.what}. {one.do}" for one in report.findings]
    more = len(findings) - _MOST_FINDINGS
    text = f"{plain_count(report.n_photos, 'photograph')} and every row were verified. " + (
        "The season is sound." if report.ok else "Something is to be put right:")
    if more > 0:
        findings = [*findings[:_MOST_FINDINGS], f"And {more} more; `budvision check` lists all."]
    if not report.ok:
        raise BudvisionError(" ".join([text, *findings]), code="unsound")
    return Outcome(" ".join([text, *findings]))


def _backup(season: Season, given: Mapping[str, Any], tell: Progress) -> Outcome:
    report = backup(season, _folder(given),
                    progress=lambda done, total, _: tell("photographs", done, total))
    mended = f" {report.n_repaired} damaged copies were mended." if report.n_repaired else ""
    return Outcome(f"Backup {report.generation} in {report.folder} is verified: "
                   f"{plain_count(report.n_photos, 'photograph')}, {report.n_new} of them "
                   f"new.{mended}"
                   + _missing(report.missing) + f" {report.caution}".rstrip())


def _archive(season: Season, given: Mapping[str, Any], tell: Progress) -> Outcome:
    whole = bool(given.get("whole"))
    report = export_archive(season, _folder(given), whole=whole, progress=tell)
    private = "" if whole else (
        f" Private metadata was taken out of {plain_count(report.n_cleaned, 'photograph')}, and "
        "people stand under pseudonyms.")
    return Outcome(f"{report.folder} holds {plain_count(report.n_photos, 'photograph')} "
                   f"({report.n_new} new) and {plain_count(report.n_calls, 'call')}.{private}"
                   + _missing(report.missing))


def _folder(given: Mapping[str, Any]) -> Path:
    folder = Path(str(given.get("folder", ""))).expanduser()
    if not folder.is_absolute():
        raise InputError(f"the folder is {str(folder)[:90]!r}", where="jobs",
                         expected="its whole path, for example /media/usb/winter",
                         do="Name it; nothing was written.")
    return folder


def _missing(hashes: tuple[str, ...]) -> str:
    if not hashes:
        return ""
    return f" Missing from the season: {plain_count(len(hashes), 'photograph')}. Check it."


DEEDS: Mapping[str, Deed] = {
    "train": Deed("Training on the season's calls", _train),
    "look-again": Deed("Proposing anew for the buds that wait", _look_again),
    "intake": Deed("Taking photographs in", _take_in),
    "check": Deed("Checking the season", _check),
    "backup": Deed("Backing the season up", _backup),
    "archive": Deed("Exporting the archive", _archive),
}
"""What can be asked for, by name."""
