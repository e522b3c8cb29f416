"""Figures of the service under load. Nightly: they take minutes, and a figure is printed beside each check (`-s` shows it)."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from platerota_service.store import PlanRow, Store

from .fleet import Caller, Process, await_that, ends, open_store, submit_for_tenants, valid_child
from .postgresql import Cluster, needs_postgresql

pytestmark = pytest.mark.nightly


@pytest.fixture
def embedded(tmp_path: Path) -> Iterator[Store]:
    store = open_store(None, tmp_path / "data")
    yield store
    store.close()


def serving(command: tuple[str, ...], folder: Path, **environment: str) -> Process:
    """A service on SQLite that takes calls."""
    process = Process("all", command, {"PLATEROTA_DATA_DIRECTORY": str(folder / "data"), **environment}, folder / "log")
    process.start()
    Caller([process.port])("GET", "/v1/health/ready")
    return process


def resident_mib(process: Process) -> float:
    """Resident memory of a process in MiB, as Linux counts it."""
    assert process.process is not None
    status = Path(f"/proc/{process.process.pid}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def test_memory_stays_flat_over_500_plans(
    embedded: Store, tmp_path: Path, plan_document: dict[str, Any], request_document: dict[str, Any],
) -> None:
    process = serving(valid_child(tmp_path, plan_document, 0.02), tmp_path, PLATEROTA_SOLVE_SLOTS="4")
    caller = Caller([process.port])
    sizes: dict[int, float] = {}
    for done in range(100, 501, 100):
        for _ in range(100):
            caller.submit(request_document)
        await_that(lambda done=done: len(ends(embedded)) == done, 600, process.log.read_text)
        sizes[done] = round(resident_mib(process), 1)
    print(f"\nresident MiB after so many plans: {sizes}")
    process.end()
    assert sizes[500] <= 1.1 * sizes[100]


def test_stop_and_delete_reach_a_running_child_within_a_second(
    embedded: Store, tmp_path: Path, plan_document: dict[str, Any], request_document: dict[str, Any],
) -> None:
    """The child here ends at once when its standard input says STOP or closes, so that this is the service's own time."""
    process = serving(valid_child(tmp_path, plan_document, 600), tmp_path, PLATEROTA_SOLVE_SLOTS="1", PLATEROTA_STOP_GRACE_SECONDS="0.2")
    caller = Caller([process.port])
    taken: dict[str, list[float]] = {"stop": [], "delete": []}
    for what in ("stop", "delete") * 10:
        plan_id = caller.submit(request_document)
        await_that(lambda: bool(process.children()), 60, process.log.read_text)
        time.sleep(0.3)
        asked = time.monotonic()
        caller(*(("POST", f"/v1/plans/{plan_id}/stop") if what == "stop" else ("DELETE", f"/v1/plans/{plan_id}")))
        while process.children():
            time.sleep(0.005)
        taken[what].append(time.monotonic() - asked)
    process.end()
    worst = {what: round(max(seconds), 2) for what, seconds in taken.items()}
    print(f"\nseconds from the call to the end of the child, worst of ten (stop: 0.2 s of grace among them): {worst}")
    assert max(worst.values()) <= 1.0


@needs_postgresql
def test_more_workers_make_more_plans(
    cluster: Cluster, tmp_path: Path, plan_document: dict[str, Any], request_document: dict[str, Any],
) -> None:
    """Children that sleep 0.3 s: what is measured is the queue, not the processor."""
    command = valid_child(tmp_path, plan_document, 0.3)
    rates: dict[int, float] = {}
    for number in (1, 2, 4):
        store = open_store(cluster.new_database(f"load{number}"), tmp_path)
        url = store.url.set(drivername="postgresql").render_as_string(hide_password=False)
        environment = {"PLATEROTA_DATABASE_URL": url, "PLATEROTA_DATA_DIRECTORY": str(tmp_path), "PLATEROTA_SOLVE_SLOTS": "1"}
        submit_for_tenants(1, 12, 6, request_document, environment)
        fleet = [
            Process("work", command, environment | {"PLATEROTA_WORKER_ID": f"w{one}"}, tmp_path / f"{number}-{one}.log")
            for one in range(number)
        ]
        for process in fleet:
            process.start()
        await_that(lambda store=store: len(ends(store)) == 60, 300, lambda: "the plans are not made")
        for process in fleet:
            process.end()
        with store.reading() as session:
            first, last = session.execute(sa.select(sa.func.min(PlanRow.started_ms), sa.func.max(PlanRow.ended_ms))).one()
        rates[number] = 60_000 / (last - first)
        store.close()
    print(f"\nplans per second by workers: { {number: round(rate, 2) for number, rate in rates.items()} }; "
          f"ratios {round(rates[2] / rates[1], 2)}, {round(rates[4] / rates[1], 2)}")
    assert rates[2] > 1.4 * rates[1]
    assert rates[4] > 2.0 * rates[1]
