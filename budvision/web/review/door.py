"""The door of the review pages: nobody looks at a bud before giving a name."""

from __future__ import annotations

from flask import Blueprint
from flask.typing import ResponseReturnValue

from budvision.web.people import ask_who, current_person

__all__ = ["blueprint"]

blueprint = Blueprint("review", __name__, url_prefix="/review")


@blueprint.before_request
def _name_first() -> ResponseReturnValue | None:
    """Ask for the reviewer's name before anything is shown."""
    return ask_who() if current_person() is None else None
