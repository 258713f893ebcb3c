"""That nobody has called a bud yet, said in one place: for commands, for pages and for paper."""

from __future__ import annotations

from budvision.errors import NothingToDoError
from budvision.language import say

__all__ = ["uncalled", "uncalled_words"]


def uncalled_words() -> str:
    """Return it as a sentence of pages and paper, of the sampling that they show."""
    return say("Nobody has called a bud of this sampling yet.")


def uncalled(sampling: str | None, *, where: str) -> NothingToDoError:
    """Return it as an error, for a command to raise or to tell.

    Parameters
    ----------
    sampling : str or None
        Label of the sampling that was asked for; None for each block's newest.
    where : str
        The command.
    """
    return NothingToDoError(
        "nobody has called a bud of the newest sampling yet" if sampling is None
        else f"nobody has called a bud of sampling {sampling} yet", where=where,
        expected="at least one confirmed call",
        do="Confirm buds on the review page (`budvision serve`) or with `budvision calls import`, "
           "or name another sampling.")
