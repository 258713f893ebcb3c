"""What is said of the nodes that pruning keeps: as canes or spurs, and the fruit of the first."""

from __future__ import annotations

from budvision.language import say, say_n
from budvision.report.words import count, number
from budvision.vineyard.balanced import lay_out
from budvision.vineyard.training import BASAL_FRUIT, Training

__all__ = ["arrangement_words", "basal_words", "kept_words"]


def arrangement_words(retain: float | None, training: Training | None) -> str:
    """Return the nodes to retain as canes or spurs; empty where either is not known."""
    if training is None or retain is None:
        return ""
    plan = lay_out(retain, training.nodes)
    kind = count(plan.count, "cane") if training.kind == "cane" else count(plan.count, "spur")
    if plan.total == retain:
        return say_n("{retain} nodes are {canes} of {n} node.",
                     "{retain} nodes are {canes} of {n} nodes.", plan.each,
                     retain=number(retain), canes=kind)
    return say_n("{retain} nodes are about {canes} of {n} node, which make {total}.",
                 "{retain} nodes are about {canes} of {n} nodes, which make {total}.", plan.each,
                 retain=number(retain), canes=kind, total=plan.total)


def basal_words(cultivar_class: str) -> str:
    """Return what is published of the fruit of the basal nodes of a cultivar class."""
    known = BASAL_FRUIT.get(cultivar_class)
    return "" if known is None else say("Fruit of the nodes kept: {words} ({source}.)",
                                        words=say(known.words), source=known.source)


def kept_words(training: Training | None) -> str:
    """Return the nodes that pruning keeps, counted from the base; empty where not known."""
    if training is None:
        return ""
    return say("node 1") if training.nodes == 1 else say("nodes 1 to {n}", n=training.nodes)
