"""Paper is measured as a printer would see it: PDFs turned into pictures at 300 dots an inch."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

from budvision.errors import NotFoundError, UsageError
from budvision.photo.card import find_card
from budvision.photo.card_layout import MICROSCOPE, PHONE, CardLayout
from budvision.report.bench_paper import photo_cards_pdf
from budvision.report.paper import PAPERS, compile_pdf

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
            assert card.base_direction == "left"
            assert card.refused is None
    assert seen == {"phone", "microscope"}


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
