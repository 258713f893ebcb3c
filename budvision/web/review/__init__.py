"""The review pages: a person confirms or corrects every call, one bud at a time."""

from __future__ import annotations

from flask import Blueprint
from flask.typing import ResponseReturnValue

from budvision.web.people import ask_who, current_person

__all__ = ["blueprint", "navigation"]

blueprint = Blueprint("review", __name__, url_prefix="/review")
navigation = ("Review", "review.overview")


@blueprint.before_request
def _name_first() -> ResponseReturnValue | None:
    """Ask for the reviewer's name before anything is shown."""
    return ask_who() if current_person() is None else None


from budvision.web.review import api, pages, pictures, regions  # noqa: E402, F401  (the routes)
