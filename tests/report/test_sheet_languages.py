"""The grower sheet in each language: one page, its own words, numbers and days, its cautions."""

from __future__ import annotations

import datetime as dt
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from budvision.language import speaking
from budvision.report.facts import BandFacts, BlockFacts, ReaderFacts, RuleFacts, TissueFacts
from budvision.report.sheet import sheet_pdf, sheet_words

DAY = dt.date(2026, 1, 18)
FACTS = BlockFacts(
    block="Kettle Bench", cultivar="Riesling", collected_on=DAY, n_buds=106, n_canes=10,
    tissues=(TissueFacts(name="x", n_live=65, n_dead=35, n_unsure=2, n_not_exposed=0, share=0.35,
                         low=0.2636, high=0.4475),),
    bands=(BandFacts(name="normal", low=0.0, high=0.14, action="Prune as usual.", probability=0.0),
           BandFacts(name="double", low=0.14, high=1.0,
                     action="Retain twice the normal number of nodes.", probability=1.0)),
    band="double", action="Retain twice the normal number of nodes.", more_buds=0, normal_nodes=40,
    rules=(RuleFacts(name="y", retain=61.54, low=54.3, high=72.4),), vines_per_ha=2392.0,
    readers=(ReaderFacts("Ada Quill", 80, DAY, DAY),),
)
SAID = {
    "fr": ("Environ 35\u00a0% des bourgeons primaires sont morts (probablement 26 à 45\u00a0%).",
           "18 janvier 2026", "yeux par hectare"),
    "de": ("Etwa 35\u00a0% der Hauptknospen sind tot (wahrscheinlich 26 bis 45\u00a0%).",
           "18. Januar 2026", "Augen je Hektar"),
    "es": ("Alrededor del 35\u00a0% de las yemas primarias están muertas (probablemente 26 a "
           "45\u00a0%).", "18 de enero de 2026", "nudos por hectárea"),
}
ENGLISH = ("Prune", "Retain", "buds", "canes", "dead", "range", "Read this", "Before you act")


@pytest.mark.slow
@pytest.mark.parametrize("language", SAID)
def test_a_sheet_speaks_its_language_on_one_page(language: str, tmp_path: Path) -> None:
    headline, day, area = SAID[language]
    with speaking(language):
        words = sheet_words(FACTS, printed_on=DAY)
        pdf = sheet_pdf(FACTS, printed_on=DAY)
    assert words.answer.headline == headline
    assert len(words.cautions) == 3
    if shutil.which("pdftotext") is None:
        return
    (tmp_path / "sheet.pdf").write_bytes(pdf)
    text = subprocess.run(["pdftotext", "-layout", str(tmp_path / "sheet.pdf"), "-"],
                          capture_output=True, text=True, check=True).stdout
    assert text.count("\f") == 1
    assert day in text
    assert area in text
    assert not [word for word in ENGLISH if word in text]


def test_a_users_own_words_are_left_as_they_are() -> None:
    own = replace(FACTS, block="normal", action="Ask Dana first.", bands=(
        BandFacts(name="mine", low=0.0, high=1.0, action="Ask Dana first.", probability=1.0),),
        band="mine")
    with speaking("de"):
        words = sheet_words(own)
    assert words.block == "normal"
    assert words.answer.action == "Ask Dana first."
