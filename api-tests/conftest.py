"""A real server process on a free port, spoken to over HTTP alone."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import psutil
import pytest

START_SECONDS = 180
"""A machine that has never solved compiles the solver first."""
Request = dict[str, Any]


class Server:
    """A server process; `url` is where it listens."""

    def __init__(self, url: str, process: subprocess.Popen[bytes], log: Path) -> None:
        self.url = url
        self.process = process
        self.log = log

    def client(self) -> httpx.Client:
        """A client that waits as long as a solve may take."""
        return httpx.Client(base_url=self.url, timeout=120)

    def children(self) -> list[int]:
        """The ids of the solving processes that it runs."""
        return [child.pid for child in psutil.Process(self.process.pid).children()]


@contextmanager
def started(log: Path, **environment: str) -> Iterator[Server]:
    """A server that takes work, until the block ends."""
    command = shutil.which("platerota", path=str(Path(sys.executable).parent))
    assert command is not None, "the command platerota is not installed beside this Python"
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    environment = {"PLATEROTA_DATA_DIRECTORY": str(log.parent / "data"), **environment}
    with log.open("wb") as out:
        process = subprocess.Popen([command, "serve", "--port", str(port)], stdout=out, stderr=out, env=os.environ | environment)
    server = Server(f"http://127.0.0.1:{port}", process, log)
    try:
        _await_ready(server)
        yield server
    finally:
        process.terminate()
        process.wait()


def _await_ready(server: Server) -> None:
    last = time.monotonic() + START_SECONDS
    while time.monotonic() < last and server.process.poll() is None:
        try:
            if httpx.get(f"{server.url}/v1/health/ready").status_code == 200:
                return
        except httpx.TransportError:
            pass
        time.sleep(0.05)
    raise AssertionError(f"the server takes no work: {server.log.read_text()}")


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with started(tmp_path_factory.mktemp("server") / "log", PLATEROTA_SOLVE_SLOTS="1") as server:
        yield server


@pytest.fixture
def own_server(tmp_path: Path) -> Iterator[Server]:
    """A server of one test alone, which may treat it badly."""
    with started(tmp_path / "log", PLATEROTA_SOLVE_SLOTS="1") as server:
        yield server


@pytest.fixture
def client(server: Server) -> Iterator[httpx.Client]:
    with server.client() as client:
        yield client


@pytest.fixture
def tiny() -> Request:
    """One mill, one plate with four nests, one operator, one order of eight pieces: two runs, one after the other.

    By F1, in seconds: load 60 + 4 × 15 = 120, place 10, cut 120 + 4 × 600 = 2,520, pull 10, unload 30 + 4 × 10 = 70.
    """
    return {
        "now": "2027-03-01T06:00:00",
        "shop": {
            "timezone": "Europe/Lisbon",
            "machines": [{"id": "mill-1", "mount": "M96", "travel_x": 760, "travel_y": "16 in"}],
            "plates": [{"id": "P1", "mount": "M96", "size_x": 400, "size_y": 350, "mass": "46 lb", "fixture": "bracket-vise"}],
            "fixtures": [
                {
                    "id": "bracket-vise", "load_seconds": 60, "unload_seconds": 30, "load_piece_seconds": 15, "unload_piece_seconds": 10,
                    "cycle_seconds": 120,
                },
            ],
            "nests": [{"fixture": "bracket-vise", "part": "bracket", "op": 10, "count": 4}],
            "operations": [{"part": "bracket", "op": 10, "cut_seconds": 600, "stock_mass": 1.2}],
            "operators": [{"id": "ana"}],
            "shifts": [{"operator": "ana", "days": ["mon", "tue", "wed", "thu", "fri"], "start": "06:00", "end": "14:30"}],
        },
        "orders": [{"id": "A-1042", "part": "bracket", "quantity": 8, "due": "2027-03-02T14:00:00"}],
        "settings": {"solve_seconds": 5},
    }


@pytest.fixture
def busy(tiny: Request) -> Request:
    """Enough orders, plates and mills to keep the optimiser searching for the ten minutes it is given."""
    shop = tiny["shop"]
    shop["machines"] = [{**shop["machines"][0], "id": f"mill-{number}"} for number in range(1, 4)]
    shop["plates"] = [{**shop["plates"][0], "id": f"P{number}", "fixture": f"vise-{number}"} for number in range(1, 9)]
    shop["fixtures"] = [{**shop["fixtures"][0], "id": f"vise-{number}"} for number in range(1, 9)]
    shop["nests"] = [{"fixture": f"vise-{number}", "part": f"part-{number}", "op": 10, "count": 4} for number in range(1, 9)]
    shop["operations"] = [{"part": f"part-{number}", "op": 10, "cut_seconds": 300 + 70 * number} for number in range(1, 9)]
    tiny["orders"] = [
        {
            "id": f"A-{number}", "part": f"part-{number % 8 + 1}", "quantity": 9 + 5 * number % 17,
            "due": f"2027-03-0{number % 4 + 1}T14:00:00",
        }
        for number in range(24)
    ]
    tiny["settings"] = {"solve_seconds": 600}
    return tiny


@pytest.fixture
def until() -> Callable[[httpx.Client, str, Callable[[dict[str, Any]], bool]], dict[str, Any]]:
    """Ask for a plan until it is as wanted; the test's own time limit is the end of patience."""

    def ask(client: httpx.Client, address: str, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        while True:
            plan: dict[str, Any] = client.get(address).json()
            if wanted(plan):
                return plan
            assert plan["status"] in ("waiting", "solving"), plan
            time.sleep(0.05)

    return ask
