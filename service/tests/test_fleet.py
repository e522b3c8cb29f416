"""Several processes on one PostgreSQL: who vanishes is replaced, who is in a rush goes first, and no tenant starves."""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from platerota_service.store import PlanRow, Store

from .fleet import Caller, Process, await_that, ends, open_store, submit_for_tenants, valid_child
from .postgresql import Cluster, needs_postgresql

pytestmark = needs_postgresql
WORKERS = 4


@pytest.fixture
def store(cluster: Cluster, tmp_path: Path) -> Iterator[Store]:
    store = open_store(cluster.new_database(f"fleet{time.time_ns()}"), tmp_path)
    yield store
    store.close()


@pytest.fixture
def environment(store: Store, tmp_path: Path) -> dict[str, str]:
    return {
        "PLATEROTA_DATABASE_URL": store.url.set(drivername="postgresql").render_as_string(hide_password=False),
        "PLATEROTA_DATA_DIRECTORY": str(tmp_path), "PLATEROTA_SOLVE_SLOTS": "1", "PLATEROTA_WATCH_SECONDS": "0.3",
    }


def workers(number: int, command: tuple[str, ...], environment: dict[str, str], folder: Path) -> list[Process]:
    """Workers of names of their own; they are not started yet."""
    return [
        Process("work", command, environment | {"PLATEROTA_WORKER_ID": f"worker-{one}"}, folder / f"worker-{one}.log")
        for one in range(number)
    ]


def open_plans(store: Store) -> int:
    with store.reading() as session:
        return session.scalar(sa.select(sa.func.count()).where(PlanRow.ended_ms.is_(None))) or 0


def test_the_plan_of_a_worker_that_never_comes_back_is_made_by_another(
    store: Store, environment: dict[str, str], tmp_path: Path, plan_document: dict[str, Any], request_document: dict[str, Any],
) -> None:
    first, second = workers(2, valid_child(tmp_path, plan_document, 2), environment, tmp_path)
    api = Process("api", (), environment, tmp_path / "api.log")
    for process in (api, first):
        process.start()
    caller = Caller([api.port])
    plan_id = caller.submit(request_document)
    await_that(lambda: bool(first.children()) and caller("GET", f"/v1/plans/{plan_id}").json()["runs"] != [], 60, first.log.read_text)
    first.kill()
    kept = caller("GET", f"/v1/plans/{plan_id}").json()
    assert (kept["status"], bool(kept["runs"])) == ("solving", True), "the best plan so far outlives its worker"
    second.start()
    plan = caller("GET", f"/v1/plans/{plan_id}", headers={"Prefer": "wait=60"}).json()
    assert plan["status"] == "ready", second.log.read_text()
    assert ends(store) == {plan_id: ["ready"]}
    with store.reading() as session:
        row = session.get_one(PlanRow, plan_id)
        assert (row.worker, row.attempts) == ("worker-1", 2)
    for process in (api, second):
        process.end()


@pytest.mark.parametrize(("each", "seconds"), [(3, 0.05), pytest.param(20, 0.1, marks=pytest.mark.nightly)])
def test_a_rush_goes_first_and_no_tenant_waits_much_longer_than_another(
    store: Store, environment: dict[str, str], tmp_path: Path, plan_document: dict[str, Any], request_document: dict[str, Any],
    each: int, seconds: float,
) -> None:
    """Three processes take the plans of five tenants, each one's after the other's; then four workers make them."""
    submit_for_tenants(3, each, 5 if each > 5 else 3, request_document, environment)
    with store.reading() as session:
        taken = session.scalar(sa.select(sa.func.count()).select_from(PlanRow))
    assert taken == 15 * each
    fleet = workers(WORKERS, valid_child(tmp_path, plan_document, seconds), environment, tmp_path)
    for process in fleet:
        process.start()
    await_that(lambda: open_plans(store) == 0, 60 + 2 * 15 * each, lambda: "\n".join(process.log.read_text()[-3_000:] for process in fleet))
    with store.reading() as session:
        rows = session.scalars(sa.select(PlanRow).order_by(PlanRow.started_ms)).all()
    for process in fleet:
        process.end()
    assert {row.state for row in rows} == {"ready"}
    assert {tuple(states) for states in ends(store).values()} == {("ready",)}
    rushed = [number for number, row in enumerate(rows) if row.rush]
    assert rushed[-1] < len(rushed) + WORKERS, "no plan that is not in a rush begins before one that is, but for those begun at once"
    # How many plans began before: counted, so that a slow machine changes nothing.
    waits = {
        tenant: statistics.median(number for number, row in enumerate(rows) if row.tenant == tenant and not row.rush) - len(rushed)
        for tenant in "abcde"
    }
    seconds_by_tenant = {
        tenant: statistics.median((row.started_ms or 0) - (rows[0].started_ms or 0) for row in rows if row.tenant == tenant) / 1000
        for tenant in "abcde"
    }
    used = {row.worker for row in rows}
    print(f"\n{len(rows)} plans, {len(rushed)} in a rush, by {len(used)} workers; median wait by tenant in plans {waits}, in s"
          f" {seconds_by_tenant}")
    assert max(waits.values()) <= 1.5 * min(waits.values())
