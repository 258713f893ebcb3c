"""Manifests and file names: every wrong row is named, nothing is guessed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from budvision.errors import InputError, NotFoundError, NothingToDoError
from budvision.workflow.intake.manifest import (
    compile_pattern,
    find_photos,
    from_manifest,
    from_names,
)

HEADER = "file,block,cane,node,cut\n"


@pytest.fixture
def card(tmp_path: Path, jpeg: Callable[..., bytes]) -> Path:
    folder = tmp_path / "card"
    folder.mkdir()
    for number in range(4):
        (folder / f"p{number}.jpg").write_bytes(jpeg(number))
    (folder / "notes.txt").write_text("x")
    (folder / ".hidden.jpg").write_bytes(b"x")
    return folder


def _read(card: Path, text: str) -> tuple[list[tuple[object, ...]], list[str]]:
    manifest = card / "m.csv"
    manifest.write_text(text, encoding="utf-8")
    placed, wrong, _ = from_manifest(manifest, find_photos([card]))
    return [(p.file.name, p.block, p.cane, p.node, p.cut) for p in placed], [str(e) for e in wrong]


def test_folders_are_searched_for_photographs(card: Path) -> None:
    found = find_photos([card])
    assert [file.name for file in found.files] == ["p0.jpg", "p1.jpg", "p2.jpg", "p3.jpg"]
    assert found.n_others == 1
    with pytest.raises(NotFoundError, match="no such file or folder"):
        find_photos([card / "gone"])


def test_rows_give_each_photograph_its_place(card: Path) -> None:
    placed, wrong = _read(card, HEADER + "p0.jpg,Creek,1,1,1\np1.jpg,Creek,1,1,2\n"
                          "p2.jpg,Creek,1,2,1\np3.jpg,Creek,2,1,1\n")
    assert wrong == []
    assert placed[1] == ("p1.jpg", "Creek", "1", 1, 2)


@pytest.mark.parametrize("text", [
    "\ufeff" + HEADER + "p0.jpg,Creek,1,1,1\n",
    "File; Block ;Cane;Node;Cut\np0.jpg;Creek;1;1;1\n",
    HEADER.replace(",", "\t") + "p0.jpg\tCreek\t1\t1\t1\r\n\r\n",
])
def test_spreadsheets_of_all_kinds_are_read(card: Path, text: str) -> None:
    assert _read(card, text)[0] == [("p0.jpg", "Creek", "1", 1, 1)]


@pytest.mark.parametrize(("row", "told"), [
    ("p0.jpg,Creek,1,two,1", r"m.csv, row 2: node is 'two'; expected a whole number, 1 to 200"),
    ("p0.jpg,Creek,1,0,1", r"row 2: node is '0'"),
    ("p0.jpg,Creek,1,2.5,1", r"row 2: node is '2.5'"),
    ("p0.jpg,Creek,1,1,", r"row 2: cut is ''; expected a whole number, 1 to 50"),
    ("p0.jpg,Creek,,1,1", r"row 2: cane is empty"),
    ("p0.jpg,,1,1,1", r"row 2: block is empty"),
    ("gone.jpg,Creek,1,1,1", r"row 2: there is no file 'gone.jpg'"),
    ("p0.jpg,Creek,1,1,1,extra", r"row 2: it has 6 cells; expected 5"),
])
def test_a_wrong_row_is_named_and_the_others_kept(card: Path, row: str, told: str) -> None:
    placed, wrong = _read(card, HEADER + row + "\np1.jpg,Creek,1,2,1\n")
    assert [one[0] for one in placed] == ["p1.jpg"]
    assert told in wrong[0]


def test_one_photograph_to_two_buds_refuses_both(card: Path) -> None:
    placed, wrong = _read(card, HEADER + "p0.jpg,Creek,1,1,1\np0.jpg,Creek,1,2,1\n"
                          "p1.jpg,Creek,1,3,1\n")
    assert [one[0] for one in placed] == ["p1.jpg"]
    assert "row 2: p0.jpg is given to block Creek, cane 1, node 1, cut 1" in wrong[0]
    assert "row 3 gives it to block Creek, cane 1, node 2" in wrong[0]
    assert "row 3: p0.jpg" in wrong[1]


def test_two_photographs_to_one_cut_refuse_both(card: Path) -> None:
    placed, wrong = _read(card, HEADER + "p0.jpg,Creek,1,1,1\np1.jpg,Creek,1,1,1\n")
    assert placed == []
    assert "expected one photograph a cut; m.csv, row 3 gives it p1.jpg" in wrong[0]
    assert "row 3: p1.jpg" in wrong[1]


def test_two_spellings_of_a_block_or_cane_are_asked_about(card: Path) -> None:
    placed, wrong = _read(card, HEADER + "p0.jpg,Creek,01,1,1\np1.jpg,Creek,1,2,1\n"
                          "p2.jpg,creek,2,1.0,1\np3.jpg,Creek,3,1.0,1\n")
    assert [one[0] for one in placed] == ["p0.jpg", "p3.jpg"]
    assert ['cane is "1"; expected one spelling; m.csv, row 2 writes "01"' in wrong[0],
            'block is "creek"; expected one spelling' in wrong[1]] == [True, True]


def test_photographs_without_a_row_are_reported(card: Path) -> None:
    (card / "m.csv").write_text(HEADER + "p0.jpg,Creek,1,1,1\np1.jpg,Creek,1,x,1\n")
    found = find_photos([card, card / "p3.jpg"])
    _, wrong, unlisted = from_manifest(card / "m.csv", found)
    assert [error.where for error in wrong] == ["m.csv, row 3", "p3.jpg"]
    assert [file.name for file in unlisted] == ["p2.jpg"]


@pytest.mark.parametrize(("text", "told"), [
    ("file,block,cane,node,cut,colour\n", "column colour is unknown"),
    ("file,block,cane,node\n", "column cut is missing"),
    ("file,block\n", "columns cane, node, cut are missing"),
    ("file,file,block,cane,node,cut\n", "column file is there twice"),
    ("", "the file is empty"),
])
def test_a_wrong_header_takes_nothing_in(card: Path, text: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        _read(card, text)


def test_what_is_no_table_is_refused(card: Path, tmp_path: Path) -> None:
    (card / "m.csv").write_bytes(b"\xff\xd8\xff\xe0\x00\x80")
    with pytest.raises(InputError, match="is not text in UTF-8"):
        from_manifest(card / "m.csv", find_photos([card]))
    with pytest.raises(NothingToDoError, match="no row below it"):
        _read(card, HEADER)
    with pytest.raises(NotFoundError, match="no such manifest"):
        from_manifest(tmp_path / "none.csv", find_photos([card]))


def test_a_name_in_two_folders_must_be_written_with_its_folder(
    card: Path, jpeg: Callable[..., bytes]
) -> None:
    for name in ("monday", "tuesday"):
        (card / name).mkdir()
        (card / name / "q.jpg").write_bytes(jpeg(5))
    _, wrong = _read(card, HEADER + "q.jpg,Creek,1,1,1\n")
    assert "'q.jpg' means 2 files" in wrong[0]
    placed, _ = _read(card, HEADER + "monday/q.jpg,Creek,1,1,1\ntuesday\\q.jpg,Creek,1,2,1\n")
    assert [one[3] for one in placed] == [1, 2]


def test_names_of_the_stated_pattern(tmp_path: Path) -> None:
    for name in ("East_4_c7_n3_c2.jpg", "East_n3.jpg", "East_1_n0_c1.jpg", "East_1_n1_c99.jpg"):
        (tmp_path / name).write_bytes(b"x")
    placed, wrong = from_names(find_photos([tmp_path]))
    [one] = placed
    assert (one.block, one.cane, one.node, one.cut) == ("East_4", "c7", 3, 2)
    assert {error.where for error in wrong} == {
        "East_n3.jpg", "East_1_n0_c1.jpg", "East_1_n1_c99.jpg"}
    placed, _ = from_names(find_photos([tmp_path]), "<cane>_n<node>", block="B")
    assert [(p.block, p.cane, p.node, p.cut) for p in placed] == [("B", "East", 3, 1)]


@pytest.mark.parametrize(("pattern", "told"), [
    ("<block>_<node>", "it lacks <cane>"), ("<cane>_<node>", "it lacks <block>"),
    ("<block>_<cane>_<bud>", "it holds <bud>"), ("<block>_<cane>_<node>_<node>", "a part twice"),
    ("<block>_<cane><node>", "parts touch"), ("photo", "it lacks <block>, <cane>, <node>"),
])
def test_a_pattern_that_cannot_work_is_refused(pattern: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        compile_pattern(pattern)
