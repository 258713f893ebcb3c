"""A sample plan: the block, the vines drawn, and what the sample can be expected to tell."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from budvision.errors import InputError
from budvision.language import say
from budvision.vineyard.plan import BlockLayout, DrawnVine, draw_vines, layout_from_dict
from budvision.vineyard.policies import Policy
from budvision.vineyard.sample_size import SampleOutlook, sample_outlook, trade_off
from budvision.vineyard.training import read_training

__all__ = ["SamplePlan", "counted_nodes", "make_plan", "plan_from_dict", "tag_key"]

PLAN_FORMAT = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplePlan:
    """Everything that the vineyard and the bench need for one sampling of one block.

    Attributes
    ----------
    sampling : str
        Label of the sampling.
    nodes : int
        Nodes to cut on each cane, 1 the basal one.
    draw : int
        Number that the vines were drawn with; the same number draws them again.
    made_at : str
        UTC time, ISO 8601.
    key : str
        Six letters and figures on each cane's tag that name this plan.
    policy : str
        Pruning policy whose bands the outlook speaks of.
    outlook : SampleOutlook
        What this sample can tell; `alternatives` are other sizes.
    training : str
        Training system of the block; empty where it is not known.
    """

    layout: BlockLayout
    sampling: str
    cultivar: str
    nodes: int
    icc: float
    draw: int
    made_at: str
    key: str
    policy: str
    vines: tuple[DrawnVine, ...]
    outlook: SampleOutlook
    alternatives: tuple[SampleOutlook, ...]
    training: str = ""

    @property
    def block(self) -> str:
        """Name of the block."""
        return self.layout.block

    @property
    def n_buds(self) -> int:
        """Buds to cut."""
        return len(self.vines) * self.nodes

    @property
    def counted_nodes(self) -> int:
        """Nodes of each cane that count in the answer: those that pruning keeps."""
        return counted_nodes(self.nodes, self.training)

    @property
    def which_nodes(self) -> str:
        """Which nodes to cut, and which of them count, in one or two sentences."""
        kept = read_training(self.training)
        cut = say("nodes 1 to {n}", n=self.nodes) if self.nodes > 1 else say("node 1")
        if kept is None:
            return say("Cut {cut}, counted from the base. The training system is not known, so all "
                       "of them count, those that pruning will take off as well.", cut=cut)
        if self.nodes <= kept.nodes:
            return say("Cut {cut}, counted from the base: pruning keeps {kept} ({training}), and "
                       "only these count.", cut=cut, kept=kept.kept, training=kept)
        return say("Cut {cut}, counted from the base. Pruning keeps {kept} ({training}): only "
                   "these count, those further out are shown beside them.",
                   cut=cut, kept=kept.kept, training=kept)

    def as_dict(self) -> dict[str, Any]:
        """Return the plan as JSON holds it; `plan_from_dict` reads it back."""
        return {
            "format": PLAN_FORMAT, "block": self.block, "sampling": self.sampling,
            "cultivar": self.cultivar, "canes": len(self.vines), "nodes": self.nodes,
            "n_buds": self.n_buds, "icc": self.icc, "draw": self.draw,
            "made_at": self.made_at, "key": self.key, "policy": self.policy,
            "vines": [vine.as_dict() for vine in self.vines],
            "expect": self.outlook.as_dict(),
            "trade_off": [row.as_dict() for row in self.alternatives],
            "layout": self.layout.as_dict(), "training": self.training,
        }


def tag_key(*parts: object) -> str:
    """Return six letters and figures that name a plan, the same for the same parts."""
    text = json.dumps([str(part) for part in parts])
    digest = hashlib.sha256(text.encode()).digest()
    return base64.b32encode(digest).decode()[:6]


def make_plan(
    layout: BlockLayout, *, sampling: str, canes: int, nodes: int, icc: float, share: float,
    policy: Policy, draw: int, made_at: str, cultivar: str = "", training: str = "",
    confidence: float = 0.95,
) -> SamplePlan:
    """Plan one sampling of one block.

    Parameters
    ----------
    layout : BlockLayout
        Rows, missing vines, zones, shares of vine sizes.
    canes, nodes : int
        Canes, one a vine, and nodes of each.
    icc, share : float
        Likeness of buds of one cane, and the share of dead primaries to expect; both only serve
        to say what the sample can tell.
    draw : int
        Any number from 0; the same number draws the same vines.
    training : str
        Training system as `budvision.vineyard.training` reads it; empty where it is not known.

    Raises
    ------
    InputError
        When a value is out of range or the block has too few vines.
    """
    if draw < 0:
        raise InputError(f"draw is {draw}", expected="a number from 0", where="plan")
    if not 1 <= nodes <= 200:
        raise InputError(f"nodes is {nodes}", expected="from 1 to 200 a cane", where="plan")
    outlook = sample_outlook(
        share, canes=canes, nodes=counted_nodes(nodes, training), icc=icc, policy=policy,
        confidence=confidence)
    most = layout.n_vines
    many = sorted({c for c in (5, 10, 15, 20, canes) if 2 <= c <= most})
    kept = read_training(training)
    some = sorted({n for n in (5, 8, 10) if kept is None or n <= kept.nodes}
                  | {counted_nodes(nodes, training)})
    return SamplePlan(
        layout=layout, sampling=sampling, cultivar=cultivar, nodes=nodes, icc=icc, draw=draw,
        made_at=made_at, key=tag_key(layout.block, sampling, draw, made_at), policy=policy.name,
        vines=draw_vines(layout, canes, rng=np.random.default_rng(draw)), outlook=outlook,
        alternatives=trade_off(
            share, icc=icc, policy=policy, confidence=confidence, canes=many, nodes=some),
        training=training,
    )


def counted_nodes(nodes: int, training: str) -> int:
    """Return how many of the nodes cut on a cane count: those that pruning keeps."""
    kept = read_training(training)
    return nodes if kept is None else min(nodes, kept.nodes)


def plan_from_dict(table: Mapping[str, Any], *, where: str = "plan") -> SamplePlan:
    """Build a plan from its JSON form, for instance a sampling's stored plan.

    Raises
    ------
    InputError
        When it is no plan or of a format that this version does not know.
    """
    if table.get("format") != PLAN_FORMAT:
        raise InputError(
            f"its format is {table.get('format')!r}", expected=str(PLAN_FORMAT), where=where,
            do="Make the plan again with `budvision plan`.",
        )
    try:
        return SamplePlan(
            layout=layout_from_dict(table["layout"], where=where), sampling=table["sampling"],
            cultivar=table["cultivar"], nodes=table["nodes"], icc=table["icc"],
            draw=table["draw"], made_at=table["made_at"], key=table["key"],
            policy=table["policy"], vines=tuple(DrawnVine(**row) for row in table["vines"]),
            outlook=SampleOutlook(**table["expect"]),
            alternatives=tuple(SampleOutlook(**row) for row in table["trade_off"]),
            training=table.get("training", ""),
        )
    except (KeyError, TypeError) as error:
        raise InputError(
            f"it lacks something ({error})", expected="the JSON of `budvision plan --json`",
            where=where, do="Make the plan again with `budvision plan`.",
        ) from error
