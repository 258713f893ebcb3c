"""What scripts and notebooks get back: frozen, shown by itself, a data frame where pandas is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from budvision.errors import MissingLibraryError
from budvision.language import plain_percent
from budvision.vineyard.results import BlockResult
from budvision.vocabulary import TISSUES, BudCalls, Proposal, Tissue

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Answers", "Calls", "Lessons", "PhotoProposal"]


def _frame(rows: Sequence[dict[str, Any]], columns: Sequence[str] = ()) -> pd.DataFrame:
    try:
        import pandas as pd
    except ImportError as error:
        raise MissingLibraryError(
            "pandas is not installed", expected="pandas, for data frames", where="to_frame",
            do="Install it: pip install pandas.") from error
    return pd.DataFrame(list(rows), columns=list(columns) or None)


@dataclass(frozen=True, slots=True)
class PhotoProposal:
    """What the model says of one photograph; nothing counts until a person has confirmed it.

    Attributes
    ----------
    proposal : Proposal
        Tissues with verdict, `p_dead`, why and features; or the reasons of a refusal.
    labels : ndarray of uint8, shape (height_px, width_px), or None
        0 background, 1 primary, 2 secondary, 3 tertiary, 4 scales and wool; None where refused.
    source : Path or bytes
        The photograph.
    """

    proposal: Proposal
    labels: NDArray[np.uint8] | None
    source: Path | bytes

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON object of one line of `budvision propose --jsonl`."""
        from budvision.verdict.propose import proposal_as_dict

        return proposal_as_dict(self.proposal)

    def to_frame(self) -> pd.DataFrame:
        """Return one line a tissue: file, tissue, exposed, verdict, p_dead, area_px, why."""
        return _frame([
            {"file": self.proposal.file, "tissue": tissue.value, "exposed": one.exposed,
             "verdict": None if one.verdict is None else one.verdict.value,
             "p_dead": one.p_dead, "area_px": one.area_px, "why": one.why}
            for tissue, one in self.proposal.tissues.items()
        ], ("file", "tissue", "exposed", "verdict", "p_dead", "area_px", "why"))

    def picture(self, *, max_side_px: int = 900) -> NDArray[np.uint8]:
        """Return the photograph with the tissues outlined, sRGB (rows, cols, 3)."""
        from budvision.photo.overlay import draw_overlay
        from budvision.photo.read import read_photo

        image = read_photo(self.source, max_side_px=max_side_px, name=self.proposal.file).image
        if self.labels is None:
            return image
        texts = {
            tissue: f"{tissue.value} {one.verdict.value}"
            for tissue, one in self.proposal.tissues.items() if one.verdict is not None
        }
        return draw_overlay(image, self.labels, texts=texts, max_side_px=max_side_px)

    def _repr_png_(self) -> bytes:
        from budvision.photo.overlay import encode_picture

        return encode_picture(self.picture(), "png")


@dataclass(frozen=True, slots=True)
class Calls:
    """Confirmed calls, one entry a bud.

    Attributes
    ----------
    buds : tuple of BudCalls
    """

    buds: tuple[BudCalls, ...]

    def __len__(self) -> int:
        return len(self.buds)

    def to_frame(self) -> pd.DataFrame:
        """Return the table that `budvision tally` and `calls import` read, one line a bud."""
        places = ("block", "vine", "cane", "node")
        more = ("vigor", "zone", "cultivar")
        return _frame([
            {name: getattr(bud, name) for name in places}
            | {t.value: value.value if (value := bud.call(t)) else "" for t in TISSUES}
            | {name: getattr(bud, name) for name in more}
            for bud in self.buds
        ], (*places, *(tissue.value for tissue in TISSUES), *more))


@dataclass(frozen=True, slots=True)
class Answers:
    """The answer of each block: mortality with its interval, band and nodes to retain.

    Attributes
    ----------
    blocks : tuple of BlockResult
    warnings : tuple of str
        What of the input was left aside.
    zones : mapping of str to tuple of BlockResult
        By block with two zones or more, each zone by itself.
    """

    blocks: tuple[BlockResult, ...]
    warnings: tuple[str, ...] = ()
    zones: Mapping[str, tuple[BlockResult, ...]] = field(default_factory=dict)

    def as_dict(self) -> dict[str, object]:
        """Return the JSON object of `budvision tally --json`."""
        from budvision.workflow.answers.tally import results_as_dict

        return results_as_dict(self.blocks, warnings=self.warnings, zones=self.zones)

    def to_frame(self) -> pd.DataFrame:
        """Return one line a block and tissue, with the block's band and nodes beside each."""
        rows = []
        for result in self.blocks:
            nodes = result.nodes["band"]
            for tissue, row in result.tissues.items():
                counts = ("n_live", "n_dead", "n_unsure", "n_not_exposed", "n_canes")
                shares = ("mortality", "low", "high", "confidence", "design_effect")
                rows.append(
                    {"block": result.block, "tissue": tissue.value}
                    | {name: getattr(row, name) for name in (*counts, *shares)}
                    | {"band": result.band.name if result.band else None,
                       "nodes_retain": nodes.retain, "nodes_low": nodes.low,
                       "nodes_high": nodes.high})
        return _frame(rows)

    def _repr_html_(self) -> str:
        lines = []
        for result in self.blocks:
            primary, nodes = result.tissues[Tissue.PRIMARY], result.nodes["band"]
            cells = (
                result.block, result.n_buds, result.n_canes, plain_percent(primary.mortality),
                f"{plain_percent(primary.low)} to {plain_percent(primary.high)}",
                result.band.name if result.band else "–", nodes.retain or "–")
            lines.append("".join(f"<td>{escape(str(cell))}</td>" for cell in cells))
        head = "".join(f"<th>{name}</th>" for name in (
            "block", "buds", "canes", "dead primaries", "interval", "band", "nodes to retain"))
        body = "".join(f"<tr>{line}</tr>" for line in lines)
        return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


@dataclass(frozen=True, slots=True)
class Lessons:
    """Features of called tissues beside the calls, for any estimator of scikit-learn.

    Attributes
    ----------
    features : ndarray of float64, shape (n, f)
        Rows of `budvision.photo.features`, in the order of `names`.
    dead : ndarray of bool, shape (n,)
        What a person called; unsure and contradicted calls are left out.
    cane : ndarray of int64, shape (n,)
        Groups: buds of one cane are alike and belong on one side of every split.
    tissue : ndarray of str, shape (n,)
    names : tuple of str
    """

    features: NDArray[np.float64]
    dead: NDArray[np.bool_]
    cane: NDArray[np.int64]
    tissue: NDArray[np.str_]
    names: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.dead)

    def to_frame(self) -> pd.DataFrame:
        """Return one line a tissue: cane, tissue, dead, then the features."""
        frame = _frame(
            [dict(zip(self.names, row, strict=True)) for row in self.features], self.names)
        for column, name in enumerate(("cane", "tissue", "dead")):
            frame.insert(column, name, getattr(self, name))
        return frame
