"""The grower sheet: one page, plain words, nothing claimed that was not confirmed."""

from __future__ import annotations

import datetime as dt
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

import budvision
from budvision.errors import NothingToDoError, UsageError
from budvision.report.answer import answer_words
from budvision.report.facts import (
    BandFacts,
    BlockFacts,
    BudLine,
    PhotoFacts,
    PolicyFacts,
    ReaderFacts,
    RuleFacts,
    TissueFacts,
)
from budvision.report.sheet import sheet_pdf, sheet_words
from budvision.report.summary import appendix_pdf, program_summary_pdf

DAY = dt.date(2026, 1, 18)
# 35 of 100 dead: Wilson 26.36 to 44.75 % (Newcombe 1998, Table I), and nodes 61.5 (54.3 to 72.4)
# from 40 by division by the share alive (computed).
FACTS = BlockFacts(
    block="Kettle Bench Riesling", site="Sagebrush Terrace", cultivar="Riesling",
    sampling="after the cold", collected_on=dt.date(2026, 1, 16), n_buds=106, n_canes=10,
    tissues=(
        TissueFacts(name="primary", n_live=65, n_dead=35, n_unsure=2, n_not_exposed=0, share=0.35,
                    low=0.2636, high=0.4475),
        TissueFacts(name="secondary", n_live=80, n_dead=14, n_unsure=3, n_not_exposed=5,
                    share=0.149, low=0.09, high=0.23),
    ),
    bands=(BandFacts(name="normal", low=0.0, high=0.14, action="Prune as usual.", probability=0.0),
           BandFacts(name="retain_more", low=0.14, high=0.35, action="Retain 35 % more nodes.",
                     probability=0.49),
           BandFacts(name="double", low=0.35, high=1.0, action="Retain twice the normal number.",
                     probability=0.51)),
    band="double", action="Retain twice the normal number.", more_buds=210, normal_nodes=40,
    rules=(RuleFacts(name="divided by the share alive", retain=61.54, low=54.3, high=72.4),),
    policies=(PolicyFacts("double from 35 %", "", RuleFacts(name="", retain=80, low=54,
                                                            high=80), True),
              PolicyFacts("add the share dead", "", RuleFacts(name="", retain=54, low=50,
                                                              high=58)),
              PolicyFacts("stop at 30 %", "Prune minimally.", RuleFacts(name="", retain=None,
                                                                        low=None, high=None))),
    vines_per_ha=2392.0,
    readers=(ReaderFacts("Ada Quill", 80, DAY, dt.date(2026, 1, 19)),
             ReaderFacts("Bram Vetch", 26, DAY, DAY)),
    n_photos=118, waiting=("cane 3 node 4",), unsure=("cane 1 node 9", "cane 9 node 3"),
)


def picture() -> bytes:
    image = np.full((120, 120, 3), 128, np.uint8)
    return cv2.imencode(".jpg", cv2.circle(image, (60, 60), 40, (40, 90, 60), -1))[1].tobytes()


def overfull() -> BlockFacts:
    long = "A remark that goes on about the light, the blade, the weather and the dog. " * 6
    return replace(
        FACTS, block="The upper half of the old planting beyond the second ditch, " * 3,
        site="Weißenbach & Søndergård Family Vineyards of the Upper Valley " * 2,
        cultivar="Gewürztraminer (clone 05, on own roots, replanted 2011) " * 2,
        bands=(*FACTS.bands[:2], replace(FACTS.bands[2], probability=0.5)),
        readers=tuple(replace(FACTS.readers[0], name=f"Maximiliane-Alexandra von Hohenfels {i}")
                      for i in range(9)),
        photos=tuple(PhotoFacts(picture(), f"cane with a long label {i}, node 11: primary dead, "
                                "secondary unsure, tertiary live", "a3f9c2e1") for i in range(8)),
        waiting=tuple(f"cane with a long label {i} node {j}" for i in range(9) for j in range(9)),
        unsure=tuple(f"cane with a long label {i} node {j}" for i in range(9) for j in range(9)),
        warnings=(long,) * 9, notes=(long,) * 9,
        appendix=tuple(
            BudLine(cane="1", node=i, vine="", primary="dead", secondary="live",
                    tertiary="waiting", reader="Ada Quill", called_on="2026-01-18",
                    photos="a3f9c2e1")
            for i in range(1, 61)),
    )


def page_sizes(pdf: bytes, folder: Path) -> list[tuple[float, float]]:
    """Page sizes in points, as pdfinfo reads them."""
    path = folder / "page.pdf"
    path.write_bytes(pdf)
    lines = subprocess.run(["pdfinfo", "-l", "99", path], capture_output=True, text=True,
                           check=True).stdout.splitlines()
    sizes = [line.split("size:")[1].split() for line in lines if line.startswith("Page ")
             and "size:" in line]
    return [(float(size[0]), float(size[2])) for size in sizes]


def text_of(pdf: bytes, folder: Path) -> str:
    path = folder / "page.pdf"
    path.write_bytes(pdf)
    told = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True,
                          check=True).stdout
    return " ".join(told.split())


needs_poppler = pytest.mark.skipif(
    shutil.which("pdfinfo") is None, reason="pdfinfo and pdftotext (poppler-utils) are missing")

# ISO 216 A4 is 210 x 297 mm, ANSI/ASME Y14.1 A is 215.9 x 279.4 mm; 72 points an inch.
POINTS = {"a4": (595.28, 841.89), "us-letter": (612.0, 792.0)}


@pytest.mark.slow
@needs_poppler
@pytest.mark.parametrize("paper", POINTS)
@pytest.mark.parametrize("facts", [
    FACTS, overfull(), BlockFacts(block="Nothing yet", waiting=("cane 1 node 1",)),
    replace(overfull(), arrangement="A long way of saying what else could be done. " * 60,
            rules=FACTS.rules * 12, policies=FACTS.policies * 9)],
    ids=["usual", "overfull", "nothing judged", "far too full"])
def test_the_sheet_is_one_page_of_the_paper_asked_for(
    paper: str, facts: BlockFacts, tmp_path: Path
) -> None:
    sizes = page_sizes(sheet_pdf(facts, paper=paper), tmp_path)
    assert sizes == [pytest.approx(POINTS[paper], abs=0.1)]


@needs_poppler
def test_the_page_says_who_judged_what_waits_and_whom_to_ask(tmp_path: Path) -> None:
    facts = replace(FACTS, photos=(PhotoFacts(picture(), "cane 1, node 2: primary dead", "a3f9"),))
    text = text_of(sheet_pdf(facts, printed_on=DAY), tmp_path)
    for part in ("About 35 % of the primary buds are dead (likely 26 to 45 %)", "Ada Quill",
                 "18 January 2026", "Consult your local extension or licensed adviser",
                 "cane 3 node 4", "cane 1 node 9", "cane 1, node 2: primary dead", "a3f9",
                 "Razor blades cut people"):
        assert part in text


@needs_poppler
def test_nothing_is_hidden_by_an_overfull_page(tmp_path: Path) -> None:
    text = text_of(sheet_pdf(overfull()), tmp_path)
    assert "81 buds wait" in text
    assert "more remarks stand in the appendix" in text
    assert "Consult your local extension" in text


def test_us_units_give_acres_and_their_way_of_writing_days() -> None:
    metric, us = answer_words(FACTS), answer_words(FACTS, units="us")
    assert (metric.area, us.area) == ("a hectare", "an acre")
    # 61.54 nodes x 2392 vines/ha = 147,204; 968 vines/acre (5 x 9 ft, B.C. guide) x 61.54 = 59,571.
    assert (metric.nodes[0].per_area, us.nodes[0].per_area) == ("147 000", "60 000")
    assert sheet_words(FACTS, units="us", printed_on=DAY).printed == "Printed January 18, 2026"


def test_policies_that_differ_are_shown_side_by_side() -> None:
    words = answer_words(FACTS)
    assert words.disagreement == (
        "Published rules do not agree here: from 54 to 80 nodes a vine; 1 rule gives no number. "
        "Choose with your adviser.")
    assert (words.policies[2].name, words.policies[2].retain, words.policies[2].note) == (
        "stop at 30 %", "no number", "Prune minimally.")
    same = replace(FACTS, policies=(FACTS.policies[0], FACTS.policies[0]))
    assert answer_words(same).disagreement == ""


def test_nothing_judged_claims_nothing() -> None:
    unjudged = replace(
        FACTS, tissues=(TissueFacts(name="primary", n_live=0, n_dead=0, n_unsure=5,
                                    n_not_exposed=0, share=None, low=None,
                                    high=None),), readers=())
    words = answer_words(unjudged)
    assert "no result" in words.headline
    assert words.action == "Wait for the result before you decide how to prune."
    assert answer_words(replace(unjudged, waiting=())).action.startswith(
        "Nothing waits that could give a result: have other buds cut")
    assert words.nodes == ()
    assert sheet_words(unjudged).judged[0] == "Nobody has called a bud of this sampling yet."


def test_a_rule_without_a_number_says_so() -> None:
    rule = RuleFacts(name="band", retain=None, low=None, high=None,
                     note="prune minimally or not at all")
    words = answer_words(replace(FACTS, rules=(rule,)))
    assert (words.nodes[0].retain, words.nodes[0].span) == ("no number", "")
    half = answer_words(replace(FACTS, rules=(RuleFacts(name="band", retain=80, low=54,
                                                        high=None),)))
    assert half.nodes[0].span == "54 or more"


def test_unknown_units_and_paper_are_refused() -> None:
    with pytest.raises(UsageError, match="imperial.*metric or us"):
        sheet_words(FACTS, units="imperial")
    with pytest.raises(UsageError, match="a3"):
        sheet_pdf(FACTS, paper="a3")


@needs_poppler
def test_markup_in_a_name_stays_text(tmp_path: Path) -> None:
    odd = replace(FACTS, block="#panic() $x$ *bold* <b> @ref")
    assert "#panic() $x$ *bold* <b> @ref" in text_of(sheet_pdf(odd), tmp_path)


@needs_poppler
def test_the_summary_lists_every_block_even_those_without_a_result(tmp_path: Path) -> None:
    blocks = [FACTS, BlockFacts(block="Nothing yet", bands=FACTS.bands, waiting=("a", "b"))]
    text = text_of(program_summary_pdf(blocks, title="Winter 2026"), tmp_path)
    assert "2 blocks, 100 primary buds counted" in text
    assert "3 buds wait for a person" in text
    assert "no result" in text
    assert "62 (54 to 72)" in text
    assert "double *" in text       # 26 to 45 % holds the edge at 35 %
    assert "Where * stands" in text
    plain = replace(FACTS, bands=FACTS.bands[2:])
    assert "*" not in text_of(program_summary_pdf([plain], title="Winter 2026"), tmp_path)


@needs_poppler
def test_the_appendix_has_a_line_for_every_bud_and_whole_remarks(tmp_path: Path) -> None:
    facts = overfull()
    text = text_of(appendix_pdf(facts, paper="us-letter"), tmp_path)
    assert text.count("2026-01-18") == 60
    assert text.count("waiting") == 60
    assert text.count("the weather and the dog") == 18 * 6


def test_no_block_and_no_bud_are_said() -> None:
    with pytest.raises(NothingToDoError, match="no block"):
        program_summary_pdf([], title="x")
    with pytest.raises(NothingToDoError, match="no bud"):
        appendix_pdf(FACTS)


def test_that_nobody_has_called_a_bud_is_said_in_one_place() -> None:
    package = Path(budvision.__file__).parent
    said = [path.relative_to(package).as_posix() for path in sorted(package.rglob("*.py"))
            if "obody has called a bud of" in path.read_text(encoding="utf-8")]
    assert said == ["report/uncalled.py"]


def test_what_nobody_has_called_is_not_said_to_defy_judgement() -> None:
    assert answer_words(BlockFacts(block="Planned")).next_step == (
        "Nobody has called a bud of this sampling yet.")
    assert answer_words(BlockFacts(block="All unsure", n_buds=12)).next_step == (
        "No primary could be judged.")
