"""A bag that somebody made or changed on purpose, with its lists of hashes written anew.

The long run, with its figures printed::

    BUDVISION_MUTATIONS=100000 pytest -s tests/archive/test_hostile_bags.py -k mutated_rows
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import seasons
from flask import url_for
from jinja2 import FileSystemBytecodeCache

from budvision.archive.reading import read_called_tissues
from budvision.archive.signature import SigningKey
from budvision.errors import BudvisionError, InputError, VerificationError
from budvision.store.archive_key import ArchiveKey
from budvision.store.queries import rows
from budvision.store.session import Season
from budvision.web import create_app
from budvision.workflow.answers.results import results
from budvision.workflow.archive.export import export_archive
from budvision.workflow.archive.incoming import rows_of
from budvision.workflow.archive.merge import import_archive, verify_archive


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    """A whole copy of a small season."""
    with seasons.make_season(tmp_path / "made") as season:
        (season.folder / "policies.toml").write_text(POLICY)
        export_archive(season, tmp_path / "bag", whole=True)
    return tmp_path / "bag"


POLICY = """
[ours]
title = "Ours"
source = "invented for a test"
[[ours.bands]]
name = "all"
at_least = 0.0
up_to = 1.0
nodes = "times"
factor = 1.1
action = "Retain a tenth more."
"""


def reseal(bag: Path) -> None:
    """Write manifests anew, as anybody can who changes a bag."""
    listed = {str(p.relative_to(bag)): p for p in sorted((bag / "data").rglob("*")) if p.is_file()}
    text = "".join(f"{_sha(p)}  {name}\n" for name, p in listed.items())
    (bag / "manifest-sha256.txt").write_text(text)
    info = (bag / "bag-info.txt").read_text().splitlines()
    oxum = f"{sum(p.stat().st_size for p in listed.values())}.{len(listed)}"
    (bag / "bag-info.txt").write_text("".join(
        f"Payload-Oxum: {oxum}\n" if line.startswith("Payload-Oxum") else line + "\n"
        for line in info))
    (bag / "tagmanifest-sha256.txt").write_text("".join(
        f"{_sha(bag / n)}  {n}\n"
        for n in ("bag-info.txt", "bagit.txt", "manifest-sha256.txt")))


def _sha(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _edit(bag: Path, table: str, change: Callable[[dict[str, Any]], None], at: int = 0) -> None:
    path = bag / "data" / "rows" / f"{table}.jsonl"
    lines = path.read_text().splitlines()
    row = json.loads(lines[at])
    change(row)
    lines[at] = json.dumps(row)
    path.write_text("\n".join(lines) + "\n")
    reseal(bag)


@pytest.mark.slow
@pytest.mark.parametrize("text", [
    'database.url = "postgresql://x@evil.example/d"\n[settings]\nnormal_nodes = 36\n',
    'photos = { folder = "/etc" }\n[settings]\nnormal_nodes = 36\n',
    '[ "database" ]\nurl = "postgresql://x@evil.example/d"\n[settings]\nnormal_nodes = 36\n',
    '"photos".address = "s3://evil/bucket"\n[settings]\nnormal_nodes = 36\n',
])
def test_a_bag_never_says_where_a_season_lies(bag: Path, tmp_path: Path, text: str) -> None:
    (bag / "data" / "budvision.toml").write_text(text)
    (bag / "data" / "settings.json").write_text('{"normal_nodes": 36}')
    reseal(bag)
    with Season.create(tmp_path / "new") as season:
        import_archive(season, bag)
    written = (tmp_path / "new" / "budvision.toml").read_text()
    assert "evil" not in written
    assert "/etc" not in written
    with Season.open(tmp_path / "new") as opened:
        assert opened.settings.normal_nodes == 36
        assert opened.engine.dialect.name == "sqlite"
        assert opened.photos.folder == tmp_path / "new" / "photos"


@pytest.mark.slow
@pytest.mark.parametrize(("name", "old", "new"), [
    ("bagit.txt", b"UTF-8", b"X-0"), ("bagit.txt", b"1.0", b"1.\xb2"),
    ("bagit.txt", b"BagIt-Version: ", b"BagIt-Version: \xe1"), ("bag-info.txt", b"-", b"\xe1"),
    ("bag-info.txt", b": ", b"\n"), ("tagmanifest-sha256.txt", b"bag", b"\xe1ag"),
    ("manifest-sha256.txt", b"data", b"d\xe1ta"),
])
def test_a_bags_own_files_may_be_no_text(bag: Path, name: str, old: bytes, new: bytes) -> None:
    path = bag / name
    assert old in path.read_bytes()
    path.write_bytes(path.read_bytes().replace(old, new, 1))
    listed = bag / "tagmanifest-sha256.txt"
    if path != listed:
        listed.write_text("".join(f"{_sha(bag / n)}  {n}\n" for n in (
            "bag-info.txt", "bagit.txt", "manifest-sha256.txt")))
    with pytest.raises(BudvisionError):
        verify_archive(bag)


def test_a_swapped_photograph_is_refused(bag: Path, tmp_path: Path) -> None:
    """Another picture under the name of the first, the lists of hashes written anew."""
    photo = next((bag / "data" / "photos").rglob("*.jpg"))
    photo.write_bytes(seasons.photo_bytes(777, private=False))
    reseal(bag)
    with pytest.raises(VerificationError, match="not those that its row names"):
        verify_archive(bag)
    with Season.create(tmp_path / "new") as season:
        with pytest.raises(VerificationError, match="not those that its row names"):
            import_archive(season, bag)
        with season.read() as conn:
            assert rows.is_empty(conn, "call")


def test_what_is_no_picture_is_refused(tmp_path: Path) -> None:
    with seasons.make_season(tmp_path / "made") as season:
        export_archive(season, tmp_path / "bag")
    bag = tmp_path / "bag"
    photo = next((bag / "data" / "photos").rglob("*.jpg"))
    before = photo.stem
    photo.write_bytes(b"<html>no picture</html>")
    for i in range(6):
        _edit(bag, "photo", lambda row: row.update(
            {"exported_sha256": _sha(photo)} if before in row["file"] else {}), at=i)
    with Season.create(tmp_path / "new") as season, pytest.raises(
            VerificationError, match="it is no picture"):
        import_archive(season, bag)


@pytest.mark.slow
def test_a_changed_call_is_told_by_the_chain_and_by_the_answers(
    bag: Path, tmp_path: Path
) -> None:
    assert verify_archive(bag)["answers_equal"] is True
    _edit(bag, "call", lambda row: row.update(value="live"), at=11)
    with pytest.raises(VerificationError, match="not the rows that were saved"):
        verify_archive(bag)
    with Season.create(tmp_path / "new") as season:
        with pytest.raises(VerificationError, match="not the rows that were saved"):
            import_archive(season, bag)
        with season.read() as conn:
            assert rows.is_empty(conn, "call")
    (bag / "data" / "rows" / "chain.jsonl").unlink()  # as in a shared archive
    reseal(bag)
    with pytest.raises(VerificationError, match="answers come out otherwise"):
        verify_archive(bag)


def _keep(bag: Path, answers: object) -> None:
    (bag / "data" / "results.json").write_text(json.dumps(answers))
    reseal(bag)


@pytest.mark.slow
def test_answers_of_an_older_rule_are_compared_by_their_counts(bag: Path) -> None:
    """A program that adds a number or changes its rule must not call an older archive unequal."""
    kept = json.loads((bag / "data" / "results.json").read_text())["answers"]
    [one] = kept["(newest)"].values()
    del one["more_buds"], one["edges"], one["primary"]["icc"]
    one["primary"]["high"] = 0.123
    _keep(bag, kept)
    told = verify_archive(bag)
    assert (told["answers_equal"], told["answers_compared"]) == (False, "counts")
    for older in (kept, {"rule": 1, "answers": kept}):
        one["primary"]["n_dead"] += 1
        _keep(bag, older)
        with pytest.raises(VerificationError, match="primary, n_dead: "):
            verify_archive(bag)
    kept["(newest)"]["n_elsewhere"] = one
    _keep(bag, kept)
    with pytest.raises(VerificationError, match="n_elsewhere: only one"):
        verify_archive(bag)


@pytest.mark.slow
def test_policies_come_back_and_a_missing_one_is_told(bag: Path, tmp_path: Path) -> None:
    """40 nodes must not become 54 without a word because the season's own policy stayed behind."""
    with Season.create(tmp_path / "new") as season:
        import_archive(season, bag)
        assert (season.folder / "policies.toml").read_text() == POLICY
    (bag / "data" / "settings.json").write_text('{"policy": "ours", "normal_nodes": 40}')
    reseal(bag)
    with pytest.raises(VerificationError, match="answers come out otherwise"):
        verify_archive(bag)


ODD = (None, True, -1, 0, 10**12, 1e308, "", "x" * 5000, "\x00", "\ud800", [], {}, [1], "NaN", "[]",
       "{}", '{"shares": {"small": "many"}}', '{"shares": [1]}', '{"shares": {"a": -5}}',
       '{"nodes": "x"}', "[0, 0, 1e9]", "../../x", "/etc/passwd", "2026-13-45T00:00:00Z", "a\nb")


@pytest.mark.parametrize(("table", "column", "value"), [
    ("call", "cause", "/etc/passwd"), ("proposal_tissue", "other_name", ""),
    ("proposal_tissue", "other_name", "{}"), ("proposal_tissue", "p_name", 7),
    ("block", "layout", '{"rows": [1]}'), ("block", "layout", '{"rows": [{"n_vines": "many"}]}'),
    ("block", "layout", '{"rows": [{"missing": 3}]}'),
    ("model", "facts", '{"files": [1]}'), ("model", "facts", '{"files": {"a": "b"}}'),
    ("model", "facts", '{"files": {"..": "%s"}}' % ("0" * 64)), ("model", "facts", '{"listed": 7}'),
    ("model", "name", "registry.toml"), ("model", "name", "models/tuned-1"),
    ("model", "path", "models/registry.toml"), ("model", "path", "models/models/tuned-1"),
])
def test_a_word_that_pages_could_not_read_is_refused(
    bag: Path, table: str, column: str, value: object
) -> None:
    """Each of these made pages of the season answer with an error of ours."""
    row = json.loads((bag / "data" / "rows" / f"{table}.jsonl").read_text().splitlines()[0])
    path = bag / "data" / "rows" / f"{table}.jsonl"
    path.write_text(json.dumps(row) + "\n")
    assert len(list(rows_of(bag, table))) == 1
    path.write_text(json.dumps({**row, column: value}) + "\n")
    with pytest.raises(VerificationError, match=f"{table}.jsonl, line 1"):
        list(rows_of(bag, table))


@pytest.mark.parametrize(("table", "change"), [
    ("proposal_tissue", {"features": "[1]"}), ("proposal_tissue", {"features": '{"green": NaN}'}),
    ("proposal_tissue", {"features": '{"green": "x"}'}), ("call", {"value": "maybe"}),
    ("call", {"bud_id": [1]}), ("cane", {"sampling_id": 900}),
])
def test_nothing_is_learnt_from_rows_that_cannot_be_read(
    bag: Path, table: str, change: dict[str, Any]
) -> None:
    assert len(read_called_tissues(bag)) == 6
    n = 2 if table == "call" else 1  # of a bud's two calls the second one counts
    for at in range(n):
        _edit(bag, table, lambda row: row.update(change), at=at)
    with pytest.raises(VerificationError, match="its rows cannot be read"):
        read_called_tissues(bag)


def test_a_refused_archive_leaves_settings_policies_and_key_as_they_were(
    bag: Path, tmp_path: Path
) -> None:
    _edit(bag, "call", lambda row: row.update(bud_id=9999))
    with Season.create(tmp_path / "empty") as season:
        ArchiveKey(season.folder)
        before = {path.name: path.read_bytes() for path in season.folder.iterdir()
                  if path.is_file() and path.suffix in ("", ".toml")}
        with pytest.raises(VerificationError):
            import_archive(season, bag)
        after = {path.name: path.read_bytes() for path in season.folder.iterdir()
                 if path.is_file() and path.suffix in ("", ".toml")}
    assert after == before
    assert {"archive-key", "budvision.toml"} <= set(before)


def test_a_file_of_an_impossible_name_is_refused(bag: Path, tmp_path: Path) -> None:
    _edit(bag, "photo", lambda row: row.update({"file": "x" * 5000}))
    with Season.create(tmp_path / "new") as season, pytest.raises(
            InputError, match="is not in the archive"):
        import_archive(season, bag)


@pytest.mark.parametrize(("kind", "value"), [("colour", "red"), ("node", "gone"), ("cause", "x")])
def test_a_mark_of_no_kind_is_refused(bag: Path, kind: str, value: str) -> None:
    row = {"id": 1, "bud_id": 1, "kind": "cause", "value": "cold", "added_at": seasons.AT}
    path = bag / "data" / "rows" / "mark.jsonl"
    path.write_text(json.dumps(row) + "\n")
    assert len(list(rows_of(bag, "mark"))) == 1
    path.write_text(json.dumps({**row, "kind": kind, "value": value}) + "\n")
    with pytest.raises(VerificationError, match=r"mark.jsonl, line 1"):
        list(rows_of(bag, "mark"))


N = int(os.environ.get("BUDVISION_MUTATIONS", "3000"))
"""Rows mutated at the door; every fiftieth goes through a whole import."""
LONG = "BUDVISION_MUTATIONS" in os.environ
"""Open the pages of every season that was taken in, not of the first two alone."""
FIRST = int(os.environ.get("BUDVISION_FIRST", "0"))
"""The first whole import, where an earlier run ended."""


@pytest.mark.slow
def test_mutated_rows_are_read_or_refused_at_the_door(
    bag: Path, record_property: Callable[[str, object], None]
) -> None:
    """Odd values, other columns, cut and broken lines: refused with the line, or a checked row."""
    draw, told, slowest = random.Random(7), Counter[str](), 0.0
    lines = {table: path.read_text().splitlines() for table in rows.ARCHIVED
             if (path := bag / "data" / "rows" / f"{table}.jsonl").read_text().strip()}
    for number in range(N):
        table = list(lines)[number % len(lines)]
        row = json.loads(draw.choice(lines[table]))
        row[draw.choice([*row, "more"])] = draw.choice(ODD)
        text = json.dumps(row)
        if number % 5 == 0:
            at = draw.randrange(len(text))
            text = text[:at] + draw.choice(['"', "}", "\\ud800", "[" * 3000, "1e999", ""]) + (
                text[at + draw.randrange(9):])
        (bag / "data" / "rows" / f"{table}.jsonl").write_text(text + "\n")
        start = time.process_time()
        try:
            told["read" if list(rows_of(bag, table)) else "empty"] += 1
        except BudvisionError:
            told["refused"] += 1
        slowest = max(slowest, time.process_time() - start)
    print(f"rows of archives: {N:,} mutated: {dict(told)}; slowest answer {slowest:.2f} s")
    record_property(f"{N} mutated rows of archives", str(dict(told)))
    assert told["refused"] > told["read"] > 0
    assert slowest < 10


def _look_at_pages(folder: Path, compiled: Path) -> int:
    """Open each page of a season, block 1, sampling 1, bud 1 and so on; return how many are there.

    An error of ours comes through; what the season's rows do not allow is told on the page.
    """
    app, n_there = create_app(folder, testing=True), 0
    app.config.update(WTF_CSRF_ENABLED=False, RATELIMIT_ENABLED=False)
    app.jinja_env.bytecode_cache = FileSystemBytecodeCache(str(compiled))  # else half of the time
    client = app.test_client()
    client.post("/me", data={"name": "Maren Holt"})
    for rule in app.url_map.iter_rules():
        if "GET" not in rule.methods or rule.endpoint.endswith("static"):
            continue
        given: dict[str, Any] = {name: PARTS.get(name, 1) for name in rule.arguments}
        with app.test_request_context():
            path = url_for(rule.endpoint, **given)
        answer = client.get(path)
        assert answer.status_code < 500, f"{path} answered {answer.status_code}: {answer.text}"
        n_there += answer.status_code == 200
    app.extensions["budvision.season"].close()
    return n_there


PARTS = {"kind": "plan", "sha256": "0" * 64, "tissue": "primary", "label": "tuned-1",
         "side_px": 200}
"""Parts of an address that are no number of a row."""


@pytest.mark.slow
def test_mutated_rows_end_in_words(tmp_path: Path) -> None:
    """Each is refused with a reason, or the season that it made gives its answers and pages."""
    n_pages = 0
    with seasons.make_season(tmp_path / "made") as season:
        export_archive(season, tmp_path / "whole", whole=True)
    (tmp_path / "whole" / "data" / "rows" / "chain.jsonl").unlink()
    template = tmp_path / "template"
    Season.create(template).close()
    tables = [table for table in rows.ARCHIVED
              if (tmp_path / "whole" / "data" / "rows" / f"{table}.jsonl").read_text().strip()]
    compiled = tmp_path / "compiled"
    compiled.mkdir()
    n_refused = n_taken = n_looked = 0
    for i in range(FIRST, N // 50):
        draw = random.Random(i)  # each by itself: a run goes on where another ended
        bag, new = tmp_path / f"bag{i}", tmp_path / f"new{i}"
        shutil.copytree(tmp_path / "whole", bag)
        table = tables[i % len(tables)]
        path = bag / "data" / "rows" / f"{table}.jsonl"
        changed: dict[str, Any] = {}

        def change(row: dict[str, Any], changed: dict[str, Any] = changed,
                   draw: random.Random = draw) -> None:
            changed[draw.choice(sorted(row))] = draw.choice(ODD)
            row.update(changed)

        _edit(bag, table, change, at=draw.randrange(len(path.read_text().splitlines())))
        shutil.copytree(template, new)
        with Season.open(new) as season:
            try:
                import_archive(season, bag)
                taken = True
            except BudvisionError:
                taken = False
            with suppress(BudvisionError):
                results(season)
        n_taken, n_refused = n_taken + taken, n_refused + (not taken)
        if taken and (LONG or n_taken <= 2):
            try:
                n_pages += _look_at_pages(new, compiled)
            except Exception as error:
                raise AssertionError(f"number {i}, {table}: {changed!s:.200}") from error
            n_looked += 1
        shutil.rmtree(bag)
        shutil.rmtree(new)
    print(f"whole archives with a mutated row from number {FIRST} on: {n_taken} taken, "
          f"{n_refused} refused; {n_pages:,} pages of {n_looked} seasons were there")
    assert n_refused > n_taken
    assert n_pages > 30 * n_looked > 0


@pytest.mark.slow
def test_a_signature_tells_who_made_a_bag(tmp_path: Path) -> None:
    """Changed and with all hashes anew, signed by another, or not signed: refused with --key."""
    with seasons.make_season(tmp_path / "made") as season:
        export_archive(season, tmp_path / "bag", sign=True)
        assert (season.folder / "signing-key").stat().st_mode & 0o777 == 0o600
        key = SigningKey(season.folder).public
    bag = tmp_path / "bag"
    assert verify_archive(bag, key=key)["signed_by"] == key
    other = SigningKey(tmp_path).public
    with pytest.raises(VerificationError, match="it is signed by ed25519:"):
        verify_archive(bag, key=other)
    with pytest.raises(InputError, match="64 hexadecimal digits"):
        verify_archive(bag, key="ed25519:12")
    reseal(bag)  # the same bytes: the same lists, and the signature holds
    _edit(bag, "call", lambda row: row.update(note="changed"))
    for told in (key, None):
        with pytest.raises(VerificationError, match="not one of these bytes"):
            verify_archive(bag, key=told)
    (bag / "signature.json").unlink()
    assert verify_archive(bag)["signed_by"] == ""
    with Season.create(tmp_path / "new") as season, pytest.raises(
            VerificationError, match="it is not signed"):
        import_archive(season, bag, key=key)
