"""The blueprint of the season's pages, and its first page."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from budvision.store.queries.blocks import list_sites
from budvision.web.current import current_season
from budvision.workflow.season.status import SeasonStatus, status

__all__ = ["blueprint"]

blueprint = Blueprint("season", __name__, url_prefix="/season", template_folder="templates")


@dataclass(frozen=True, slots=True)
class HomePage:
    """What the season holds, and what comes next."""

    status: SeasonStatus
    sites: tuple[str, ...]
    side: str


@blueprint.get("/")
def home() -> ResponseReturnValue:
    """Show what the season holds and the way to its pages."""
    season = current_season()
    with season.read() as conn:
        sites = tuple(list_sites(conn))
    return render_template("season/home.html", page=HomePage(
        status(season), sites, season.settings.cane_base))
