"""The pictures of the README, from what `make demo` wrote: ``python -m page_tools.pictures [FOLDER [OUT_FOLDER]]``."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from playwright.sync_api import FloatRect, ViewportSize

from page_tools.chromium import chromium
from platerota_service.board import Page, Standing, board_page, load_sheets_page
from platerota_service.pictures.week import Week
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest

WIDTH, SHEET_WIDTH, SHEET_HEIGHT = 1280, 1122, 794
"""Px of the board, and of an A4 sheet on its side."""

BELOW = "one => one.getBoundingClientRect().bottom + scrollY + 16"
LAST_WHOLE_ROW = "(rows, most) => Math.max(...rows.map(row => row.getBoundingClientRect().bottom).filter(y => y < most - 34)) + 2"
MARGINS = "body { padding: 34px }"
"""The 9 mm that a printer leaves white around a sheet."""


def main() -> None:
    """Take both pictures."""
    source = Path(sys.argv[1] if len(sys.argv) > 1 else ".")
    out = Path(sys.argv[2] if len(sys.argv) > 2 else "service/pictures")
    request = read_request((source / "demo-week-request.json").read_bytes())
    plan = Plan.from_document(json.loads((source / "demo-week-plan.json").read_text("utf-8")))
    state = Standing(plan.model_copy(update={"id": "demo-week"}))
    take(board_page(state, request), out / "board.png", end="#chart-box ~ .key")
    take(first_load_sheet(state, request), out / "load-sheet.png", paper=True)


def first_load_sheet(state: Standing, request: PlanRequest) -> Page:
    """The load sheets of the second day's first operator: by then work is in full swing."""
    week = Week(state.plan, request)
    day = week.days[min(1, len(week.days) - 1)]
    return load_sheets_page(state, request, request.shop.operators[0].id, week.local(day.start).date().isoformat())


def take(page: Page, path: Path, *, end: str = "", paper: bool = False) -> None:
    """A picture of a page: down to the end of the element `end`, or as one sheet of paper."""
    with chromium() as browser:
        width = SHEET_WIDTH if paper else WIDTH
        tab = browser.new_page(viewport=ViewportSize(width=width, height=SHEET_HEIGHT), color_scheme="light")
        tab.emulate_media(media="print" if paper else "screen")
        tab.set_content(page.html)
        if paper:
            tab.add_style_tag(content=MARGINS)
        bottom = tab.eval_on_selector(end, BELOW) if end else tab.eval_on_selector_all("tbody tr", LAST_WHOLE_ROW, SHEET_HEIGHT)
        tab.screenshot(path=path, full_page=True, clip=FloatRect(x=0, y=0, width=width, height=bottom))
    print(f"written: {path}, {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
