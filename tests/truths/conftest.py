"""Reading the tables of outside numbers beside this file."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

FOLDER = Path(__file__).parent


@pytest.fixture
def truth() -> Callable[[str], list[dict[str, str]]]:
    """Return a reader of one truth file: its rows, after the lines that say where it is from."""

    def read(name: str) -> list[dict[str, str]]:
        lines = (FOLDER / name).read_text(encoding="utf-8").splitlines()
        head = [line for line in lines if line.startswith("#")]
        assert any("Source:" in line for line in head), f"{name} does not say where it is from"
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))

    return read
