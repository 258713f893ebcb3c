"""Errors as pages and as JSON, in the one form of `budvision.errors`."""

from __future__ import annotations

import logging
from dataclasses import dataclass

from flask import Flask, current_app, jsonify, render_template, request
from flask.typing import ResponseReturnValue
from flask_wtf.csrf import CSRFError
from werkzeug.exceptions import HTTPException, SecurityError

from budvision import errors as kinds
from budvision.errors import BudvisionError
from budvision.language import mark, told, told_parts
from budvision.web.observed import note_mistake, request_number

__all__ = ["install", "wants_json"]

_log = logging.getLogger("budvision.web")

_STATUS: tuple[tuple[type[BudvisionError], int], ...] = (
    (kinds.NotFoundError, 404),
    (kinds.ConflictError, 409),
    (kinds.WaitingError, 409),
    (kinds.NothingToDoError, 409),
    (kinds.StorageError, 507),
    (kinds.SeasonError, 500),
    (kinds.MissingLibraryError, 500),
)
_HTTP = {
    400: (mark("the request cannot be understood"), mark("Go back and try again.")),
    401: (mark("nobody has said who is asking"), mark("Give your name, then try again.")),
    403: (mark("this is not open to you"), mark("Ask the program lead.")),
    404: (mark("there is no such page"), mark("Start again from the navigation above.")),
    405: (mark("this address does not take such a request"),
          mark("Start again from the navigation above.")),
    413: (mark("what was sent is larger than the page accepts"),
          mark("Raise max_upload_mb in budvision.toml, or send fewer photographs at once.")),
    429: (mark("too many attempts in a short time"), mark("Wait a minute, then try again.")),
}


def wants_json() -> bool:
    """Say whether the request comes from a script: it sends JSON or asks for it."""
    accepts = request.accept_mimetypes
    return request.is_json or accepts.best_match(["text/html", "application/json"]) == (
        "application/json"
    )


def install(app: Flask) -> None:
    """Register the handlers on the application."""
    app.register_error_handler(BudvisionError, _ours)
    app.register_error_handler(CSRFError, _token)
    app.register_error_handler(HTTPException, _http)
    app.register_error_handler(Exception, _unexpected)


@dataclass(frozen=True, slots=True)
class ErrorPage:
    """What could not be done, and the answer's number."""

    text: str
    status: int


def _answer(body: dict[str, object], text: str, status: int) -> ResponseReturnValue:
    if wants_json():
        return jsonify(body), status
    if isinstance(request.routing_exception, SecurityError):  # no address can be built for it
        return f"{text}\n", status, {"Content-Type": "text/plain; charset=utf-8"}
    return render_template("error.html", page=ErrorPage(text, status)), status


def _ours(error: BudvisionError) -> ResponseReturnValue:
    status = next((code for kind, code in _STATUS if isinstance(error, kind)), 400)
    return _answer(told_parts(error), told(error), status)


def _token(_: CSRFError) -> ResponseReturnValue:
    error = BudvisionError(
        "the page is older than your visit", do="Load the page again, then repeat the last step.",
        code="old_page",
    )
    return _answer(told_parts(error), told(error), 400)


def _http(error: HTTPException) -> ResponseReturnValue:
    if error.response is not None:
        return error
    status = error.code or 500
    if isinstance(error, SecurityError):
        ours = BudvisionError(
            f"the host name {request.environ.get('HTTP_HOST', '')!r} is not served here",
            do="Use the address that `budvision serve` printed, or add --name.", code="bad_host",
        )
        return _answer(told_parts(ours), told(ours), status)
    what, do = _HTTP.get(status, (error.name.lower(), ""))
    ours = BudvisionError(what, do=do, where=request.path, code=f"http_{status}")
    return _answer(told_parts(ours), told(ours), status)


def _unexpected(error: Exception) -> ResponseReturnValue:
    if current_app.testing:
        raise error
    number = request_number()
    note_mistake(error)
    _log.error("unexpected error %s at %s %s", number, request.method, request.path,
               exc_info=error)
    ours = BudvisionError(
        f"something unexpected happened; it was logged as number {number}",
        do="Try again; if it happens again, send the number and the log to the maintainers.",
        code="unexpected",
    )
    return _answer({**told_parts(ours), "number": number}, told(ours), 500)
