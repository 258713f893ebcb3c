"""Names that people give to sites, blocks, samplings, canes and vines."""

from __future__ import annotations

from budvision.errors import InputError

__all__ = ["clean_label"]


def clean_label(value: str, what: str, *, limit: int = 120, empty: bool = False) -> str:
    """Return a name with single spaces and no ends.

    Parameters
    ----------
    value : str
        The name as it was written.
    what : str
        What it names, for the error: "block".
    limit : int
        Most characters.
    empty : bool
        Whether the name may be left out.

    Raises
    ------
    InputError
        When it is empty, too long or holds characters that cannot be printed.
    """
    clean = " ".join(value.split())
    if len(clean) > limit or not clean.isprintable() or (not clean and not empty):
        raise InputError(
            f"the {what} is {value[: limit + 10]!r}", where=what,
            expected=f"{0 if empty else 1} to {limit} printable characters",
            do="Correct the name.",
        )
    return clean
