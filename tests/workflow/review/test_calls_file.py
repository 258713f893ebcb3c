"""Reading a table of calls: what is let through, and every refusal by name."""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook

from budvision.errors import BudvisionError, InputError, NotFoundError, NothingToDoError
from budvision.vocabulary import TISSUES, BudCalls, CallValue, Cause, Tissue
from budvision.workflow.review.calls_file import calls_as_csv, read_calls

HEAD = "block,cane,node,primary,secondary,tertiary\n"


def read(text, name="calls.csv"):
    return read_calls(text, name=name)


def test_plain_table():
    told = read(HEAD + "North,1,2,live,dead,\nNorth,1,3,unsure,not_exposed,live\n")
    assert told.buds[0] == BudCalls(block="North", cane="1", node=2, primary=CallValue.LIVE,
                                    secondary=CallValue.DEAD, tertiary=None)
    assert told.buds[1].secondary is CallValue.NOT_EXPOSED
    assert told.rows == (2, 3)
    assert told.warnings == ()


@pytest.mark.parametrize(
    "row", ["A,1,1, LIVE ,Not Exposed,not-exposed", "A,1,1,Live,NOT_EXPOSED, "]
)
def test_case_and_spaces_do_not_matter(row):
    bud = read(" Block , CANE ,node,Primary,secondary,tertiary\n" + row).buds[0]
    assert (bud.primary, bud.secondary) == (CallValue.LIVE, CallValue.NOT_EXPOSED)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiters_encodings_and_line_ends(tmp_path, delimiter, encoding, end):
    text = (HEAD + "Höhe 2,a,1,dead,live,live\n").replace(",", delimiter).replace("\n", end)
    path = tmp_path / "calls.csv"
    path.write_bytes(text.encode(encoding))
    assert read_calls(path).buds[0].block == "Höhe 2"


def test_letters_numbers_of_spreadsheets_and_a_workbook():
    text = "sep=;\nblock;cane;node;primary;secondary;tertiary\nA;1;1.0;L;d;N\nA;1;2;u;;\n"
    first, second = read(text).buds
    assert first == BudCalls(block="A", cane="1", node=1, primary=CallValue.LIVE,
                             secondary=CallValue.DEAD, tertiary=CallValue.NOT_EXPOSED)
    assert second.primary is CallValue.UNSURE
    book, out = Workbook(), io.BytesIO()
    for row in (HEAD.strip().split(","), ["A", 1, 1, "L", "D", "N"], ["A", 1, 2.0, "U"]):
        book.active.append(row)
    book.save(out)
    assert read_calls(out.getvalue(), name="calls.xlsx").buds == (first, second)


def test_two_spellings_of_a_cane_or_block_are_asked_about():
    text = HEAD + "A,01,1,live,,\nA,1,2,dead,,\n"
    assert len(read(text).buds) == 2
    with pytest.raises(InputError, match='row 3: cane is "1"; expected one spelling; .* "01"'):
        read_calls(text, name="c", one_spelling=True)
    with pytest.raises(InputError, match='row 3: block is "a"; expected one spelling'):
        read_calls(HEAD + "A,1,1,live,,\na,1,2,dead,,\n", name="c", one_spelling=True)


def test_optional_columns_blank_rows_and_unknown_columns():
    told = read(
        "note,vigor,primary_cause,vine," + HEAD + "x,Small,mites,7,A,1,1,dead,,\n,,,,,,,,,\n"
        "\ny,,,7,A,1,2,live,,\n"
    )
    assert told.buds[0].vigor == "small"
    assert told.buds[0].causes == {Tissue.PRIMARY: Cause.MITES}
    assert told.rows == (2, 5)
    assert told.warnings == ("calls.csv: columns note were not read.",)


def test_same_cane_label_on_two_vines_is_two_canes():
    told = read("vine," + HEAD + "1,A,1,1,live,,\n2,A,1,1,dead,,\n")
    assert len(told.buds) == 2


REFUSED = [
    (HEAD + "A,1,1,brwn,,\n", r'calls.csv, row 2: primary is "brwn"; expected live, dead, unsure, '
     r"not_exposed or empty\. Correct the row and import again; nothing was imported\."),
    (HEAD + "A,1,x,live,,\n", 'row 2: node is "x"; expected a whole number'),
    (HEAD + "A,1,1.5,live,,\n", 'node is "1.5"'),
    (HEAD + "A,1,0,live,,\n", 'node is "0"'),
    (HEAD + "A,1,-3,live,,\n", 'node is "-3"'),
    (HEAD + "A,1,,live,,\n", 'node is ""'),
    (HEAD + ",1,1,live,,\n", "row 2: block is empty"),
    (HEAD + "A,,1,live,,\n", "cane is empty"),
    (HEAD + "A,1,1,live,,\nA,1,1,dead,,\n", "row 3: node 1 of cane 1 of block A stands already in "
     "row 2"),
    (HEAD + "A,1,1,live,,,extra\n", "it has 7 cells; expected 6"),
    ("block,cane,node,primary\nA,1,1,live\n", "row 1: columns secondary, tertiary are missing"),
    ("block,cane,node,primary,secondary\nA,1,1,live,\n", "column tertiary is missing"),
    ("node," + HEAD + "1,A,1,1,live,,\n", "column node is there twice"),
    ("vigor," + HEAD + "huge,A,1,1,live,,\n", 'vigor is "huge"; expected small, medium, large'),
    ("primary_cause," + HEAD + "mites,A,1,1,live,,\n", "primary is not dead"),
    (HEAD + 'A,1,1,"live,,\n', "it is not a table"),
    (" \n\n", "the file is empty"),
]


@pytest.mark.parametrize(("text", "match"), REFUSED)
def test_refusals(text, match):
    with pytest.raises(InputError, match=match):
        read(text)


def test_one_wrong_row_refuses_all_and_names_the_others():
    rows = "".join(f"A,1,{n},{'brown' if n % 2 else 'live'},,\n" for n in range(1, 8))
    with pytest.raises(InputError, match=r"row 2: .* 3 further rows are wrong: 4, 6, 8\."):
        read(HEAD + rows)


def test_files_that_are_none(tmp_path):
    with pytest.raises(NothingToDoError, match="no row below it"):
        read(HEAD)
    with pytest.raises(NotFoundError, match="no such file"):
        read_calls(tmp_path / "calls.csv")
    with pytest.raises(NotFoundError, match="no such file"):
        read_calls(tmp_path)
    for content, match in (
        (b"", "the file is empty"), (b"PK\x03\x04\x00\xff\xfe", "CSV in UTF-8"),
        (b"block\x00,cane", "not text"), ("block,cane,Höhe".encode("latin-1"), "CSV UTF-8"),
    ):
        path = tmp_path / "calls.csv"
        path.write_bytes(content)
        with pytest.raises(InputError, match=match):
            read_calls(path)




def texts(characters, **size):
    return st.lists(st.sampled_from(characters), **size).map("".join)


names = texts("abcÄ1 ;,\"'\n", min_size=1, max_size=5).filter(lambda text: text.strip() == text)
listed = st.lists(
    st.builds(
        BudCalls, block=names, cane=names, node=st.integers(1, 9999),
        primary=st.sampled_from([None, *CallValue]), secondary=st.sampled_from([None, *CallValue]),
        tertiary=st.sampled_from([None, *CallValue]), vigor=st.sampled_from(["", "small", "large"]),
        zone=st.sampled_from(["", "top"]), cultivar=st.sampled_from(["", "Riesling"]),
    ),
    min_size=1, max_size=12, unique_by=lambda bud: (bud.block, bud.cane, bud.node),
)


@pytest.mark.slow
@given(listed)
def test_what_is_written_is_read_back(buds):
    told = [
        bud if bud.primary is not CallValue.DEAD else BudCalls(
            block=bud.block, cane=bud.cane, node=bud.node, primary=bud.primary,
            secondary=bud.secondary, tertiary=bud.tertiary,
            vigor=bud.vigor, zone=bud.zone, cultivar=bud.cultivar,
            causes={Tissue.PRIMARY: Cause.MITES},
        ) for bud in buds
    ]
    assert read(calls_as_csv(told)).buds == tuple(told)


@given(texts("A1,;\t\"\n\r \x00\u200bä²live", max_size=80))
def test_no_text_breaks_it(text):
    for content in (text, HEAD + text):
        try:
            got = read(content)
        except BudvisionError:
            continue
        assert all(bud.call(tissue) in (None, *CallValue) for bud in got.buds for tissue in TISSUES)


COUNTS = "sep=;\r\nBlock;Vine;Cane;Buds;Primary live;Primary-dead;secondary_live;secondary_dead\r\n"


def test_counts_a_cane_are_told_by_their_header():
    text = COUNTS + "A;7;1;5.0;2;3;4;\r\nA;7;2;;4;;;\r\n"
    read = read_calls(text, name="counts.csv", counts=True)
    assert read.counted
    assert not read.warnings
    assert read.rows == (3,) * 5 + (4,) * 4
    first = [bud for bud in read.buds if bud.cane == "1"]
    assert [bud.primary for bud in first] == [CallValue.LIVE] * 2 + [CallValue.DEAD] * 3
    assert [bud.secondary for bud in first] == [CallValue.LIVE] * 4 + [None]
    assert {bud.vine for bud in read.buds} == {"7"}
    with pytest.raises(InputError, match="counts do not say which bud was dead"):
        read_calls(text, name="counts.csv")


@pytest.mark.parametrize(("row", "words"), [
    ("A;7;1;4;2;3;;", "row 3: 5 primary buds are counted of 4 cut"),
    ("A;7;1;4;2;x;;", 'row 3: primary_dead is "x"'),
    ("A;7;1;;;;;", "row 3: no bud is counted"),
    ("A;7;;4;2;1;;", "row 3: cane is empty"),
    ("A;7;1;4;2;1;;\r\nA;7;1;4;2;1;;", "row 4: cane 1 of block A stands already in row 3"),
    ("A;7;01;4;2;1;;\r\nA;7;1;4;2;1;;", 'row 4: cane is "1"; expected one spelling'),
    ("A;7;1;4;2;1;;\r\na;8;1;4;2;1;;", 'row 4: block is "a"; expected one spelling'),
])
def test_wrong_counts_are_refused(row, words):
    with pytest.raises(InputError, match=words):
        read_calls(COUNTS + row + "\r\n", name="counts.csv", counts=True)
