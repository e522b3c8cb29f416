"""A fleet whose workers are away says so: by its readiness, its numbers, and to whoever would wait for a plan."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import pytest
import sqlalchemy as sa

from platerota_service.attempts import Attempts
from platerota_service.executor import prepare_queue
from platerota_service.settings import ServiceSettings
from platerota_service.store import PlanRow, Store
from platerota_service.upkeep import Upkeep
from platerota_service.worker_names import MISSES, Presence, count_workers, name_held

from ..postgresql import Cluster, needs_postgresql  # noqa: TID252 - it serves the tests of both folders
from .conftest import HandWorker, problem

pytestmark = [pytest.mark.anyio, needs_postgresql]
ASYNC = {"Prefer": "respond-async"}
WATCH = 0.3
Name = Callable[[str], Upkeep]


@pytest.fixture
def settings(settings: ServiceSettings, cluster: Cluster) -> ServiceSettings:
    return settings.model_copy(update={"database_url": cluster.new_database(f"d{uuid4().hex}"), "role": "api", "watch_seconds": WATCH})


@pytest.fixture
def store(settings: ServiceSettings, tmp_path: Path) -> Iterator[Store]:
    store = Store(settings.database_url, tmp_path)
    prepare_queue(store)
    store.upgrade()
    yield store
    store.close()


@pytest.fixture
def hold(settings: ServiceSettings, store: Store) -> Iterator[Name]:
    """Holds names as workers do, until they are closed."""
    with ExitStack() as held:

        def one(name: str) -> Upkeep:
            upkeep = Upkeep(settings.model_copy(update={"worker_id": name}), store, Attempts(name, settings, store, ()))
            held.callback(upkeep.close)
            upkeep.hold_name()
            return upkeep

        yield one


@pytest.fixture
def no_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in ("plan_making", "questions.making"):
        monkeypatch.setattr(f"platerota_service.{module}.WARM_PATIENCE", 0.0)


def plans(store: Store) -> int:
    with store.reading() as session:
        return session.scalar(sa.select(sa.func.count()).select_from(PlanRow)) or 0


async def test_without_a_worker_it_is_not_ready_and_lives(client: httpx.AsyncClient) -> None:
    answer = await client.get("/v1/health/ready")
    assert "no worker is at the database" in problem(answer, "no-worker")["detail"]
    assert int(answer.headers["retry-after"]) > 0
    assert (await client.get("/v1/health/live")).status_code == 200


@pytest.mark.usefixtures("no_patience")
async def test_nobody_waits_where_nobody_solves_but_what_need_not_be_waited_for_is_taken(
    client: httpx.AsyncClient, request_document: dict[str, Any], store: Store, plan_document: dict[str, Any],
) -> None:
    body = problem(await client.post("/v1/plans", json=request_document, headers={"Idempotency-Key": "a"}), "no-worker")
    assert "'Prefer: respond-async'" in body["detail"]
    assert plans(store) == 0
    taken = await client.post("/v1/plans", json=request_document, headers=ASYNC | {"Idempotency-Key": "a"})
    assert taken.status_code == 202, "a refused call does not use its key up"
    plan_id = taken.json()["id"]
    HandWorker(store, plan_document).solve(plan_id)
    sweep = {"what_ifs": [{"name": "seed 2", "changes": [{"kind": "change_settings", "seed": 2}]}]}
    sweep["what_ifs"].append({"name": "seed 3", "changes": [{"kind": "change_settings", "seed": 3}]})
    problem(await client.post(f"/v1/plans/{plan_id}/what-if-sweeps", json=sweep), "no-worker")
    assert plans(store) == 1
    assert (await client.post(f"/v1/plans/{plan_id}/what-if-sweeps", json=sweep, headers=ASYNC)).status_code == 202


async def test_a_call_that_waits_is_taken_once_a_worker_comes_back_in_time(
    client: httpx.AsyncClient, request_document: dict[str, Any], store: Store, plan_document: dict[str, Any], hold: Name,
) -> None:
    made = asyncio.create_task(client.post("/v1/plans", json=request_document))
    await asyncio.sleep(0.2)
    assert plans(store) == 0
    await asyncio.to_thread(hold, "one")
    while plans(store) == 0:
        assert not made.done(), made.result().text
        await asyncio.sleep(0.05)
    with store.reading() as session:
        HandWorker(store, plan_document).solve(session.scalars(sa.select(PlanRow.id)).one())
    assert (await made).status_code == 201


async def test_workers_are_counted_and_one_that_restarts_is_not_taken_for_gone(
    client: httpx.AsyncClient, store: Store, hold: Name,
) -> None:
    async def told() -> tuple[bool, int]:
        return "platerota_workers 2.0" in (await client.get("/metrics")).text, (await client.get("/v1/health/ready")).status_code

    one, two = await asyncio.to_thread(hold, "one"), await asyncio.to_thread(hold, "two")
    assert await told() == (True, 200)
    await asyncio.to_thread(two.close)
    assert await told() == (False, 200)
    assert "platerota_workers 1.0" in (await client.get("/metrics")).text
    begun = time.monotonic()
    await asyncio.to_thread(one.close)
    assert not name_held(store, "one")
    while (await client.get("/v1/health/ready")).status_code == 200:
        await asyncio.sleep(0.05)
        assert time.monotonic() - begun < 30
    assert time.monotonic() - begun > (MISSES - 1) * WATCH
    assert "platerota_workers 0.0" in (await client.get("/metrics")).text


async def test_a_name_that_another_worker_tries_is_no_worker(store: Store, hold: Name) -> None:
    one = await asyncio.to_thread(hold, "one")
    assert one._held is not None
    one._held.execute(sa.text("SELECT pg_advisory_lock(7319, 5)"))
    assert count_workers(store) == 1


async def test_who_was_there_before_the_database_went_is_not_taken_for_gone_when_it_is_back(
    store: Store, hold: Name, monkeypatch: pytest.MonkeyPatch,
) -> None:
    presence, never = Presence(store, WATCH), Presence(store, WATCH)
    one = await asyncio.to_thread(hold, "one")
    assert await presence.ready(0)
    await asyncio.to_thread(one.close)
    await asyncio.sleep((MISSES + 0.5) * WATCH)

    def away(_store: Store) -> int:
        raise sa.exc.OperationalError("SELECT", {}, Exception("away"))

    with monkeypatch.context() as outage:
        outage.setattr("platerota_service.worker_names.count_workers", away)
        for each in (presence, never):
            with pytest.raises(sa.exc.OperationalError):
                await each.ready(0)
    assert (await presence.ready(0), await never.ready(0)) == (True, False)
