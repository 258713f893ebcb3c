"""The blueprint of the results pages, and what several of them ask of a request."""

from __future__ import annotations

from base64 import b64encode

from flask import Blueprint, request, url_for

from budvision.report.words import check_units
from budvision.web.current import current_season

__all__ = ["blueprint", "sampling_label", "units_shown"]

blueprint = Blueprint("results", __name__, url_prefix="/results", template_folder="templates",
                      static_folder="static", static_url_path="/static")


def sampling_label() -> str | None:
    """Return the sampling's label in the address, None for the newest."""
    return request.args.get("sampling") or None


def units_shown() -> str:
    """Return the units in the address, else the season's."""
    units = request.args.get("units") or current_season().settings.units
    check_units(units, where="the page's address", do="Choose one of them on the page.")
    return units


@blueprint.app_template_global("results_style")
def results_style() -> str:
    """Return the address of the results pages' stylesheet."""
    return url_for("results.static", filename="results.css")


@blueprint.app_template_filter("base64")
def as_base64(text: str) -> str:
    """Return text as base64 of its UTF-8, for an address that holds the data itself."""
    return b64encode(text.encode()).decode()
