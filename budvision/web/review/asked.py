"""What a request asks for, checked."""

from __future__ import annotations

from flask import request

from budvision.errors import InputError
from budvision.store.queries.calls import NewCall
from budvision.vocabulary import CallValue, Cause, Tissue
from budvision.workflow.review.queue import Choice

__all__ = ["MAX_NOTE", "asked_calls", "asked_choice", "tissue_named"]

MAX_NOTE = 2000
"""Longest note kept with a call, in characters."""


def asked_choice() -> Choice:
    """Return order, show and reading from the address."""
    ask = request.args
    return Choice(
        order=ask.get("order", "cane"), show=ask.get("show", "waiting"),
        reading=ask.get("reading", "first"),
    )


def tissue_named(name: object) -> Tissue:
    """Return the tissue of that name, or raise InputError."""
    try:
        return Tissue(str(name))
    except ValueError:
        raise InputError(f"the tissue is {name!r}", where="review",
                         expected="primary, secondary or tertiary") from None


def asked_calls(given: object) -> dict[Tissue, NewCall]:
    """Return the calls of a request.

    Parameters
    ----------
    given : object
        Tissue to ``{"value", "cause", "note"}``, from JSON.

    Raises
    ------
    InputError
        When a tissue, value or cause is unknown, or a note too long.
    """
    if not isinstance(given, dict) or not given:
        raise InputError("no tissue is called", expected="a call for at least one tissue",
                         where="review", do="Call a tissue, then save.")
    calls: dict[Tissue, NewCall] = {}
    for name, one in given.items():
        tissue = tissue_named(name)
        if not isinstance(one, dict):
            raise InputError(f"{name} is {one!r}", expected="a call", where="review")
        try:
            value = CallValue(str(one.get("value")))
            cause = Cause(str(one["cause"])) if one.get("cause") else None
        except ValueError as error:
            raise InputError(
                f"{name}: {error}", where="review",
                expected=f"one of {', '.join(CallValue)}; cause one of {', '.join(Cause)}",
            ) from None
        note = str(one.get("note") or "").strip()
        if len(note) > MAX_NOTE:
            raise InputError(f"the note on the {name} has {len(note)} characters",
                             expected=f"at most {MAX_NOTE}", where="review", do="Shorten it.")
        calls[tissue] = NewCall(value, cause, note)
    return calls
