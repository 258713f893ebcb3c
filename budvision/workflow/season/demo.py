"""The demo: a season made from the sample photographs, four blocks called, two canes waiting."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from budvision.errors import NotFoundError, SeasonError
from budvision.settings import samples_folder
from budvision.store.queries import blocks, people
from budvision.store.session import Season
from budvision.workflow.intake.intake import IntakeReport, intake
from budvision.workflow.intake.propose import ProposeReport, propose_waiting
from budvision.workflow.review.calls_table import ImportReport, import_calls
from budvision.workflow.review.trial import decide, trial
from budvision.workflow.season.change import change_settings

__all__ = ["REVIEWER", "SAMPLING", "DemoReport", "build_demo"]

SITE = "Orun Valley Growers"
SAMPLING = "2026-02-cold-night"
COLLECTED_AT = "2026-02-09T09:00:00+05:00"
REVIEWER = "Dana Iskar"
TECHNICIAN = "Timur Belek"
CANE_BASE = "left"
"""Side on which the cane base lies in every one of `sample_images`."""
BLOCK_FACTS: dict[str, dict[str, object]] = {
    "Apricot Terrace": {
        "cultivar": "Rkatsiteli", "cultivar_class": "vinifera", "normal_nodes": 40.0,
        "training_system": "canes", "row_spacing_m": 2.5, "vine_spacing_m": 1.5},
    "Mill Row": {
        "cultivar": "Saperavi", "cultivar_class": "vinifera", "normal_nodes": 40.0,
        "training_system": "canes", "row_spacing_m": 2.5, "vine_spacing_m": 1.5},
    "Long Slope": {
        "cultivar": "Aligoté", "cultivar_class": "vinifera", "normal_nodes": 36.0,
        "training_system": "canes", "row_spacing_m": 2.8, "vine_spacing_m": 1.6},
    "River Flat": {
        "cultivar": "Bayan Shirey", "cultivar_class": "vinifera", "normal_nodes": 36.0,
        "training_system": "spurs", "row_spacing_m": 2.8, "vine_spacing_m": 1.8},
}
"""Facts of the invented blocks: one hardly hurt, one at the edge of two bands, one with a frost
hollow, one past saving."""

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True)
class DemoReport:
    """What the demo did; `created` is False where the season was there already."""

    folder: Path
    created: bool
    taken: IntakeReport
    proposed: ProposeReport
    calls: ImportReport


def build_demo(
    folder: Path, *, on_intake: Progress | None = None, on_propose: Progress | None = None
) -> DemoReport:
    """Make the demo season, or complete the one that is there; nothing is lost by running twice.

    Parameters
    ----------
    folder : Path
        Season folder; made where missing.
    on_intake, on_propose : callable, optional
        Told of each photograph: number done, number in all, file name.

    Raises
    ------
    SeasonError
        When the folder is a season that holds other blocks than the demo's.
    NotFoundError
        When the sample photographs are not beside the package.
    """
    samples = samples_folder()
    manifest = samples / "manifest.csv"
    if not manifest.exists():
        raise NotFoundError(
            "sample_images has no manifest.csv", where=str(samples),
            expected="the sample photographs of the repository", do="Clone the repository again.")
    created = not (folder / "budvision.toml").exists()
    with _made(folder) if created else Season.open(folder) as season:
        with season.write() as conn:
            strangers = {row.name for row in blocks.list_blocks(conn)} - set(BLOCK_FACTS)
            if strangers:
                raise SeasonError(
                    f"the season holds the block {sorted(strangers)[0]}", where=str(folder),
                    expected="a new folder or a demo season",
                    do="Name another folder: budvision demo FOLDER.")
            site = blocks.ensure_site(conn, SITE)
            for name, facts in BLOCK_FACTS.items():
                known = blocks.find_block(conn, name)
                block_id = known.id if known else blocks.ensure_block(conn, name, site_id=site)
                if not known:
                    blocks.update_block(conn, block_id, **facts)
        taken = intake(
            season, [], sampling=SAMPLING, manifest=manifest, collected_at=COLLECTED_AT,
            person=TECHNICIAN, progress=on_intake)
        proposed = propose_waiting(season, progress=on_propose)
        calls = import_calls(
            season, samples / "calls.csv", reviewer=REVIEWER, sampling=SAMPLING, create=True,
            blind=True)
        _let_proposals_be_seen(season)
    return DemoReport(folder, created, taken, proposed, calls)


def _let_proposals_be_seen(season: Season) -> None:
    """Decide, once, as the demo's reader: its calls were written down without the model."""
    with season.write() as conn:
        if not trial(season, conn).ready:
            return
        dana = people.ensure_person(conn, REVIEWER)
    decide(season, shown=True, person=dana, reason="The demo shows how proposals look.")


def _made(folder: Path) -> Season:
    """Make the season, with the samples' side of the cane base and a trial that they can pass."""
    season = Season.create(folder)
    change_settings(season, {"cane_base": CANE_BASE, "trial_again_buds": "8"})
    return season
