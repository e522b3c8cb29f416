"""Idempotency-Key: a call that is sent again makes no second plan, and is answered as the first time."""

import asyncio
import copy
from typing import Any

import httpx
import pytest
import time_machine

from platerota_service.durable_engine import DurableEngine
from platerota_service.store import PlanRow, Store, now_ms

from .conftest import HandWorker, problem

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
KEY = {"Idempotency-Key": "a-1"}
ASYNC = {"Prefer": "respond-async"}


def plans(store: Store) -> int:
    with store.reading() as session:
        return session.query(PlanRow).count()


@pytest.mark.parametrize("key", ["", '""', "a b", "x" * 256, "caf\u00e9", '"'])
async def test_what_is_no_key(client: httpx.AsyncClient, request_document: Document, store: Store, key: str) -> None:
    headers = {"Idempotency-Key": key.encode(), **{name: value.encode() for name, value in ASYNC.items()}}
    answer = await client.post("/v1/plans", json=request_document, headers=headers)
    if key == '"':
        assert answer.status_code == 202  # a lone quotation mark is a text of one character
    else:
        problem(answer, "bad-header")
        assert plans(store) == 0


async def test_another_request_with_the_same_key(client: httpx.AsyncClient, request_document: Document, store: Store) -> None:
    await client.post("/v1/plans", json=request_document, headers=KEY | ASYNC)
    other = copy.deepcopy(request_document)
    other["orders"][0]["quantity"] += 1
    problem(await client.post("/v1/plans", json=other, headers=KEY | ASYNC), "idempotency-key-reused")
    await client.put("/v1/shops/main", json=request_document["shop"])
    problem(await client.post("/v1/shops/main/plans", json=request_document, headers=KEY | ASYNC), "idempotency-key-reused")
    assert plans(store) == 1


async def test_a_refused_request_does_not_use_the_key_up(client: httpx.AsyncClient, request_document: Document) -> None:
    faulty = {**request_document, "now": "soon"}
    problem(await client.post("/v1/plans", json=faulty, headers=KEY | ASYNC), "faults-in-request")
    assert (await client.post("/v1/plans", json=request_document, headers=KEY | ASYNC)).status_code == 202


async def test_while_the_first_call_waits_for_its_plan_the_second_is_told_where_it_is(
    client: httpx.AsyncClient, request_document: Document, store: Store, worker: HandWorker,
) -> None:
    first = asyncio.create_task(client.post("/v1/plans", json=request_document, headers=KEY))
    while plans(store) == 0:
        await asyncio.sleep(0.01)
    answer = await client.post("/v1/plans", json=request_document, headers=KEY)
    problem(answer, "still-answering")
    assert int(answer.headers["retry-after"]) > 0
    plan_id = answer.headers["location"].rsplit("/", 1)[-1]
    worker.solve(plan_id)
    made = await first
    assert (made.status_code, made.json()["id"]) == (201, plan_id)
    again = await client.post("/v1/plans", json=request_document, headers=KEY)
    assert (again.status_code, again.json(), again.headers["location"]) == (201, made.json(), made.headers["location"])
    assert plans(store) == 1


async def test_a_request_that_was_taken_is_taken_again_quoted_or_not(
    client: httpx.AsyncClient, request_document: Document, store: Store,
) -> None:
    first = await client.post("/v1/plans", json=request_document, headers=KEY | ASYNC)
    again = await client.post("/v1/plans", json=request_document, headers={"Idempotency-Key": '"a-1"'} | ASYNC)
    assert (again.status_code, again.headers["location"]) == (202, first.headers["location"])
    assert plans(store) == 1


async def test_many_at_once_make_one_plan(client: httpx.AsyncClient, request_document: Document, store: Store) -> None:
    answers = await asyncio.gather(*(client.post("/v1/plans", json=request_document, headers=KEY | ASYNC) for _ in range(8)))
    assert {answer.status_code for answer in answers} == {202}
    assert len({answer.headers["location"] for answer in answers}) == 1
    assert plans(store) == 1


async def test_a_plan_deleted_meanwhile_is_not_made_anew(client: httpx.AsyncClient, request_document: Document, store: Store) -> None:
    first = await client.post("/v1/plans", json=request_document, headers=KEY | ASYNC)
    await client.delete(first.headers["location"])
    again = await client.post("/v1/plans", json=request_document, headers=KEY | ASYNC)
    assert "with a new Idempotency-Key" in problem(again, "idempotency-key-spent")["detail"]
    assert plans(store) == 0
    other = {"Idempotency-Key": "a-2"}
    assert (await client.post("/v1/plans", json=request_document, headers=other | ASYNC)).status_code == 202


async def test_after_a_day_the_key_is_new(client: httpx.AsyncClient, request_document: Document, store: Store) -> None:
    await client.post("/v1/plans", json=request_document, headers=KEY | ASYNC)
    with time_machine.travel(now_ms() / 1000 + 86_401):
        assert (await client.post("/v1/plans", json=request_document, headers=KEY | ASYNC)).status_code == 202
    assert plans(store) == 2


async def test_without_a_key_equal_requests_are_plans_of_their_own(
    client: httpx.AsyncClient, request_document: Document, store: Store,
) -> None:
    for _ in range(2):
        await client.post("/v1/plans", json=request_document, headers=ASYNC)
    assert plans(store) == 2


async def test_where_a_full_queue_refuses_the_key_is_not_used_up(
    client: httpx.AsyncClient, request_document: Document, engine: DurableEngine, worker: HandWorker,
) -> None:
    made = [(await client.post("/v1/plans", json=request_document, headers=ASYNC)).json()["id"] for _ in range(2)]
    problem(await client.post("/v1/plans", json=request_document, headers=KEY | ASYNC), "busy")
    worker.solve(made[0])
    await engine.check_ready()
    assert (await client.post("/v1/plans", json=request_document, headers=KEY | ASYNC)).status_code == 202
