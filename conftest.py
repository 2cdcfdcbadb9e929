"""A real browser for tests marked ``browser``: skipped with a reason where there is none, failed where CI is set."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import Any

import pytest

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
FLAGS = (
    "--disable-gpu",
    "--disable-quic",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A headless Chromium, driven by Playwright."""
    names = (os.environ.get("STANCH_BROWSER"), *BROWSERS)
    path = next(filter(None, (shutil.which(name) for name in names if name)), None)
    if path is None:
        reason = "no Chromium; as root: apt-get install chromium libatomic1 fonts-dejavu-core"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    from playwright.sync_api import sync_playwright

    flags = [*FLAGS, "--no-sandbox"] if os.geteuid() == 0 else list(FLAGS)
    with sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=path, args=flags)
        yield running
        running.close()


@pytest.fixture
def offline_page(chromium: Any) -> Iterator[Any]:
    """A page without network; ``page.asked_outside`` holds what it asked for, ``page.faults`` its errors."""
    context = chromium.new_context(offline=True, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.asked_outside = []
    page.faults = []

    def asked(request: Any) -> None:
        if not request.url.startswith(("file:", "data:", "blob:", "about:")):
            page.asked_outside.append(request.url)

    page.on("request", asked)
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    yield page
    context.close()
