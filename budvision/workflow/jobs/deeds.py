"""The deeds that can be asked for as long work; each may be done twice without harm."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from budvision.errors import BudvisionError, InputError
from budvision.language import mark, say, say_n, told_text
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
_STEPS = {"photographs": mark("looking at photographs"), "fits": mark("comparing corrections")}
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
    """A kind of long work: its title, to be said, and what does it with what was asked for."""

    title: str
    do: Callable[[Season, Mapping[str, Any], Progress], Outcome]


def _train(season: Season, _: Mapping[str, Any], tell: Progress) -> Outcome:
    from budvision.workflow.learning.train import train

    report = train(season, jobs=_PROCESSES, progress=lambda what, done, total: tell(
        say(_STEPS.get(what, what)), done, total))
    return Outcome(say("{model} was trained. {why} It proposes only once promoted.",
                       model=report.model, why=report.metrics["why"]), report.model)


def _look_again(season: Season, _: Mapping[str, Any], tell: Progress) -> Outcome:
    report = propose_anew(season, jobs=_PROCESSES, progress=lambda done, total, _: tell(
        say(_STEPS["photographs"]), done, total))
    if not report.n_looked:
        return Outcome(say("Every bud that waits shows what {model} says.", model=report.model),
                       report.model)
    return Outcome(_sentences(
        say_n("{model} looked at {n} photograph of buds that wait: {found} with proposals, "
              "{refused} that cannot be judged.",
              "{model} looked at {n} photographs of buds that wait: {found} with proposals, "
              "{refused} that cannot be judged.", report.n_looked, model=report.model,
              found=report.n_found, refused=report.n_refused),
        report.trouble,
        say("The proposals before are kept, and what people called is untouched.")), report.model)


def _take_in(season: Season, given: Mapping[str, Any], tell: Progress) -> Outcome:
    away = Tray.set_aside(season, given.get("person_id"), str(given.get("tray", "")))
    message = say("These photographs were taken in already.")
    if away.folder.is_dir():
        asked = away.asked
        try:
            report = intake(
                season, [away.photographs], sampling=asked.sampling, manifest=away.manifest,
                pattern=asked.pattern or DEFAULT_PATTERN, block=asked.block,
                collected_at=asked.collected or None, person=str(given.get("person", "")),
                within=away.photographs, move=asked.move == "yes", columns=asked.chosen,
                progress=lambda done, total, _: tell(say("taking in"), done, total))
        except (Exception, Halted) as error:
            if not (isinstance(error, Halted) and error.again):
                away.put_back()
            raise
        away.clear()
        message = _taken_in(report)
    try:
        proposed = propose_waiting(season, progress=lambda done, total, _: tell(
            say(_STEPS["photographs"]), done, total))
    except BudvisionError as error:
        return Outcome(_sentences(message, say("They wait for proposals: {error}", error=error)))
    return Outcome(_sentences(
        message,
        say_n("{model} looked at {n} photograph: {found} with proposals, {refused} that cannot be "
              "judged.", "{model} looked at {n} photographs: {found} with proposals, {refused} "
              "that cannot be judged.", proposed.n_looked, model=proposed.model,
              found=proposed.n_found, refused=proposed.n_refused),
        proposed.trouble, say("Proposals are not calls: confirm each in the review.")),
        proposed.model)


def _sentences(*sentences: str) -> str:
    return " ".join(one.strip() for one in sentences if one.strip())


def _taken_in(report: IntakeReport) -> str:
    """Return what an intake did, each refusal with its reason."""
    words = [(report.count("new"), say("new")), (report.count("known"), say("there already")),
             (report.count("placed"), say("given a place")), (report.count("moved"), say("moved")),
             (len(report.refused), say("refused"))]
    counts = ", ".join(f"{n} {word}" for n, word in words if n) or say("nothing to do")
    refused = [str(one.error) for one in report.refused[:8]]
    more = [say("And {n} more.", n=len(report.refused) - 8)] if len(report.refused) > 8 else []
    return " ".join([say("Sampling {sampling}: {counts}.", sampling=report.sampling, counts=counts),
                     *refused, *more, *report.remarks])


def _check(season: Season, _: Mapping[str, Any], tell: Progress) -> Outcome:
    report = check(season, progress=lambda done, total, _: tell(say("photographs"), done, total))
    findings = [told_text(f"{one.where}: {one.what}. {one.do}") for one in report.findings]
    more = len(findings) - _MOST_FINDINGS
    if more > 0:
        findings = [*findings[:_MOST_FINDINGS],
                    say("And {n} more; `budvision check` lists all.", n=more)]
    text = _sentences(
        say_n("{n} photograph and every row were verified.",
              "{n} photographs and every row were verified.", report.n_verified),
        say("The season is sound.") if report.ok else say("Something is to be put right:"),
        *findings)
    if not report.ok:
        raise BudvisionError(text, code="unsound")
    return Outcome(text)


def _backup(season: Season, given: Mapping[str, Any], tell: Progress) -> Outcome:
    report = backup(season, _folder(given),
                    progress=lambda done, total, _: tell(say("photographs"), done, total))
    return Outcome(_sentences(
        say_n("Backup {generation} in {folder} is verified: {n} photograph, {new} of them new.",
              "Backup {generation} in {folder} is verified: {n} photographs, {new} of them new.",
              report.n_photos, generation=report.generation, folder=report.folder,
              new=report.n_new),
        say_n("{n} damaged copy was mended.", "{n} damaged copies were mended.",
              report.n_repaired) if report.n_repaired else "",
        _missing(report.missing), _models((*report.models, *report.files)),
        say(report.caution)))


def _archive(season: Season, given: Mapping[str, Any], tell: Progress) -> Outcome:
    whole = bool(given.get("whole"))
    report = export_archive(season, _folder(given), whole=whole, progress=tell)
    return Outcome(_sentences(
        say_n("{folder} holds {n} photograph ({new} new); calls: {calls}.",
              "{folder} holds {n} photographs ({new} new); calls: {calls}.", report.n_photos,
              folder=report.folder, new=report.n_new, calls=report.n_calls),
        "" if whole else say_n(
            "Private metadata was taken out of {n} photograph, and people stand under pseudonyms.",
            "Private metadata was taken out of {n} photographs, and people stand under "
            "pseudonyms.", report.n_cleaned),
        _missing(report.missing), _models(report.models)))


def _folder(given: Mapping[str, Any]) -> Path:
    folder = Path(str(given.get("folder", ""))).expanduser()
    if not folder.is_absolute():
        raise InputError(f"the folder is {str(folder)[:90]!r}", where="jobs",
                         expected="its whole path, for example /media/usb/winter",
                         do="Name it; nothing was written.")
    return folder


def _missing(hashes: tuple[str, ...]) -> str:
    return say_n("Missing or damaged in the season: {n} photograph. Check it.",
                 "Missing or damaged in the season: {n} photographs. Check it.",
                 len(hashes)) if hashes else ""


def _models(faulty: tuple[str, ...]) -> str:
    return say("Missing or damaged in the season: {models}. Check it.",
               models=", ".join(faulty)) if faulty else ""


DEEDS: Mapping[str, Deed] = {
    "train": Deed(mark("Training on the season's calls"), _train),
    "look-again": Deed(mark("Proposing anew for the buds that wait"), _look_again),
    "intake": Deed(mark("Taking photographs in"), _take_in),
    "check": Deed(mark("Checking the season"), _check),
    "backup": Deed(mark("Backing the season up"), _backup),
    "archive": Deed(mark("Exporting the archive"), _archive),
}
"""What can be asked for, by name."""
