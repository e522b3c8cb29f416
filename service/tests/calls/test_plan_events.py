"""Progress as server-sent events: refusals first, then each event, then coming back after a broken line."""

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any

import httpx
import pytest

from platerota_service.durable_engine import DurableEngine
from platerota_service.problems import PROBLEM_JSON

from .conftest import HandWorker

pytestmark = pytest.mark.anyio


@dataclass
class Event:
    name: str
    id: str
    data: dict[str, Any]


async def events(client: httpx.AsyncClient, plan_id: str, last: str | None = None) -> list[Event]:
    """The events up to the end of the stream. The transport gives an answer once it is whole, so changes are made beside."""
    headers = {"Last-Event-ID": last} if last is not None else {}
    answer = await client.get(f"/v1/plans/{plan_id}/events", headers=headers)
    assert (answer.status_code, answer.headers["content-type"].partition(";")[0]) == (200, "text/event-stream"), answer.text
    return list(read(answer.text))


def read(text: str) -> Any:
    for block in text.split("\n\n"):
        fields = dict(line.split(": ", 1) for line in block.splitlines() if not line.startswith(":"))
        if fields:
            yield Event(fields["event"], fields.get("id", ""), json.loads(fields["data"]))


@pytest.fixture
async def plan_id(client: httpx.AsyncClient, request_document: dict[str, Any]) -> str:
    answer = await client.post("/v1/plans", json=request_document, headers={"Prefer": "respond-async"})
    return str(answer.json()["id"])


@pytest.fixture
async def beside() -> AsyncIterator[Any]:
    """Runs changes beside a stream, each a little after the one before, so that none is joined with the next."""
    tasks = []

    def run(*changes: Any) -> None:
        async def make() -> None:
            for change in changes:
                await asyncio.sleep(0.25)
                await asyncio.to_thread(change)

        tasks.append(asyncio.create_task(make()))

    yield run
    await asyncio.gather(*tasks)


async def test_an_unknown_plan(client: httpx.AsyncClient) -> None:
    answer = await client.get("/v1/plans/nothing/events")
    assert (answer.status_code, answer.headers["content-type"]) == (404, PROBLEM_JSON)


async def test_progress_better_plans_and_the_end_each_have_their_event(
    client: httpx.AsyncClient, plan_id: str, worker: HandWorker, beside: Any,
) -> None:
    beside(
        lambda: worker.take(plan_id), lambda: worker.improve(plan_id, 4.0), lambda: worker.progress(plan_id, 4.0, 1.5),
        lambda: worker.improve(plan_id, 2.0), lambda: worker.finish(plan_id),
    )
    found = await events(client, plan_id)
    assert [event.name for event in found] == ["progress", "progress", "improved", "progress", "improved", "ready"]
    assert [event.data["status"] for event in found] == ["waiting", "solving", "solving", "solving", "solving", "ready"]
    told = found[3].data
    assert (told["score"], told["bound"], told["gap"], told["seconds"], told["stage"]) == (4.0, 1.0, 0.75, 1.5, "searching")
    assert found[-1].data["score"] == 2.0
    assert len({event.id for event in found}) == len(found)


async def test_a_plan_that_failed_says_why(client: httpx.AsyncClient, plan_id: str, worker: HandWorker) -> None:
    worker.take(plan_id)
    worker.finish(plan_id, "out of coolant")
    (end,) = await events(client, plan_id)
    assert (end.name, end.data["problem"]) == ("failed", "out of coolant")


async def test_a_plan_that_is_stopped_or_deleted_ends_the_stream(
    client: httpx.AsyncClient, request_document: dict[str, Any], plan_id: str,
) -> None:
    watching = asyncio.create_task(events(client, plan_id))
    await asyncio.sleep(0.2)
    await client.post(f"/v1/plans/{plan_id}/stop")
    assert [event.name for event in await watching][-1] == "stopped"
    other = (await client.post("/v1/plans", json=request_document, headers={"Prefer": "respond-async"})).json()["id"]
    watching = asyncio.create_task(events(client, other))
    await asyncio.sleep(0.2)
    await client.delete(f"/v1/plans/{other}")
    assert [event.name for event in await watching][-1] == "deleted"


async def test_whoever_comes_back_is_told_what_changed_since(
    client: httpx.AsyncClient, plan_id: str, worker: HandWorker, beside: Any,
) -> None:
    worker.take(plan_id)
    worker.improve(plan_id, 4.0)
    beside(lambda: worker.progress(plan_id, 4.0, 1.0), lambda: worker.finish(plan_id))
    first, *_ = await events(client, plan_id)
    again = await events(client, plan_id, first.id)
    assert [event.name for event in again] == ["ready"]
    for unknown in ("nonsense", "1-x", "", "999999999999999999999"):
        assert [event.name for event in await events(client, plan_id, unknown)] == ["ready"]


async def test_a_better_plan_that_was_missed_is_told_and_one_that_was_seen_is_not(
    client: httpx.AsyncClient, plan_id: str, worker: HandWorker, beside: Any,
) -> None:
    worker.take(plan_id)
    worker.improve(plan_id, 4.0)
    worker.progress(plan_id, 4.0, 1.0)
    beside(lambda: worker.finish(plan_id))
    assert [event.name for event in await events(client, plan_id, "1-8.0")] == ["improved", "ready"]


async def test_who_has_seen_the_end_is_told_not_to_come_again(client: httpx.AsyncClient, plan_id: str, worker: HandWorker) -> None:
    worker.solve(plan_id)
    (end,) = await events(client, plan_id)
    answer = await client.get(f"/v1/plans/{plan_id}/events", headers={"Last-Event-ID": end.id})
    assert (answer.status_code, answer.content) == (204, b"")


async def test_head_does_not_wait_for_the_end(client: httpx.AsyncClient, plan_id: str) -> None:
    answer = await client.head(f"/v1/plans/{plan_id}/events")
    assert (answer.status_code, answer.content) == (200, b"")


async def test_a_service_on_its_way_down_ends_the_stream_without_an_end(
    client: httpx.AsyncClient, plan_id: str, engine: DurableEngine,
) -> None:
    watching = asyncio.create_task(events(client, plan_id))
    await asyncio.sleep(0.3)
    await engine.close()
    assert [event.name for event in await watching] == ["progress"]
