"""A drawn season for the tests of pages."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def drawn() -> ModuleType:
    """Return the module that draws seasons."""
    spec = importlib.util.spec_from_file_location(
        "drawn_season", Path(__file__).with_name("drawn_season.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["drawn_season"] = module
    spec.loader.exec_module(module)
    return module
