"""Paper of a plan, as PDFs by file name."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from budvision.errors import StorageError, UsageError
from budvision.files import write_whole
from budvision.language import plain_count, say
from budvision.report.bench_paper import (
    StopLine,
    bench_tally_pdf,
    cane_tags_pdf,
    photo_cards_pdf,
    plan_tags,
    walking_sheet_pdf,
)
from budvision.settings import Settings
from budvision.vineyard.sample_plan import SamplePlan
from budvision.workflow.sampling.decide import band_share_words, only_kept_words, plan_looks

__all__ = ["PAPER_KINDS", "bench_paper", "photo_cards", "write_paper"]

PAPER_KINDS = ("card", "walk", "tags", "tally", "counts")
"""Photo cards, walking sheet, cane tags, and the bench tally with a box a bud or a row a cane."""


def photo_cards(*, paper: str = "a4") -> bytes:
    """Return a page of photo cards as a PDF."""
    return photo_cards_pdf(paper=paper)


def bench_paper(
    plan: SamplePlan, *, kinds: Sequence[str], paper: str = "a4", tag: str = "cut",
    settings: Settings | None = None, folder: Path | None = None,
) -> dict[str, bytes]:
    """Set the paper of a plan.

    Parameters
    ----------
    kinds : sequence of str
        Of `PAPER_KINDS`, in any number.
    paper, tag : str
        Page size and tag size.
    settings : Settings, optional
        The season's: hours in water, and the policy of the stopping rule.
    folder : Path, optional
        Season folder, for policies of its own.

    Returns
    -------
    dict of str to bytes
        PDFs by file name.

    Raises
    ------
    UsageError
        When a kind or size is unknown.
    """
    made: dict[str, bytes] = {}
    for kind in kinds:
        if kind == "card":
            made["photo-cards.pdf"] = photo_cards(paper=paper)
        elif kind == "walk":
            made["walking-sheet.pdf"] = walking_sheet_pdf(
                plan, paper=paper, soak_h=(settings or Settings()).soak_h)
        elif kind == "tags":
            made["cane-tags.pdf"] = cane_tags_pdf(
                plan_tags(plan), block=plan.block, sampling=plan.sampling, key=plan.key, size=tag,
                paper=paper)
        elif kind in ("tally", "counts"):
            policy, looks = plan_looks(plan, settings, folder=folder)
            stops = [look for look in looks if any(look.dead)]
            made[f"bench-{kind}.pdf"] = bench_tally_pdf(
                plan, paper=paper, counts=kind == "counts",
                stop_bands=[band_share_words(band) for band in policy.bands],
                stops=[StopLine(look.units, look.dead) for look in stops[::len(stops) // 16 + 1]],
                stop_words=" ".join(filter(None, [
                    say("In a range you may stop, the block lies in that band; outside go on."),
                    only_kept_words(plan)])))
        else:
            raise UsageError(f"the paper is {kind!r}", expected=", ".join(PAPER_KINDS))
    return made


def write_paper(made: Mapping[str, bytes], out: Path) -> list[Path]:
    """Write PDFs: one to `out` itself where it ends in .pdf, several into the folder `out`.

    Raises
    ------
    StorageError
        When a file cannot be written.
    """
    if out.suffix.lower() == ".pdf":
        if len(made) > 1:
            raise UsageError(f"{plain_count(len(made), 'paper')} do not fit "
                             f"into one file {out.name}",
                             expected="a folder", where="paper", do="Name a folder with --out.")
        targets = {out: next(iter(made.values()))}
    else:
        targets = {out / name: data for name, data in made.items()}
    for path, data in targets.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(path, data)
        except OSError as error:
            raise StorageError(f"it cannot be written ({error.strerror})", where=str(path),
                               do="Choose another place.") from error
    return list(targets)
