"""What pruning keeps of a cane by the block's training system: spurs of 1 to 2, canes of 1 to n.

Beside it, what published sources say of the fruit of the basal nodes, by cultivar class.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from budvision.errors import InputError
from budvision.language import say

__all__ = ["BASAL_FRUIT", "BasalFruit", "Training", "check_training", "read_training"]

_USUAL = {"spur": 2, "cane": 10}
_MOST = 40
_EXPECTED = 'spurs or canes, with the nodes that pruning keeps on each, as "spurs of 2"'


@dataclass(frozen=True, slots=True)
class Training:
    """How a block is pruned: to spurs or to canes, and the nodes kept on each."""

    kind: str
    nodes: int

    @property
    def kept(self) -> str:
        """The nodes that pruning keeps, counted from the base, in words."""
        return say("node 1") if self.nodes == 1 else say("nodes 1 to {n}", n=self.nodes)

    def __str__(self) -> str:
        """Return the training system in words that `read_training` reads."""
        return f"{self.kind}s of {self.nodes}"


@dataclass(frozen=True, slots=True)
class BasalFruit:
    """What is published of the fruit of a class's basal nodes."""

    words: str
    source: str


BASAL_FRUIT: Mapping[str, BasalFruit] = MappingProxyType({
    "labruscana": BasalFruit(
        "Most of the crop came from nodes 3 to 6 in Concord and 2 to 6 in Niagara, whatever the "
        "cane's length; canes bore more than 2-node spurs in two of five years.",
        "Badr, Hoffman and Bates 2018, Am. J. Enol. Vitic. 69:386-393"),
    "norton": BasalFruit(
        "Basal buds below the first counted node bear nothing.",
        "Missouri Vinews 2023 no. 1 and 2020 no. 5"),
    "vinifera": BasalFruit(
        "Sources differ: the first nodes serve for short spurs, but in cool climates those of many "
        "cultivars bear too little for spurs, and the basal bud is often barren.",
        "M. Smith, Ohio State University 2023; R. Smart, Practical Winery, July 2013; eXtension "
        "glossary"),
    "french_hybrid": BasalFruit(
        "The first nodes bear more than in American cultivars, so short spurs serve, and basal "
        "buds can bear as well.",
        "M. Smith, Ohio State University 2023; eXtension glossary"),
})
"""By cultivar class of `budvision.vineyard.potential`; no source gives one for "usual"."""


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
