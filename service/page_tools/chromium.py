"""Debian's Chromium, as the tools and the tests start it."""

from __future__ import annotations

from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

CHROMIUM = Path("/usr/bin/chromium")

# As root, without a screen, and without calls of its own to the outside.
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update",
    "--disable-sync",
)


@contextmanager
def chromium() -> Generator[Browser]:
    """The browser, closed afterwards."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=list(FLAGS))
        try:
            yield browser
        finally:
            browser.close()
