"""Timings stand by themselves: slow, and never beside other tests."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every benchmark as slow before marks are chosen by."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker("slow")
