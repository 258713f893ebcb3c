"""Pictures of cuts: the face, a part at full resolution, the browned area of one tissue."""

from __future__ import annotations

from typing import cast

from flask import current_app, request
from flask.typing import ResponseReturnValue
from flask.wrappers import Response

from budvision.errors import InputError, NotFoundError
from budvision.store.queries.photos import PhotoRow, photo_by_id
from budvision.store.queries.proposals import Region, current_region
from budvision.web.current import current_season
from budvision.web.guard import CACHE_FOLDER
from budvision.web.review.asked import tissue_named
from budvision.web.review.door import blueprint
from budvision.workflow.review.pictures import PictureRoom, View, face_box

__all__ = ["picture_room"]

_KEY = "budvision.pictures"


def picture_room() -> PictureRoom:
    """Return the application's maker of pictures."""
    if _KEY not in current_app.extensions:
        season = current_season()
        current_app.extensions[_KEY] = PictureRoom(
            season.photos, season.folder / CACHE_FOLDER / "pictures"
        )
    return cast(PictureRoom, current_app.extensions[_KEY])


def _cut(photo_id: int) -> tuple[PhotoRow, Region | None]:
    with current_season().read() as conn:
        return photo_by_id(conn, photo_id), current_region(conn, photo_id)


def _jpeg(data: bytes, *, seconds: int) -> Response:
    answer = Response(data, mimetype="image/jpeg")
    answer.headers["Cache-Control"] = f"private, max-age={seconds}"
    return answer


@blueprint.get("/cut/<int:photo_id>/face/<int:side_px>.jpg")
def face(photo_id: int, side_px: int) -> ResponseReturnValue:
    """Show the cut face, reduced."""
    photo, region = _cut(photo_id)
    box = face_box(region, photo.height_px, photo.width_px)
    view = View(photo.sha256, box, side_px, balanced=request.args.get("tone") == "even")
    return _jpeg(picture_room().kept(view, region), seconds=86400)


@blueprint.get("/cut/<int:photo_id>/part.jpg")
def part(photo_id: int) -> ResponseReturnValue:
    """Show a part of the photograph, up to full resolution."""
    photo, region = _cut(photo_id)
    try:
        row0, col0, row1, col1 = (int(edge) for edge in request.args["box"].split(","))
        side_px = int(request.args.get("side", "1200"))
    except (KeyError, ValueError):
        raise InputError(
            "the part is not understood", where="picture",
            expected="box=row0,col0,row1,col1 and side=pixels, whole numbers",
        ) from None
    view = View(photo.sha256, (row0, col0, row1, col1), side_px,
                balanced=request.args.get("tone") == "even")
    return _jpeg(picture_room().made(view, region), seconds=600)


@blueprint.get("/cut/<int:photo_id>/why/<tissue>.jpg")
def why(photo_id: int, tissue: str) -> ResponseReturnValue:
    """Show one tissue with its browned area hatched."""
    photo, region = _cut(photo_id)
    if region is None:
        raise NotFoundError("this photograph has no outlines", where=photo.file_name,
                            do="Run `budvision propose` in the season, or draw them.")
    return _jpeg(picture_room().browned(photo.sha256, region, tissue_named(tissue)),
                 seconds=86400)
