"""The short forms of `kills.py`, in a process of its own since it forks, and of `flips.py`."""

from __future__ import annotations

import importlib
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_killed_verbs_lose_and_double_nothing() -> None:
    """60 kills, 1,000 in the long run; most come before the verb's end, in every verb."""
    done = subprocess.run(
        [sys.executable, str(HERE / "kills.py"), "60"], check=False, capture_output=True,
        text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    print(done.stdout)
    cut = {name: int(n) for name, n in re.findall(r"'([^']+)': (\d+)", done.stdout)}
    assert set(cut) == {"intake", "propose", "save", "import calls", "train", "export", "backup",
                        "restore", "import archive", "move", "migration"}
    assert sum(n > 0 for n in cut.values()) >= 8
    assert sum(cut.values()) > 30


@pytest.mark.slow
def test_flipped_bits_are_noticed_or_harmless(monkeypatch: pytest.MonkeyPatch) -> None:
    """60 bits, 1,000 in the long run, in every place of a season, its backup and its archive."""
    monkeypatch.syspath_prepend(HERE)
    found = importlib.import_module("flips").flips(60)
    assert sum(found.values()) == 60
    assert found["photographs: noticed by check"] == 10
    assert {name.split(":")[0] for name in found} == {
        "database", "photographs", "models", "settings", "backup", "archive"}
