"""Paper is measured as a printer would see it: PDFs turned into pictures at 300 dots an inch."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

from budvision.errors import NotFoundError, UsageError
from budvision.language import speaking
from budvision.photo.card import find_card
from budvision.photo.card_layout import MICROSCOPE, PHONE, CardLayout
from budvision.photo.tag import read_codes
from budvision.report.bench_paper import (
    TAG_SHEETS,
    StopLine,
    bench_tally_pdf,
    cane_tags_pdf,
    photo_cards_pdf,
    plan_tags,
    walking_sheet_pdf,
)
from budvision.report.paper import PAPERS, compile_pdf
from budvision.vineyard.plan import BlockLayout, VineRow
from budvision.vineyard.policies import shipped_policies
from budvision.vineyard.sample_plan import SamplePlan, make_plan, plan_from_dict

DPI = 300
MM_PER_PX = 25.4 / DPI
needs_poppler = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs pdftoppm")


def pages(pdf: bytes, folder: Path, *, dpi: int = DPI) -> list[np.ndarray]:
    """Return the pages as grey pictures."""
    (folder / "page.pdf").write_bytes(pdf)
    subprocess.run(["pdftoppm", "-r", str(dpi), "-gray", "page.pdf", "page"], cwd=folder,
                   check=True, capture_output=True)
    files = sorted(folder.glob("page*.pgm"))
    return [cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in files]


def text_of(pdf: bytes, folder: Path) -> str:
    (folder / "text.pdf").write_bytes(pdf)
    done = subprocess.run(["pdftotext", "-layout", "text.pdf", "-"], cwd=folder, check=True,
                          capture_output=True, text=True)
    return done.stdout


def _lines_mm(page: np.ndarray) -> tuple[list[float], list[float]]:
    """Return lengths of horizontal and vertical dark lines between 45 and 55 mm."""
    dark = (page < 128).astype(np.uint8)
    found: list[list[float]] = []
    for picture in (dark, np.ascontiguousarray(dark.T)):
        long = np.ones((1, int(40 / MM_PER_PX)), np.uint8)
        kept = cv2.morphologyEx(picture, cv2.MORPH_OPEN, long)
        stats = cv2.connectedComponentsWithStats(kept, connectivity=8)[2][1:]
        lengths = [w * MM_PER_PX for _, _, w, h, _ in stats.tolist() if h * MM_PER_PX < 1]
        found.append([mm for mm in lengths if 45 < mm < 55])
    return found[0], found[1]


@pytest.mark.slow
@needs_poppler
@pytest.mark.parametrize("paper", sorted(PAPERS))
def test_check_lines_are_fifty_millimetres_and_the_cards_keep_their_scale(
    paper: str, tmp_path: Path
) -> None:
    found = pages(photo_cards_pdf(paper=paper), tmp_path)
    assert len(found) == 1
    page = found[0]
    width, height = PAPERS[paper]
    assert page.shape == pytest.approx((height / MM_PER_PX, width / MM_PER_PX), abs=2)
    across, down = _lines_mm(page)
    assert across                           # the check line, and the scale on each phone card
    assert len(down) == 1
    assert max(abs(mm - 50) for mm in (*across, *down)) <= 0.2
    seen = set()
    for top, left in ((0.29, 0.0), (0.29, 0.3), (0.60, 0.03)):
        part = page[int(top * page.shape[0]):, int(left * page.shape[1]):]
        part = part[: int(45 / MM_PER_PX), : int(70 / MM_PER_PX)]
        card = find_card(np.repeat(part[..., None], 3, axis=2))
        if card is not None:
            seen.add(card.layout)
            assert card.mm_per_px == pytest.approx(MM_PER_PX, rel=0.01)
            assert abs(card.base_deg) > 135     # to the left
            assert card.refused is None
    assert seen == {"phone", "microscope"}


@pytest.mark.slow
@needs_poppler
@pytest.mark.parametrize("layout", [PHONE, MICROSCOPE], ids=lambda layout: layout.name)
def test_every_printed_card_has_all_its_markers(layout: CardLayout, tmp_path: Path) -> None:
    page = pages(photo_cards_pdf(), tmp_path)[0]
    names: list[tuple[str, int]] = []
    for row in range(900, page.shape[0] - 500, 160):
        for col in range(0, page.shape[1] - 200, 160):
            size = (int(42 / MM_PER_PX), int(64 / MM_PER_PX))
            if layout is MICROSCOPE:
                size = (int(22 / MM_PER_PX), int(32 / MM_PER_PX))
            part = page[row : row + size[0], col : col + size[1]]
            card = find_card(np.repeat(part[..., None], 3, axis=2))
            if card is not None:
                names.append((card.layout, card.n_markers))
    assert (layout.name, len(layout.markers)) in names


@needs_poppler
def test_the_card_says_how_to_use_it_and_warns_of_the_blade(tmp_path: Path) -> None:
    text = " ".join(text_of(photo_cards_pdf(), tmp_path).split())
    for words in ("this line is 50 mm", "arrow points to the cane base", "Razor blades cut people",
                  "Cut away from your fingers", "sharps container", "print at 100 %"):
        assert words in text


@needs_poppler
def test_fonts_are_in_the_pdf(tmp_path: Path) -> None:
    (tmp_path / "card.pdf").write_bytes(photo_cards_pdf())
    done = subprocess.run(["pdffonts", "card.pdf"], cwd=tmp_path, check=True, capture_output=True,
                          text=True)
    rows = done.stdout.splitlines()[2:]
    assert rows
    for row in rows:
        assert row.split()[-5] == "yes"     # column emb


def test_unknown_paper_and_template_are_named() -> None:
    with pytest.raises(UsageError, match="paper is 'a3'; expected a4 or us-letter"):
        photo_cards_pdf(paper="a3")
    with pytest.raises(NotFoundError, match="no template 'poster'"):
        compile_pdf("poster", {})


@pytest.fixture
def plan() -> SamplePlan:
    rows = tuple(
        VineRow(str(i), 40 + i % 5, frozenset({7}) if i == 3 else frozenset(),
                "top" if i <= 12 else "foot")
        for i in range(1, 25)
    )
    shares = {"small": 0.25, "medium": 0.5, "large": 0.25}
    return make_plan(
        BlockLayout("Kettle Bend 4", rows, shares), sampling="2026-01-15", canes=10, nodes=10,
        icc=0.1, share=0.3, policy=shipped_policies()["common"], draw=41,
        made_at="2026-01-14T20:00:00Z", cultivar="Riesling")


@needs_poppler
@pytest.mark.parametrize("paper", sorted(PAPERS))
def test_the_walking_sheet_names_every_vine_and_its_substitute_on_one_page(
    plan: SamplePlan, paper: str, tmp_path: Path
) -> None:
    pdf = walking_sheet_pdf(plan, paper=paper)
    assert len(pages(pdf, tmp_path, dpi=30)) == 1
    lines = [" ".join(line.split()) for line in text_of(pdf, tmp_path).splitlines()]
    for vine in plan.vines:
        row = (f"{vine.cane} {vine.row} {vine.vine} {vine.zone} {vine.size} S M L row "
               f"{vine.substitute_row} vine {vine.substitute_vine}")
        assert any(row in line for line in lines), row
    text = " ".join(lines)
    for words in ("Kettle Bend 4, Riesling", "draw 41", "Razor blades cut people",
                  "sharps container", "Tie its tag to the base end", "about 48 hours"):
        assert words in text


@needs_poppler
@pytest.mark.parametrize("size", [*sorted(TAG_SHEETS), "57x32", "40x20"])
def test_cane_tags_can_be_read_by_machine_and_by_people(
    plan: SamplePlan, size: str, tmp_path: Path
) -> None:
    tags = plan_tags(plan)
    pdf = cane_tags_pdf(tags, block=plan.block, sampling=plan.sampling, key=plan.key, size=size)
    read: list[str] = []
    for page in pages(pdf, tmp_path, dpi=200):
        read += read_codes(np.repeat(page[..., None], 3, axis=2), side_px=5000)
    assert sorted(read) == sorted(tag.text for tag in tags)
    text = " ".join(text_of(pdf, tmp_path).split())
    for words in ("cane 10", "Kettle Bend 4", plan.key, "Razor blades cut people"):
        assert words in text


@needs_poppler
def test_the_bench_tally_has_a_line_for_every_bud_and_the_tally_columns(
    plan: SamplePlan, tmp_path: Path
) -> None:
    stops = [StopLine(8, ((0, 3), None, (41, 80))), StopLine(9, ((0, 4), (17, 17), (46, 90)))]
    text = " ".join(text_of(bench_tally_pdf(plan, stops=stops, stop_words="Few or many.",
                                            stop_bands=["up to 9%", "9% to 40%", "above 40%"]),
                            tmp_path).split())
    assert "canes 8 9 up to 9% dead 0–3 0–4 9% to 40% dead – 17 above 40% dead 41–80 46–90" in text
    assert text.count("primary secondary tertiary") >= 5    # two canes stand side by side
    for vine in plan.vines:
        assert f"cane {vine.cane} · row {vine.row} vine {vine.vine}" in text
    for words in ("block,cane,node,primary,secondary,tertiary", "budvision tally", "When to stop",
                  "Razor blades cut people", "secondary towards the cane base"):
        assert words in text


@needs_poppler
def test_the_tally_of_counts_has_a_row_a_cane_and_says_what_it_cannot_tell(
    plan: SamplePlan, tmp_path: Path
) -> None:
    pdf = bench_tally_pdf(plan, counts=True)
    text = " ".join(text_of(pdf, tmp_path).split())
    for words in (
        "block,cane,buds,primary_live,primary_dead,secondary_live,secondary_dead,tertiary_live,"
        "tertiary_dead", "They cannot tell at which node buds died",
        "buds live dead live dead live dead",
    ):
        assert words in text
    for vine in plan.vines:
        assert f"{vine.cane} row {vine.row} vine {vine.vine}" in text
    assert len(pages(pdf, tmp_path, dpi=40)) == 1


def test_a_plan_comes_back_from_its_json_and_an_unknown_tag_size_is_named(
    plan: SamplePlan
) -> None:
    import json

    assert plan_from_dict(json.loads(json.dumps(plan.as_dict()))) == plan
    with pytest.raises(UsageError, match="the tag size is '5x5'; expected cut, a4-21"):
        cane_tags_pdf(plan_tags(plan), block="B", sampling="s", key=plan.key, size="5x5")


@needs_poppler
def test_text_is_never_taken_for_markup(tmp_path: Path) -> None:
    rows = (VineRow("1", 30), VineRow("#2", 30))
    odd = make_plan(
        BlockLayout("*A* #sys $x$ ]", rows), sampling="a_b `c`", canes=4, nodes=3, icc=0.1,
        share=0.3, policy=shipped_policies()["common"], draw=1, made_at="2026-01-01T00:00:00Z")
    assert "*A* #sys $x$ ]" in text_of(walking_sheet_pdf(odd), tmp_path)
    assert "*A* #sys $x$ ]" in text_of(bench_tally_pdf(odd), tmp_path)


@pytest.mark.parametrize(("language", "words"), [
    ("fr", ("Les lames de rasoir blessent", "rang", "prélevez sur chaque cep un sarment")),
    ("de", ("Rasierklingen verletzen", "Zeile", "nehmen sie von jedem stock eine rute")),
    ("es", ("cortan a las personas", "fila", "tome de cada cepa un sarmiento")),
])
def test_paper_is_in_the_language_that_is_spoken(
    tmp_path: Path, plan: SamplePlan, language: str, words: tuple[str, ...]
) -> None:
    with speaking(language):
        sheets = (walking_sheet_pdf(plan), bench_tally_pdf(plan), photo_cards_pdf(),
                  cane_tags_pdf(plan_tags(plan), block=plan.block, sampling=plan.sampling,
                                key=plan.key))
    text = " ".join(" ".join(text_of(pdf, tmp_path) for pdf in sheets).split())
    assert all(word.lower() in text.lower() for word in words)
    for english in ("Razor blades", "vine", "the cane", "Called by", "this line"):
        assert english not in text
