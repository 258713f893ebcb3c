"""What pruning keeps of a cane by the block's training system: spurs of 1 to 2, canes of 1 to n."""

from __future__ import annotations

import re
from dataclasses import dataclass

from budvision.errors import InputError

__all__ = ["Training", "check_training", "read_training"]

_USUAL = {"spur": 2, "cane": 10}
_MOST = 40
_EXPECTED = 'spurs or canes, with the nodes that pruning keeps on each, as "spurs of 2"'


@dataclass(frozen=True, slots=True)
class Training:
    """How a block is pruned: to spurs or to canes, and the nodes kept on each."""

    kind: str
    nodes: int


def read_training(text: str) -> Training | None:
    """Return what a block's training system says of pruning; None where it says nothing.

    Parameters
    ----------
    text : str
        "spurs", "canes", "spurs of 3", "cane 12"; other words may stand beside them.

    Notes
    -----
    Spurs keep two nodes where no number is given (A. Klodd, University of Minnesota 2022: two or
    three), canes ten (West Virginia Dept. of Agriculture, p. 14).
    """
    kinds = [kind for kind in _USUAL if kind in text.casefold()]
    numbers = re.findall(r"\d+", text)
    if len(kinds) != 1 or len(numbers) > 1:
        return None
    nodes = int(numbers[0]) if numbers else _USUAL[kinds[0]]
    return Training(kinds[0], nodes) if 1 <= nodes <= _MOST else None


def check_training(text: str, *, where: str) -> None:
    """Refuse a training system from which it cannot be read what pruning keeps.

    Parameters
    ----------
    text : str
        Empty for not known.
    where : str
        Named in the error.

    Raises
    ------
    InputError
        When it names neither spurs nor canes, or both, or an impossible number of nodes.
    """
    if text and read_training(text) is None:
        raise InputError(f'the training system is "{text}"', expected=_EXPECTED, where=where,
                         do="Name it in one of these ways; the answer counts those nodes only.")
