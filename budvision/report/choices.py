"""What can be done where no node count can be given, each way with its condition."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

__all__ = ["CHOICES", "Choice"]


@dataclass(frozen=True, slots=True)
class Choice:
    """Something that can be done, and when it is the thing to do."""

    when: str
    deed: str


CHOICES: Mapping[str, Choice] = MappingProxyType({
    "trunk": Choice(
        "Before anything else",
        "look for trunk injury: cut into trunks and cordons of a few vines, and look for brown "
        "under the bark. Above about half the buds dead, some trunks are likely hurt."),
    "delayed": Choice(
        "If pruning can wait",
        "delay it until bud break, then prune lightly to the wanted number of live nodes."),
    "double": Choice(
        "If it cannot all wait",
        "prune twice: leave long canes or spurs now, and shorten them after bud break or after "
        "the risk of frost has passed."),
    "minimal": Choice(
        "If more than half is dead and the trunks are sound",
        "prune minimally: take off only what is in the way, and cut back once it shows which "
        "nodes grow."),
    "renew": Choice(
        "If trunks or cordons are dead",
        "keep suckers from the base as new trunks and cordons."),
})
"""Ways on when no node count can be given, each with its condition."""
