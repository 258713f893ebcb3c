"""What is said of the nodes that pruning keeps: as canes or spurs, and the fruit of the first."""

from __future__ import annotations

from budvision.report.words import count, number
from budvision.vineyard.balanced import lay_out
from budvision.vineyard.training import BASAL_FRUIT, Training

__all__ = ["arrangement_words", "basal_words"]


def arrangement_words(retain: float | None, training: Training | None) -> str:
    """Return the nodes to retain as canes or spurs; empty where either is not known."""
    if training is None or retain is None:
        return ""
    plan = lay_out(retain, training.nodes)
    kind = count(plan.count, training.kind)
    if plan.total == retain:
        return f"{number(retain)} nodes are {kind} of {plan.each} nodes."
    return (f"{number(retain)} nodes are about {kind} of {plan.each} nodes, which make "
            f"{plan.total}.")


def basal_words(cultivar_class: str) -> str:
    """Return what is published of the fruit of the basal nodes of a cultivar class."""
    known = BASAL_FRUIT.get(cultivar_class)
    return "" if known is None else f"Fruit of the nodes kept: {known.words} ({known.source}.)"
