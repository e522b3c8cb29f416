"""How fast and large the board of a plan of about 600 runs is: ``PYTHONPATH=solver:service python -m page_tools.measure``.

Goals: 300 ms and 600 kB for a page, first paint within 1 s.
"""

from __future__ import annotations

import json
from collections.abc import Generator, Mapping
from contextlib import contextmanager
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from statistics import median
from threading import Thread
from time import perf_counter, process_time

from benchmarks.generator import make_request, read_features
from page_tools.chromium import chromium
from platerota_service.board import Page, Standing, board_page
from platerota_shared.reading import read_request
from platerota_solver import solve

SOLVE_SECONDS = 15.0
GOES, PAINTS = 9, 5
FIRST_PAINT = "() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime"


def main() -> None:
    """Plan, render, paint, and print the medians."""
    request = read_request(json.dumps(make_request("large", 1, read_features("basic"), SOLVE_SECONDS)).encode())
    state = Standing(solve(request).model_copy(update={"id": "large"}))
    day = datetime.fromtimestamp(request.now, request.shop.zone).date().isoformat()
    print(f"{len(state.plan.runs)} runs, {len(state.plan.tasks)} tasks")
    for name, view in (("whole plan", None), ("first day", day)):
        spent: list[tuple[float, float]] = []
        page = board_page(state, request, view)
        for _ in range(GOES):
            began, worked = perf_counter(), process_time()
            page = board_page(state, request, view)
            spent.append((1_000 * (perf_counter() - began), 1_000 * (process_time() - worked)))
        wall, work = (median(column) for column in zip(*spent, strict=True))
        kilobytes = len(page.html.encode()) / 1_000
        print(f"{name}: {wall:.0f} ms ({work:.0f} ms of processor), {kilobytes:.0f} kB, first paint {paint(page):.0f} ms")


def paint(page: Page) -> float:
    """Milliseconds from the start of the navigation to the first contentful paint, the median of some; a new browser window each."""
    with served(page) as address, chromium() as browser:
        times: list[float] = []
        for _ in range(PAINTS):
            tab = browser.new_page()
            tab.goto(address)
            times.append(float(tab.wait_for_function(FIRST_PAINT).json_value()))
            tab.close()
        return median(times)


@contextmanager
def served(page: Page) -> Generator[str]:
    """The page at an address of this computer."""

    class Answer(BaseHTTPRequestHandler):
        """Answers every call with the page."""

        body: bytes = page.html.encode()
        more: Mapping[str, str] = page.headers

        def do_GET(self) -> None:
            """Answer."""
            self.send_response(200)
            for name, value in {**self.more, "Content-Type": "text/html; charset=utf-8", "Content-Length": str(len(self.body))}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(self.body)

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()


if __name__ == "__main__":
    main()
