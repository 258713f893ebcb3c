"""Rows of an archive, each checked like what a person types before anything is done with it.

An archive may come from anybody and its list of hashes can be written anew by whoever changed it.
So every value has to be of its column's kind, length and bounds, every JSON value of the shape that
pages and answers read, and every path a plain one below the season.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any

from sqlalchemy import Boolean, Column, Float, Integer, LargeBinary, String

from budvision.archive.bag import open_payload
from budvision.errors import BudvisionError, InputError, VerificationError
from budvision.store.names import clean_label
from budvision.store.queries.canes import VIGORS
from budvision.store.queries.marks import allowed_values
from budvision.store.queries.trust import SUBJECTS
from budvision.store.session import as_utc
from budvision.store.shared_models import are_model_files, is_model_name
from budvision.store.tables import metadata
from budvision.vineyard.sample_plan import plan_from_dict
from budvision.vineyard.wood import PARTS, WOOD_TISSUES
from budvision.vocabulary import Cause, Tissue

__all__ = ["CHAIN", "rows_of"]

CHAIN = "chain"
_LATER = frozenset({"trust", "wood_cut"})
"""Tables that an archive of an earlier version does not have."""

_EXPORTED = frozenset({"file", "exported_sha256", "exported_n_bytes"})
_SHA256 = re.compile(r"[0-9a-f]{64}")
_MOST = 2**31 - 1
_LONGEST_LINE = 32 << 20
_BOUNDS: Mapping[tuple[str, str], tuple[float, float]] = {
    ("block", "normal_nodes"): (1, 1000), ("block", "secondary_crop"): (0, 1),
    ("block", "row_spacing_m"): (0.3, 20), ("block", "vine_spacing_m"): (0.2, 20),
    ("sampling", "room_temp_c"): (-40, 60), ("bud", "node"): (1, 200),
    ("assignment", "cut"): (1, 50), ("crop_record", "n_counted"): (1, _MOST),
    ("cane", "position"): (-_MOST, _MOST), ("temperature", "celsius"): (-100, 70),
    ("proposal_tissue", "p_dead"): (0, 1), ("proposal_tissue", "p_name"): (0, 1),
    ("photo", "width_px"): (1, 200_000), ("photo", "height_px"): (1, 200_000),
    ("proposal", "mm_per_px"): (1e-6, 100),
}
_LABELS: Mapping[tuple[str, str], tuple[int, bool]] = {
    ("site", "name"): (120, False), ("block", "name"): (120, False),
    ("block", "cultivar"): (120, True), ("sampling", "label"): (120, False),
    ("wood_cut", "vine"): (60, False), ("wood_cut", "position"): (60, True),
    ("cane", "label"): (60, False), ("cane", "vine"): (60, True), ("cane", "zone"): (60, True),
    ("person", "name"): (120, False), ("temperature", "station"): (120, False),
}


def rows_of(folder: Path, table: str) -> Iterator[dict[str, Any]]:
    """Yield an archive's rows of a table, checked.

    Parameters
    ----------
    folder : Path
        The archive, its hashes verified.
    table : str
        One of `budvision.store.queries.rows.ARCHIVED`, or ``chain``.

    Raises
    ------
    VerificationError
        Naming the first row that cannot be used, and why.
    InputError
        When the archive has no such table.
    """
    columns = {column.name: column for column in metadata.tables[table].columns}
    known = set(columns) | (_EXPORTED if table == "photo" else set())
    if table in _LATER and not (folder / "data" / "rows" / f"{table}.jsonl").exists():
        return
    with open_payload(folder, f"data/rows/{table}.jsonl") as file:
        number = 0
        while line := file.readline(_LONGEST_LINE):
            number += 1
            where = f"rows/{table}.jsonl, line {number}"
            try:
                row = json.loads(line)
            except (ValueError, RecursionError) as error:
                raise VerificationError("it is not JSON", where=where, expected="one row a line",
                                        do="Ask for a new copy.") from error
            if not isinstance(row, dict) or not set(row) <= known:
                more = sorted(set(row) - known)[:3] if isinstance(row, dict) else ["no row"]
                raise VerificationError(
                    f"it has unknown columns ({', '.join(more)})", where=where,
                    code="newer_format", expected="the columns of this version",
                    do="Install a newer budvision; nothing was imported.")
            try:
                yield _checked(table, columns, row)
            except BudvisionError as error:
                raise VerificationError(
                    error.what, where=where, expected=error.expected,
                    do="Do not use this archive as it is; nothing of its rows was imported.",
                ) from error


def _checked(table: str, columns: Mapping[str, Column[Any]], row: dict[str, Any]) -> dict[str, Any]:
    out = dict(row)
    for name, column in columns.items():
        if column.info.get("derived"):
            out.pop(name, None)  # worked out anew from the name beside it
            continue
        if name not in row:
            if not column.nullable and column.default is None:
                raise InputError(f"{name} is missing", expected="a value")
            out[name] = None if column.nullable else getattr(column.default, "arg", None)
            continue
        if row[name] is None and column.nullable:
            continue
        _check_kind(table, column, row[name])
    for name in ("exported_sha256", "file", "exported_n_bytes"):
        if name in row and not isinstance(row[name], int if name == "exported_n_bytes" else str):
            raise InputError(f"{name} is {str(row[name])[:80]!r}", expected="what an export writes")
    if ("file" in row) != ("exported_sha256" in row):
        raise InputError("it has a file without a hash, or a hash without a file")
    if (check := _MORE.get(table)) is not None:
        check(out)
    return out


def _fits(column: Column[Any], value: object) -> bool:
    kind = column.type
    if isinstance(kind, Boolean):
        return isinstance(value, bool)
    if isinstance(kind, Float):
        return isinstance(value, int | float) and not isinstance(value, bool) and (
            math.isfinite(value))
    if isinstance(kind, Integer):
        low = 1 if column.name == "id" or column.foreign_keys else -_MOST
        return isinstance(value, int) and not isinstance(value, bool) and low <= value <= _MOST
    if isinstance(kind, LargeBinary):
        return isinstance(value, str)  # the file that holds it
    assert isinstance(kind, String)
    return isinstance(value, str) and len(value) <= (kind.length or _MOST) and _encodes(value)


def _check_kind(table: str, column: Column[Any], value: object) -> None:
    name = column.name
    if not _fits(column, value):
        raise InputError(f"{name} is {str(value)[:80]!r}", expected="a value of this column")
    bounds = _BOUNDS.get((table, name))
    if bounds is not None and isinstance(value, int | float) and not (
            bounds[0] <= value <= bounds[1]):
        raise InputError(f"{name} is {value:g}", expected=f"{bounds[0]:g} to {bounds[1]:g}")
    if isinstance(value, str):
        label = _LABELS.get((table, name))
        if label is not None and clean_label(value, name, limit=label[0], empty=label[1]) != value:
            raise InputError(f"{name} is {value[:80]!r}", expected="a name as it would be typed")
        if name.endswith("_at"):
            as_utc(value)


def _encodes(value: str) -> bool:
    try:
        return "\0" not in value.encode("utf-8").decode("utf-8")
    except UnicodeEncodeError:
        return False


# ---- what a table's rows must be besides ------------------------------------------------------


def _json(row: Mapping[str, Any], name: str, kind: type) -> Any:
    try:
        value = json.loads(row[name])
    except (ValueError, RecursionError):
        value = None
    if not isinstance(value, kind):
        raise InputError(f"{name} is {row[name][:80]!r}", expected="JSON as the program keeps it")
    return value


def _numbers(values: object) -> bool:
    return isinstance(values, list | tuple) and all(
        isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) for v in values)


def _check_block(row: Mapping[str, Any]) -> None:
    layout = _json(row, "layout", dict)
    shares = layout.get("shares", {})
    if not isinstance(shares, dict) or not _numbers(list(shares.values())) or any(
            not 0 <= v <= 1e6 for v in shares.values()):
        raise InputError(f"the layout's shares are {str(shares)[:80]}",
                         expected="a number of 0 or more for each class of vines")
    vines = layout.get("rows", [])
    if not isinstance(vines, list) or not all(
            isinstance(one, dict) and isinstance(one.get("missing", []), list)
            and isinstance(one.get("zone", ""), str) and _numbers([one.get("n_vines", 0)])
            for one in vines):
        raise InputError(f"the layout's rows are {str(vines)[:80]}",
                         expected="rows of vines as the program keeps them")


def _check_sampling(row: Mapping[str, Any]) -> None:
    if plan := _json(row, "plan", dict):
        try:
            plan_from_dict(plan)
        except BudvisionError:
            raise
        except Exception as error:  # whatever an odd value does to it
            raise InputError(f"the plan cannot be read ({error})", expected="a plan") from error


def _check_cane(row: Mapping[str, Any]) -> None:
    if row["vigor"] not in VIGORS:
        raise InputError(f"vigor is {row['vigor']!r}", expected="small, medium, large or empty")


def _check_photo(row: Mapping[str, Any]) -> None:
    for name in ("sha256", "exported_sha256"):
        if not _SHA256.fullmatch(row.get(name, "0" * 64)):
            raise InputError(f"{name} is {str(row[name])[:80]!r}", expected="64 hexadecimal digits")
    if row["n_bytes"] < 0:
        raise InputError(f"n_bytes is {row['n_bytes']}", expected="0 or more")


def _check_model(row: Mapping[str, Any]) -> None:
    facts = _json(row, "facts", dict)
    files, listed = facts.get("files", {}), facts.get("listed", {})
    if not are_model_files(files):
        raise InputError(f"the model's files are {str(files)[:80]}",
                         expected="plain names, each with 64 hexadecimal digits")
    if not isinstance(listed, dict) or not isinstance(listed.get("note", ""), str) or not (
            isinstance(listed.get("libraries", {}), dict)):
        raise InputError(f"what is listed of the model is {str(listed)[:80]}",
                         expected="a note and libraries")
    for name in ("name", "path"):
        if not is_model_name(row[name].removeprefix("models/" if name == "path" else "")):
            raise InputError(f"{name} is {row[name][:80]!r}",
                             expected="the name and version of a model, such as tuned-2")


def _check_region(row: Mapping[str, Any]) -> None:
    box = _json(row, "box", list)
    if len(box) != 4 or not _numbers(box) or not (box[0] < box[2] and box[1] < box[3]) or any(
            abs(v) > 1e6 for v in box):
        raise InputError(f"box is {row['box'][:80]!r}", expected="row0, col0, row1, col1 in pixels")


def _check_proposal(row: Mapping[str, Any]) -> None:
    reasons = _json(row, "reasons", list)
    if not all(isinstance(one, dict) and all(
            isinstance(one.get(key), str) for key in ("code", "text")) for one in reasons):
        raise InputError(f"reasons is {row['reasons'][:80]!r}", expected="a list of code and text")


def _check_tissue(row: Mapping[str, Any]) -> None:
    features = _json(row, "features", dict)
    if not _numbers(list(features.values())):
        raise InputError(f"features is {row['features'][:80]!r}", expected="numbers by name")
    if row["verdict"] not in (None, "live", "dead", "unsure"):
        raise InputError(f"verdict is {row['verdict']!r}", expected="live, dead or unsure")
    if row["other_name"] not in (None, *Tissue):
        raise InputError(f"other_name is {row['other_name']!r}", expected="the name of a tissue")


def _check_call(row: Mapping[str, Any]) -> None:
    if row["cause"] not in ("", *Cause):
        raise InputError(f"cause is {row['cause']!r}", expected=f"one of {', '.join(Cause)}")


def _check_mark(row: Mapping[str, Any]) -> None:
    if row["value"] not in ("", *allowed_values(row["kind"])):
        raise InputError(f"the mark {row['kind']!r} is {row['value']!r}",
                         expected="a mark as the program keeps it")


def _check_trust(row: Mapping[str, Any]) -> None:
    _json(row, "facts", dict)
    if row["subject"] not in SUBJECTS or row["value"] not in ("shown", "hidden", "again"):
        raise InputError(f"{row['subject'][:20]!r} is {row['value']!r}",
                         expected="a decision as the program keeps it")


def _check_crop_record(row: Mapping[str, Any]) -> None:
    try:
        date.fromisoformat(row["measured_on"])
    except ValueError as error:
        raise InputError(f"measured_on is {row['measured_on']!r}", expected="a date") from error


def _check_wood_cut(row: Mapping[str, Any]) -> None:
    if row["part"] not in PARTS:
        raise InputError(f"part is {row['part']!r}", expected=" or ".join(PARTS))
    for tissue in WOOD_TISSUES:
        if row[tissue] not in ("", "live", "dead", "unsure"):
            raise InputError(f"{tissue} is {row[tissue]!r}", expected="live, dead, unsure or empty")
    try:
        date.fromisoformat(row["cut_on"])
    except ValueError as error:
        raise InputError(f"cut_on is {row['cut_on']!r}", expected="a date") from error


_MORE: Mapping[str, Callable[[Mapping[str, Any]], None]] = {
    "block": _check_block, "sampling": _check_sampling, "cane": _check_cane,
    "photo": _check_photo, "model": _check_model, "region": _check_region,
    "proposal": _check_proposal, "proposal_tissue": _check_tissue,
    "call": _check_call, "mark": _check_mark, "crop_record": _check_crop_record,
    "trust": _check_trust, "wood_cut": _check_wood_cut,
}
