"""Say what is in a season and what waits for a person."""

from __future__ import annotations

from dataclasses import dataclass

from budvision.errors import BudvisionError
from budvision.language import say
from budvision.store.queries import blocks, models, overview
from budvision.store.session import Season
from budvision.workflow.season.remind import backup_reminder

__all__ = ["SamplingStatus", "SeasonStatus", "season_name", "status"]


def season_name(season: Season) -> str:
    """Return what stands at the head of pages: the lab, else the sites, else the folder.

    A database that does not answer is told of elsewhere.
    """
    if season.settings.lab:
        return season.settings.lab
    try:
        with season.read() as conn:
            return ", ".join(blocks.list_sites(conn)) or season.folder.name
    except BudvisionError:
        return season.folder.name


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplingStatus:
    """How far one sampling is.

    `n_called` buds have all tissues called, `n_waiting` not yet; `n_skipped` were put aside in the
    review, `n_missing` are marked missing or blind.
    """

    block: str
    sampling: str
    n_canes: int
    n_buds: int
    n_photos: int
    n_called: int
    n_waiting: int
    n_skipped: int
    n_missing: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonStatus:
    """What a season holds and what waits.

    `backup` says that one is due, `fault` what is wrong between database and folder; both '' where
    nothing is to be said.
    """

    folder: str
    model: str
    counts: overview.SeasonCounts
    samplings: tuple[SamplingStatus, ...]
    backup: str = ""
    fault: str = ""

    def as_dict(self) -> dict[str, object]:
        """Return the status as JSON has it."""
        counts = self.counts
        return {
            "folder": self.folder, "model": self.model, "n_blocks": counts.n_blocks,
            "n_samplings": counts.n_samplings, "n_buds": counts.n_buds,
            "n_photos": counts.n_photos, "n_unassigned": counts.n_unassigned,
            "n_without_proposal": counts.n_without_proposal, "n_calls": counts.n_calls,
            "n_people": counts.n_people, "n_models": counts.n_models,
            "backup": self.backup, "fault": self.fault,
            "samplings": [
                {name: getattr(one, name) for name in SamplingStatus.__slots__}
                for one in self.samplings
            ],
        }


def status(season: Season) -> SeasonStatus:
    """Say what is in a season and what waits for a person."""
    with season.read() as conn:
        sizes = overview.sampling_counts(conn)
        promoted = models.current_model(conn)
        counts = overview.count_rows(conn)
    return SeasonStatus(
        folder=str(season.folder), model=promoted.name if promoted else say("the default model"),
        counts=counts,
        samplings=tuple(
            SamplingStatus(
                block=s.block, sampling=s.sampling, n_canes=s.n_canes, n_buds=s.n_buds,
                n_photos=s.n_photos, n_called=s.n_called + s.n_called_missing,
                n_waiting=s.n_buds - s.n_called - s.n_missing - s.n_skipped,
                n_skipped=s.n_skipped,
                n_missing=s.n_missing - s.n_called_missing)
            for s in sizes
        ),
        backup=backup_reminder(season),
        fault=season.fault,
    )
