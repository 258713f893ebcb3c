"""Tables as people keep them: marks, encodings, line ends, workbooks, and what must be asked."""

from __future__ import annotations

import datetime as dt
import io
import time
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook

from budvision.errors import BudvisionError, InputError, NotFoundError, NothingToDoError
from budvision.tables import (
    Spellings,
    day_order,
    decimal,
    read_cells,
    read_day,
    read_table,
    whole,
)

PLAIN = "block,cane,node\nHöhe,1,2\nCreek,2,3\n"


def workbook(*sheets: tuple[str, list[list[object]]]) -> bytes:
    book = Workbook()
    book.remove(book.active)
    for title, rows in sheets:
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def rows_of(source: bytes | str) -> list[tuple[int, list[str]]]:
    table = read_table(source, needed=("block", "cane", "node"))
    return [(row.number, list(row.cells.values())) for row in table.rows]


@pytest.mark.parametrize("source", [
    PLAIN,
    PLAIN.encode(),
    b"\xef\xbb\xbf" + PLAIN.encode(),
    PLAIN.encode("utf-16"),
    PLAIN.replace(",", ";"),
    PLAIN.replace(",", "\t"),
    PLAIN.replace("\n", "\r\n"),
    PLAIN.replace("\n", "\r").encode(),
    PLAIN.replace("block,cane", "Block , CANE"),
    workbook(("Sheet1", [["block", "cane", "node"], ["Höhe", 1, 2.0], ["Creek", 2, 3]])),
    workbook(("Notes", [["for Petra"]]), ("Calls", [["block", "cane", "node"], ["Höhe", "1", 2],
                                                    ["Creek", 2, 3, None, ""]])),
])
def test_the_same_rows_come_of_every_form(source: bytes | str) -> None:
    assert rows_of(source) == [(2, ["Höhe", "1", "2"]), (3, ["Creek", "2", "3"])]


def test_a_line_that_names_the_mark_is_obeyed_and_counted() -> None:
    assert rows_of('sep=;\nblock;cane;node\nA,b;1;2\n') == [(3, ["A,b", "1", "2"])]
    assert rows_of('"sep=;"\r\nblock;cane;node\r\nA;1;2\r\n') == [(3, ["A", "1", "2"])]


def test_days_and_numbers_of_a_workbook_are_as_typed() -> None:
    data = workbook(("s", [["a"], [dt.datetime(2026, 2, 14)], [dt.datetime(2026, 2, 14, 6, 30)],
                           [-25.5], [7.0], [True], [0.1 + 0.2]]))
    assert [row[1][0] for row in read_cells(data).rows] == [
        "a", "2026-02-14", "2026-02-14 06:30:00", "-25.5", "7", "yes", "0.3"]


@pytest.mark.parametrize(("source", "told"), [
    ("Käse,cane,node\nA,1,2\n".encode("latin-1"), "byte 2 .row 1. is not text in UTF-8"),
    (b"block,cane,node\nA,\x00,2\n", "bytes that are not text"),
    (b"\xd0\xcf\x11\xe0" + bytes(600), "workbook of the old kind"),
    (b"PK\x03\x04" + bytes(40), "cannot be read"),
    (b"", "the file is empty"),
    (b"\n , ,\n", "the file is empty"),
    (b'block,cane,node\nA,"1,2\n', "row 2: it is not a table"),
    (b"block,cane,node\nA,1\r,2\nB,1,2\n", "row 2: it is not a table"),
    (b"block,cane\nA,1\n", "row 1: column node is missing"),
    (b"block,cane,node,node\nA,1,2,3\n", "row 1: column node is there twice"),
    (workbook(("A", [["block", "cane", "node"], ["x", 1, 2]]),
              ("B", [["block", "cane", "node"], ["y", 1, 2]])), "2 of its sheets could be meant"),
    ("block,cane,node\n" + "x" * 200_000 + ",1,2\n", "field larger than field limit"),
])
def test_what_cannot_be_read_is_refused(source: bytes | str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        rows_of(source)


def test_a_header_alone_is_nothing_to_do_and_no_file_is_not_found(tmp_path: Path) -> None:
    with pytest.raises(NothingToDoError, match="no row below"):
        rows_of("block,cane,node\n")
    with pytest.raises(NotFoundError, match="no such file"):
        read_cells(tmp_path / "none.csv")


def test_a_million_columns_are_refused_at_once() -> None:
    start = time.process_time()
    with pytest.raises(InputError, match="row 1: it has 1,000,000 cells; expected at most 500"):
        rows_of(b",".join([b"x"] * 1_000_000))
    assert time.process_time() - start < 1


@pytest.mark.slow
def test_a_workbook_that_unpacks_without_end_is_refused() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/workbook.xml", "<x/>")
        packed.writestr("xl/worksheets/sheet1.xml", bytes(300 * 2**20))
    assert len(out.getvalue()) < 2**20
    with pytest.raises(InputError, match="it unpacks to 314,57"):
        rows_of(out.getvalue())


def test_a_cell_too_many_says_what_may_have_parted_it() -> None:
    table = read_table("time,temp\n2026-01-01,-25,5\n", needed=("time", "temp"))
    assert "a number with a decimal comma stands in quotes" in str(table.rows[0].trouble)


def test_numbers_are_read_or_left_open() -> None:
    assert [whole(text) for text in ("7", "7.0", " 12,00 ", "7.5", "", "-1", "²")] == [
        7, 7, 12, None, None, None, None]
    assert [decimal(text) for text in ("-25,5", "\N{MINUS SIGN}3", "1e3", "0,125", "1,250", "nan",
                                       "", ".5", "12,25")] == [
        -25.5, -3, 1000, 0.125, None, None, None, 0.5, 12.25]


def test_days_are_read_or_asked_for() -> None:
    assert read_day("14.2.2026 06:00") == "2026-02-14 06:00"
    assert read_day("2026/2/4") == "2026-02-04"
    assert read_day("2/14/2026 6:30") == "2026-02-14 6:30"
    assert read_day("2/3/2026") is None
    assert read_day("2/3/2026", day_order(["2/3/2026", "1/31/2026"])) == "2026-02-03"
    assert read_day("2/3/2026", day_order(["2/3/2026", "31/1/2026"])) == "2026-03-02"
    assert day_order(["31/1/2026", "1/31/2026"]) == ""
    assert read_day("31.2.2026") is None


def test_two_spellings_of_one_thing_are_asked_about() -> None:
    names = Spellings()
    names.check("cane", "01", "t.csv, row 2", within="A")
    names.check("cane", "1", "t.csv, row 3", within="B")
    names.check("cane", "10", "t.csv, row 4", within="A")
    with pytest.raises(InputError, match='row 9: cane is "1"; expected one spelling; t.csv, row 2 '
                                         'writes "01"'):
        names.check("cane", "1", "t.csv, row 9", within="A")
    names.check("block", "Höhe", "r")
    with pytest.raises(InputError, match="two|one spelling"):
        names.check("block", "HÖHE", "r2")


@given(st.binary(max_size=200) | st.text(max_size=200))
def test_nothing_else_is_ever_raised(source: bytes | str) -> None:
    try:
        read_table(source, needed=("block",))
    except BudvisionError as error:
        assert str(error)  # noqa: PT017
