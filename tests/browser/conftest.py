"""One Chromium for the tests of a module, and how long a page may take on a busy machine."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator
from typing import Any

import pytest

with contextlib.suppress(ImportError):
    from playwright.sync_api import expect

    expect.set_options(timeout=60_000)  # ms; what is waited for mostly comes at once

ARGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run", "--disable-dev-shm-usage",
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Return a browser without a window."""
    from playwright.sync_api import sync_playwright

    path = (os.environ.get("BUDVISION_CHROMIUM") or shutil.which("chromium")
            or shutil.which("chromium-browser"))
    with sync_playwright() as player:
        instance = player.chromium.launch(executable_path=path, args=ARGS)
        yield instance
        instance.close()
