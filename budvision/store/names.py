"""Names that people give to sites, blocks, samplings, canes and vines, and to themselves."""

from __future__ import annotations

from unicodedata import normalize

from budvision.errors import InputError

__all__ = ["clean_label", "name_key"]


def name_key(name: str) -> str:
    """Return what two spellings of one name have in common, in every script.

    Parameters
    ----------
    name : str
        A name as it was written.

    Returns
    -------
    str
        With single spaces, letters folded and composed: canonical caseless matching, definition
        D145 of the Unicode Standard, section 3.13.

    Examples
    --------
    >>> name_key("  ÉLISE Droz") == name_key("e\u0301lise droz")
    True
    """
    return normalize("NFC", normalize("NFD", " ".join(name.split())).casefold())


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
