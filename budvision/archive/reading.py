"""Read an archive for training: called tissues with what a model measured of them."""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from budvision.archive.bag import open_payload, read_facts, verify
from budvision.archive.describe import not_as_saved, split_of
from budvision.errors import BudvisionError, VerificationError
from budvision.vocabulary import CallValue, Tissue

__all__ = ["ArchivedTissue", "read_called_tissues"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchivedTissue:
    """One called tissue of an archive.

    Attributes
    ----------
    lab : str
        The archive's laboratory.
    bud, cane : str
        Names that tell buds and canes apart across archives.
    second : tuple of CallValue
        Second readings by other people.
    features : mapping of str to float
        What the newest proposal measured.
    split : str
        train or held_out.
    photos : frozenset of str
        SHA-256 of the bud's photographs, before and after private metadata was taken out.
    """

    lab: str
    bud: str
    cane: str
    tissue: Tissue
    value: CallValue
    second: tuple[CallValue, ...]
    settled: bool
    blind: bool
    features: Mapping[str, float]
    split: str
    photos: frozenset[str]


def _rows(folder: Path, table: str) -> Iterator[dict[str, Any]]:
    with open_payload(folder, f"data/rows/{table}.jsonl") as file:
        for line in file:
            yield json.loads(line)


def _features(row: Mapping[str, Any]) -> dict[str, float]:
    found = {str(name): float(value) for name, value in json.loads(row["features"]).items()}
    if not all(map(math.isfinite, found.values())):
        raise ValueError("a feature is no number")
    return found


def _standing(folder: Path) -> dict[tuple[int, str], tuple[dict[str, Any], tuple[str, ...]]]:
    """Return the call that counts for each tissue of a bud, with second readings."""
    newest: dict[tuple[int, str, str], dict[str, Any]] = {}
    second: dict[tuple[int, str], dict[int, str]] = defaultdict(dict)
    for row in _rows(folder, "call"):
        if row["round"] == "second":
            second[row["bud_id"], row["tissue"]][row["person_id"]] = row["value"]
        else:
            newest[row["bud_id"], row["tissue"], row["round"]] = row
    out: dict[tuple[int, str], tuple[dict[str, Any], tuple[str, ...]]] = {}
    for (bud, tissue, _), row in sorted(newest.items(), key=lambda item: item[0][2]):
        if row["value"] != "withdrawn":  # settled sorts after first, so it stands
            others = tuple(
                value for person, value in second.get((bud, tissue), {}).items()
                if person != row["person_id"] and value != "withdrawn")
            out[bud, tissue] = (row, others)
    return out


def read_called_tissues(folder: Path) -> list[ArchivedTissue]:
    """Verify an archive and return its called tissues that a model has measured.

    Raises
    ------
    VerificationError
        When the archive is not sound, or its rows are not what an export writes.
    """
    verify(folder)
    if changed := not_as_saved(read_facts(folder)):
        raise VerificationError(
            f"its rows were not as they had been saved when it was exported ({changed[0]})",
            where=str(folder), expected="the rows that its season had saved", code="changed_row",
            do="Do not learn from this archive; ask its laboratory.")
    try:
        return _called_tissues(folder)
    except BudvisionError:
        raise
    except (LookupError, ValueError, TypeError, AttributeError, RecursionError) as error:
        raise VerificationError(
            f"its rows cannot be read ({type(error).__name__}: {str(error)[:80]})",
            where=str(folder), expected="rows as an export writes them",
            do="Do not learn from this archive; `budvision archive verify` names the row.",
        ) from error


def _called_tissues(folder: Path) -> list[ArchivedTissue]:
    lab = str(read_facts(folder)["lab"])
    sites = {row["id"]: row["name"] for row in _rows(folder, "site")}
    blocks = {row["id"]: (sites[row["site_id"]], row["name"]) for row in _rows(folder, "block")}
    samplings = {row["id"]: row["block_id"] for row in _rows(folder, "sampling")}
    canes = {row["id"]: row["sampling_id"] for row in _rows(folder, "cane")}
    buds = {row["id"]: row["cane_id"] for row in _rows(folder, "bud")}
    places: dict[int, int | None] = {}
    for row in _rows(folder, "assignment"):
        places[row["photo_id"]] = row["bud_id"]
    hashes: dict[int, set[str]] = defaultdict(set)
    for row in _rows(folder, "photo"):
        if (shown := places.get(row["id"])) is not None:
            hashes[shown] |= {row["sha256"], row.get("exported_sha256", row["sha256"])}
    newest: dict[int, int] = {}
    for row in _rows(folder, "proposal"):
        if places.get(row["photo_id"]) is not None:
            newest[row["photo_id"]] = row["id"]
    bud_of = {proposal: places[photo] for photo, proposal in newest.items()}
    best: dict[tuple[int, str], dict[str, float]] = {}
    for row in _rows(folder, "proposal_tissue"):
        bud = bud_of.get(row["proposal_id"])
        if bud is None or not row["exposed"]:
            continue
        features = _features(row)
        key = (bud, row["tissue"])
        if features.get("confidence", 0) >= best.get(key, {}).get("confidence", -1):
            best[key] = features
    out = []
    for (bud, tissue), (row, others) in _standing(folder).items():
        if (bud, tissue) not in best:
            continue
        cane = buds[bud]
        site, block = blocks[samplings[canes[cane]]]
        out.append(ArchivedTissue(
            lab=lab, bud=f"{lab}/{bud}", cane=f"{lab}/{cane}", tissue=Tissue(tissue),
            value=CallValue(row["value"]),
            second=tuple(CallValue(v) for v in others), settled=row["round"] == "settled",
            blind=bool(row["blind"]),
            features=best[bud, tissue], split=split_of(site, block),
            photos=frozenset(hashes[bud])))
    return out
