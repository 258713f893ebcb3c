"""The short form of `kills.py`: 60 kills and 60 flipped bits (BUDVISION_KILLS for more)."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_kills_and_flipped_bits() -> None:
    """In a process of its own, since it forks; it ends with an error where anything is lost."""
    times = os.environ.get("BUDVISION_KILLS", "60")
    done = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("kills.py")), times], check=False,
        capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    print(done.stdout)
    assert sum(int(n) for n in re.findall(r": (\d+)", done.stdout.splitlines()[0])) > 0
