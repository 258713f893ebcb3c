"""A drawn season for the tests of pages."""

from __future__ import annotations

from types import ModuleType

import drawn_season
import pytest


@pytest.fixture(scope="session")
def drawn() -> ModuleType:
    """Return the module that draws seasons."""
    return drawn_season
