"""Patterns that are offered for file names of people's own."""

from __future__ import annotations

from pathlib import Path

import pytest

from budvision.workflow.intake.file_names import suggest_pattern
from budvision.workflow.intake.manifest import Found, from_names


@pytest.mark.parametrize(("names", "block", "pattern", "last"), [
    (["Upper Creek-1-1", "Long Row-12-8"], "", "<block>-<cane>-<node>", ("Long Row", "", "12", 8)),
    (["UC_c3_n5", "UC_c14_n1"], "", "<block>_c<cane>_n<node>", ("UC", "", "14", 1)),
    (["UC_n5_c3", "UC_n1_c14"], "", "<block>_n<node>_c<cane>", ("UC", "", "14", 1)),
    (["UC 3 5 1", "UC 3 5 2"], "", "<block> <cane> <node> <cut>", ("UC", "", "3", 5)),
    (["cane3node5", "cane14node1"], "Mill Row", "cane<cane>node<node>", ("Mill Row", "", "14", 1)),
    (["B2-v7-c1-n1-k1", "B2-v7-c1-n2-k1"], "", "<block>-v<vine>-c<cane>-n<node>-k<cut>",
     ("B2", "7", "1", 2)),
    (["3-5", "3-6"], "Mill Row", "<cane>-<node>", ("Mill Row", "", "3", 6)),
])
def test_names_of_ones_own_get_a_pattern_that_reads_every_one(
    names: list[str], block: str, pattern: str, last: tuple[str, str, str, int]
) -> None:
    files = tuple(Path(f"{name}.jpg") for name in names)
    assert suggest_pattern(files, block=block) == pattern
    placed, wrong = from_names(Found(files, (), 0), pattern, block=block)
    assert not wrong
    assert (placed[-1].block, placed[-1].vine, placed[-1].cane, placed[-1].node) == last


@pytest.mark.parametrize("names", [
    ["IMG_4100", "IMG_4101"], ["IMG_20260212_101500", "IMG_20260212_101733"], ["bud", "bud (2)"],
    ["UC-1-1", "a picture of the bench"], [],
])
def test_names_of_a_camera_get_none(names: list[str]) -> None:
    assert suggest_pattern(tuple(Path(f"{name}.jpg") for name in names)) == ""
