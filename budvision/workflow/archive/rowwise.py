"""Bring an archive's rows into a season, deciding for each whether the season has it already."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from budvision.archive.bag import open_payload
from budvision.store.archive_key import ArchiveKey
from budvision.store.names import name_key
from budvision.store.queries import rows
from budvision.workflow.archive.incoming import rows_of
from budvision.workflow.archive.places import NOTHING_SHARED, SharedBuds, shared_people

__all__ = ["ImportReport", "RowMerge"]

_RETOLD = frozenset({"round", "source", "replaces_id", "note", "reason"})
"""Columns that an export or an import may have worded anew: no row is told from another by them."""


@dataclass(slots=True, kw_only=True)
class ImportReport:
    """What an import did.

    Attributes
    ----------
    restored : bool
        The season was empty and is now as the archive's season was.
    added, known : dict of str to int
        Rows a table that were new, and those that the season had already.
    conflicts : list of str
        What the two sides say differently; nothing of it was decided by the program.
    missing : list of str
        Hashes of photographs that were missing at export and are not in the season either.
    not_as_saved : list of str
        Which rows were not as their season had saved them when they were exported.
    """

    folder: str
    lab: str
    restored: bool
    n_photos_new: int = 0
    n_photos_known: int = 0
    added: dict[str, int] = field(default_factory=dict)
    known: dict[str, int] = field(default_factory=dict)
    conflicts: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    not_as_saved: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, object]:
        """Return the report for JSON."""
        return asdict(self)


class RowMerge:
    """Bring rows in, table by table, keeping track of which row became which."""

    def __init__(
        self, conn: Connection, folder: Path, report: ImportReport, key: ArchiveKey,
        photos: dict[int, str], models: dict[str, str], *, own: bool, keep_ids: bool,
        policies: frozenset[str],
    ) -> None:
        self.conn, self.folder, self.report, self.key = conn, folder, report, key
        self.photos, self.models = photos, models
        self.own, self.keep_ids, self.policies = own, keep_ids, policies
        self.ids: dict[str, dict[int, int]] = {table: {} for table in rows.ARCHIVED}
        self.new: dict[str, set[int]] = {table: set() for table in rows.ARCHIVED}
        self.taken: dict[str, set[int]] = {table: set() for table in rows.ARCHIVED}
        self.folded: set[int] = set()
        self.shared = SharedBuds(conn, folder, photos) if not keep_ids else NOTHING_SHARED
        self.same_people = shared_people(conn, folder) if not keep_ids else {}
        self.mine_people = {
            key.pseudonym(row["name"]): row["id"] for row in rows.stream(conn, "person")}
        self.counts = {"added": Counter[str](), "known": Counter[str]()}

    def table(self, table: str) -> None:
        """Bring one table in."""
        if table in ("promotion", "trust") and not self.keep_ids:
            return
        for row in rows_of(self.folder, table):
            if (table == "photo" and row["id"] not in self.photos) or (
                    table == "assignment" and row["photo_id"] in self.folded):
                continue
            source_id = int(row["id"])
            try:
                values = self._local(table, row)
            except KeyError:
                self.report.conflicts.append(f"{table} {source_id} refers to a row left out")
                continue
            found = self._known(table, row, values)
            if table == "photo" and found in self.new["photo"]:
                self._fold(row)
            if found is None:
                fitted = self._fitted(table, row, values)
                if fitted is None:
                    continue
                if self.keep_ids:
                    fitted["id"] = source_id
                found = rows.add_row(self.conn, table, fitted)
                self.new[table].add(found)
                self.counts["added"][table] += 1
            else:
                self.counts["known"][table] += 1
            self.ids[table][source_id] = found
            self.taken[table].add(found)
        self.report.added = dict(self.counts["added"])
        self.report.known = dict(self.counts["known"])

    def _fold(self, row: dict[str, Any]) -> None:
        """Keep a picture once that came twice; it stays where the first of the two was placed."""
        self.folded.add(int(row["id"]))
        self.report.conflicts.append(
            f"photographs {self.photos[row['id']][:12]} and {row['sha256'][:12]} differ in private "
            "metadata only and are kept as one, where the first was placed")

    def _local(self, table: str, row: dict[str, Any]) -> dict[str, Any]:
        values = {k: v for k, v in row.items() if k in rows.columns_of(table) and k != "id"}
        for column, target in rows.references_of(table).items():
            if column == "proposal_id" and table == "call" and (
                    values[column] not in self.ids[target]):
                del values[column]  # its photograph was missing at export; the call stands
            elif values[column] is not None:
                values[column] = self.ids[target][values[column]]
        if table == "photo":
            values["sha256"] = self.photos[row["id"]]
            if values["sha256"] != row["sha256"]:
                values["n_bytes"] = row.get("exported_n_bytes", values["n_bytes"])
        elif table == "region":
            with open_payload(self.folder, f"data/{row['labels_png']}") as file:
                values["labels_png"] = file.read()
        elif table == "person" and not self.keep_ids:
            values["password_hash"] = None
        elif table == "model" and row["name"] in self.models:
            values["name"] = self.models[row["name"]]
            values["path"] = values["path"].replace(row["name"], values["name"])
        elif table == "call" and not self.keep_ids and not self.own:
            values["source"] = "archive"
        return values

    def _known(self, table: str, row: dict[str, Any], values: dict[str, Any]) -> int | None:
        """Return the season's own row that is this one, None where there is none."""
        if self.keep_ids:
            return rows.find_id(self.conn, table, sha256=values["sha256"]) if (
                table == "photo") else None
        find = {
            "site": ("name",), "cane": ("sampling_id", "label"),
            "bud": ("cane_id", "node"), "photo": ("sha256",), "model": ("sha256",),
            "temperature": ("station", "measured_at"),
        }.get(table)
        if find is not None:
            if table == "cane":
                return self._known_cane(values)
            return rows.find_id(self.conn, table, **{name: values[name] for name in find})
        if table == "person":
            return self.same_people.get(int(row["id"])) or self._known_person(values)
        if table == "block":
            return self._known_block(row, values)
        if table == "sampling":
            return self._known_sampling(row, values)
        parents = {c: t for c, t in rows.references_of(table).items()
                   if values.get(c) is not None and t != table and t not in ("person", "model")}
        if any(values[c] in self.new[t] for c, t in parents.items()):
            return None
        wanted = {k: v for k, v in values.items() if k not in _RETOLD}
        for found in rows.equal_rows(self.conn, table, wanted):
            if found not in self.taken[table]:
                return found
        return None

    def _known_cane(self, values: dict[str, Any]) -> int | None:
        """Return the own cane of that label and vine, else that cane, its vine named since.

        Two named vines are never one: canes of one table were all made at the same moment.
        """
        of = {"sampling_id": values["sampling_id"], "label": values["label"]}
        found = rows.find_id(self.conn, "cane", **of, vine=values["vine"])
        if found is not None:
            return found
        if values["vine"]:
            of["vine"] = ""
        return rows.find_id(self.conn, "cane", **of, added_at=values["added_at"])

    def _known_person(self, values: dict[str, Any]) -> int | None:
        if self.own and values["name"] in self.mine_people:
            return int(self.mine_people[values["name"]])
        found = rows.equal_rows(
            self.conn, "person", {"name": values["name"], "added_at": values["added_at"]})
        if found:
            return found[0]
        if rows.find_id(self.conn, "person", name_key=name_key(values["name"])) is not None:
            values["name"] = f"{values['name']} ({self.report.lab})"
            again = rows.find_id(self.conn, "person", name_key=name_key(values["name"]))
            if again is None:
                self.report.conflicts.append(
                    f"a person of the same name works here; theirs is {values['name']}")
            return again
        return None

    def _known_block(self, row: dict[str, Any], values: dict[str, Any]) -> int | None:
        name = values["name"]
        other = f"{name} ({self.report.lab})"
        for candidate in (name, other):
            found = rows.equal_rows(
                self.conn, "block", {"name": candidate, "added_at": values["added_at"]})
            if found:
                return found[0]
        mine = rows.find_id(self.conn, "block", name_key=name_key(name))
        if mine is None:
            return None
        if self.shared.block(int(row["id"])) == name:
            return mine
        values["name"] = other
        self.report.conflicts.append(f"a block of the same name is here; theirs is {other}")
        return None

    def _known_sampling(self, row: dict[str, Any], values: dict[str, Any]) -> int | None:
        """Return the own sampling of the same photographs, else the one of the same label."""
        block_id, label = values["block_id"], self.shared.sampling(int(row["id"]))
        if label and (found := rows.find_id(
                self.conn, "sampling", block_id=block_id, label=label)) is not None:
            if label != values["label"]:
                self.report.conflicts.append(
                    f"sampling {values['label']} there is {label} here: the same photographs")
            return found
        return rows.find_id(self.conn, "sampling", block_id=block_id, label=values["label"])

    def _fitted(
        self, table: str, row: dict[str, Any], values: dict[str, Any]
    ) -> dict[str, Any] | None:
        """Return what is to be inserted, None where the season's own row stands against it."""
        if self.keep_ids:
            return values
        if table == "block" and values["policy"] not in (None, *self.policies):
            self.report.conflicts.append(
                f"block {values['name']} follows the policy {values['policy']} there, which is not "
                "known here; it follows this season's")
            values["policy"] = None
        if table == "assignment" and values["photo_id"] not in self.new["photo"]:
            mine = rows.equal_rows(self.conn, "assignment", {"photo_id": values["photo_id"]})
            if mine:
                same = rows.equal_rows(
                    self.conn, "assignment",
                    {"photo_id": values["photo_id"], "bud_id": values["bud_id"],
                     "cut": values["cut"]})
                if not same:
                    self.report.conflicts.append(
                        f"photograph {self.photos[row['photo_id']][:12]} shows another bud there")
                return None
        if table == "call" and values["bud_id"] not in self.new["bud"]:
            mine = [
                i for i in rows.equal_rows(self.conn, "call", {
                    "bud_id": values["bud_id"], "tissue": values["tissue"]})
                if i not in self.new["call"]]
            if mine and values["round"] != "second" and values["value"] != "withdrawn":
                values["round"] = "second"
                if not rows.equal_rows(self.conn, "call", {
                    "bud_id": values["bud_id"], "tissue": values["tissue"],
                    "value": values["value"]}):
                    self.report.conflicts.append(
                        f"{rows.place_of_bud(self.conn, values['bud_id'])}: {values['tissue']} is "
                        f"called {values['value']} there and otherwise here")
        return values
