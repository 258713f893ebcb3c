"""How the server and its parts are, for the lead who looks after them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from flask import render_template
from flask.typing import ResponseReturnValue

from budvision.web.current import current_season
from budvision.web.observed import RouteTime, route_times
from budvision.web.season.door import blueprint
from budvision.workflow.season.health import Health, health

_MOST_ROUTES = 12


@dataclass(frozen=True, slots=True)
class HealthPage:
    """The parts of the season, and the slowest routes since the server began."""

    health: Health
    routes: tuple[RouteTime, ...]
    endless: float = math.inf


@blueprint.get("/health")
def health_page() -> ResponseReturnValue:
    """Show whether database, photographs, queue and backups are well."""
    return render_template("season/health.html", page=HealthPage(
        health(current_season()), route_times()[:_MOST_ROUTES]))
