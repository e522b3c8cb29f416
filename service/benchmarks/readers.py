"""Readers of plan pages while plans are solved: ``python service/benchmarks/readers.py [READERS [SECONDS]]``. Goal: p95 of a GET 100 ms.

One service on this computer with its own SQLite file and two solves at a time, both busy for the whole of it. The readers are that
many connections, each asking for one page after the other, as people do: with a pause of about two seconds between. They look
at ten ready plans, each half the time with the ETag of what they saw last. Nothing leaves this computer; the readers
are a process of their own, whose work counts against the same cores.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

from platerota_service.demo import request_text

PLANS, PAUSE_SECONDS = 10, 2.0
PAGES = ("/board", "/load-sheets", "", "/board?day={day}", "/gantt.svg")
SERVE = "from platerota_service.command_line import app; app()"


def main() -> None:
    """Start a service, make plans, keep two solves busy, read, and print the quantiles."""
    readers = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 30.0
    with tempfile.TemporaryDirectory() as folder, service(Path(folder)) as address, httpx.Client(base_url=address, timeout=120) as client:
        week = json.loads(request_text("basic"))
        plans = [made(client, week, 2.0) for _ in range(PLANS)]
        day = str(client.get(plans[0]).json()["now"])[:10]
        cold = [timed_get(client, plan + page.format(day=day)) for plan in plans for page in PAGES]
        print(f"rendered for the first time, one after the other: {quantiles(cold)}")
        for name, busy in (("no solve", 0), ("two solves", 2)):
            solves = [client.post("/v1/plans", json=timed(week, 600.0), headers={"Prefer": "respond-async"}) for _ in range(busy)]
            await_state(client, [one.headers["Location"] for one in solves], "solving")
            took = asyncio.run(read(address, plans, day, readers, seconds))
            for one in solves:
                client.delete(one.headers["Location"])
            report(name, readers, took)


def report(name: str, readers: int, took: dict[str, list[float]]) -> None:
    """Print the quantiles of all pages and of each, in milliseconds."""
    every = [each for times in took.values() for each in times]
    print(f"{name}, {readers} readers, {len(every)} answers: {quantiles(every)}")
    for page, times in took.items():
        print(f"    {page or '(JSON)':18} {quantiles(times)}")


def quantiles(times: list[float]) -> str:
    """Median, p95 and the slowest, in words."""
    cuts = statistics.quantiles(times, n=20)
    return f"median {1_000 * statistics.median(times):.0f} ms, p95 {1_000 * cuts[18]:.0f} ms, slowest {1_000 * max(times):.0f} ms"


async def read(address: str, plans: list[str], day: str, readers: int, seconds: float) -> dict[str, list[float]]:
    """Read for so many seconds; how long each GET took, seconds, by page."""
    took: dict[str, list[float]] = {page: [] for page in PAGES}
    limits = httpx.Limits(max_connections=readers, max_keepalive_connections=readers)
    async with httpx.AsyncClient(base_url=address, timeout=60, limits=limits) as client:
        until = time.perf_counter() + seconds
        await asyncio.gather(*(_reader(client, plans, day, number, until, took) for number in range(readers)))
    return took


async def _reader(client: httpx.AsyncClient, plans: list[str], day: str, number: int, until: float, took: dict[str, list[float]]) -> None:
    chance, tags = random.Random(number), dict[str, str]()
    await asyncio.sleep(chance.uniform(0, PAUSE_SECONDS))
    while time.perf_counter() < until:
        page = chance.choice(PAGES)
        path = chance.choice(plans) + page.format(day=day)
        seen = {"If-None-Match": tags[path]} if path in tags and chance.random() < 0.5 else {}
        began = time.perf_counter()
        try:
            answer = await client.get(path, headers=seen)
        except httpx.TransportError:  # the service closed an idle connection at this moment; a browser asks again, too
            answer = await client.get(path, headers=seen)
        took[page].append(time.perf_counter() - began)
        if answer.status_code not in (200, 304):
            raise RuntimeError(f"{path}: {answer.status_code} {answer.text[:200]}")
        tags[path] = answer.headers.get("etag", "")
        await asyncio.sleep(chance.uniform(0.5, 1.5) * PAUSE_SECONDS)


def timed(week: dict[str, Any], seconds: float) -> dict[str, Any]:
    """The request with another time for the solver."""
    return {**week, "settings": {**week.get("settings", {}), "repeatable": False, "solve_seconds": seconds}}


def made(client: httpx.Client, week: dict[str, Any], seconds: float) -> str:
    """The address of a ready plan."""
    answer = client.post("/v1/plans", json=timed(week, seconds))
    if answer.status_code != 201 or answer.json()["status"] != "ready":
        raise RuntimeError(answer.text[:500])
    return str(answer.headers["Location"])


def timed_get(client: httpx.Client, path: str) -> float:
    """Seconds that one GET takes."""
    began = time.perf_counter()
    client.get(path).raise_for_status()
    return time.perf_counter() - began


def await_state(client: httpx.Client, plans: list[str], state: str) -> None:
    """Wait until every plan is in that state, a minute at most."""
    last = time.monotonic() + 60
    while any(client.get(plan).json()["status"] != state for plan in plans):
        if time.monotonic() > last:
            raise RuntimeError(f"not every plan is {state}")
        time.sleep(0.2)


@contextmanager
def service(folder: Path) -> Generator[str]:
    """A service of its own at an address of this computer, ready to solve."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    environment = os.environ | {"PLATEROTA_DATA_DIRECTORY": str(folder), "PLATEROTA_SOLVE_SLOTS": "2"}
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen([sys.executable, "-c", SERVE, "serve", "--port", str(port)], stdout=log, stderr=log, env=environment)
    address = f"http://127.0.0.1:{port}"
    try:
        last = time.monotonic() + 300
        while not _ready(address):
            if process.poll() is not None or time.monotonic() > last:
                raise RuntimeError((folder / "log").read_text())
            time.sleep(0.2)
        yield address
    finally:
        process.terminate()
        process.wait()


def _ready(address: str) -> bool:
    try:
        return httpx.get(f"{address}/v1/health/ready").status_code == 200
    except httpx.TransportError:
        return False


if __name__ == "__main__":
    main()
