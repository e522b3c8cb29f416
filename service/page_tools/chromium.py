"""Debian's Chromium, as the tools and the tests start it."""

from __future__ import annotations

import os
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from playwright.sync_api import Browser, sync_playwright

CHROMIUM = Path("/usr/bin/chromium")

# As root, without a screen, and without calls of its own to the outside.
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update",
    "--disable-sync",
)


@contextmanager
def chromium() -> Generator[Browser]:
    """The browser, closed afterwards; its home goes with it, so that nothing is left in that of whoever runs this."""
    with TemporaryDirectory(ignore_cleanup_errors=True) as home, sync_playwright() as playwright:
        environment = {name: value for name, value in os.environ.items() if not name.startswith("XDG_")} | {"HOME": home}
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=list(FLAGS), env=dict(environment))
        try:
            yield browser
        finally:
            browser.close()
