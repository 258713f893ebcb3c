"""A pattern by which a newcomer's own file names may be read: offered, never used unasked."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from budvision.errors import InputError
from budvision.workflow.intake.manifest import Found, from_names

__all__ = ["suggest_pattern"]

_BY_LETTER = {"c": "cane", "cane": "cane", "n": "node", "node": "node", "v": "vine",
              "vine": "vine", "k": "cut", "cut": "cut"}
_IN_ORDER = (("vine", "cane", "node", "cut"), ("cane", "node", "cut"), ("cane", "node"))
_MOST_CUTS = 5


def suggest_pattern(files: tuple[Path, ...], *, block: str = "") -> str:
    """Return a pattern by which every one of the names can be read, '' where none is found.

    Letters before a number say what it is (``c3`` a cane, ``n5`` a node); otherwise the last
    numbers are cane and node, or cane, node and cut where the last is never above five. It is
    offered to a person, who sees what it makes of each name before anything is taken in.

    Parameters
    ----------
    block : str
        The block of every photograph, where the names do not say.

    Examples
    --------
    >>> suggest_pattern((Path("Upper Creek-3-4.jpg"), Path("Long Row-12-1.jpg")))
    '<block>-<cane>-<node>'
    """
    if not files:
        return ""
    found = Found(files, (), 0)
    for pattern in _candidates(files[0].stem, block):
        try:
            placed, wrong = from_names(found, pattern, block=block)
        except InputError:
            continue
        if placed and not wrong and max(one.cut for one in placed) <= _MOST_CUTS:
            return pattern
    return ""


def _candidates(name: str, block: str) -> Iterator[str]:
    """Yield the patterns that a name may be of: first as its letters say, then by order."""
    pieces = re.split(r"([0-9]+)", name)              # words at even places, numbers between them
    words, n = pieces[::2], len(pieces) // 2
    hints = [_BY_LETTER.get(re.split(r"[^a-z]+", word.lower())[-1], "") for word in words[:n]]
    for parts in ([hint for hint in hints if hint], *_IN_ORDER):
        if not 0 < len(parts) <= n:
            continue
        if parts == [hint for hint in hints if hint] and parts != hints[n - len(parts):]:
            continue
        head = "".join(pieces[:2 * (n - len(parts)) + 1])
        if not block:                                 # up to the last mark before the numbers
            mark = re.search(r"[\W_]+[^\W_]*$", head)
            head = f"<block>{mark.group() if mark else ''}"
        rest = "".join(f"<{part}>{word}" for part, word in
                       zip(parts, words[n - len(parts) + 1:], strict=True))
        yield head + rest
