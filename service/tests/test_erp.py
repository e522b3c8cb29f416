"""The call that gives a plan to an ERP: refusals first, then well."""

import asyncio
from typing import Any

import httpx
import pytest

from platerota_service.durable_engine import DurableEngine
from platerota_service.engine import Submission, UnknownPlan
from platerota_service.operations_schedule import operations_schedule
from platerota_service.problems import PROBLEM_JSON
from platerota_shared.plan import Plan

pytestmark = pytest.mark.anyio


async def ready(client: httpx.AsyncClient, address: str) -> dict[str, Any]:
    """The plan at `address`, told to stop once it has found its first runs."""
    while not (await client.get(address)).json()["runs"]:
        await asyncio.sleep(0.01)
    await client.post(f"{address}/stop")
    answer: dict[str, Any] = (await client.get(address, headers={"Prefer": "wait=20"})).json()
    assert answer["status"] == "ready"
    return answer


async def submitted(client: httpx.AsyncClient, document: dict[str, Any]) -> str:
    answer = await client.post("/v1/plans", json=document, headers={"Prefer": "respond-async"})
    return str(answer.headers["location"])


async def test_no_plan_has_no_schedule(client: httpx.AsyncClient) -> None:
    answer = await client.get("/v1/plans/nonsense/operations-schedule")
    assert (answer.status_code, answer.json()["type"]) == (404, "/v1/problems/unknown-plan")


async def test_a_plan_that_is_not_ready_is_not_given_away(client: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
    address = await submitted(client, request_document)
    answer = await client.get(f"{address}/operations-schedule")
    assert (answer.status_code, answer.headers["content-type"]) == (409, PROBLEM_JSON)
    assert answer.json()["type"] == "/v1/problems/not-ready"


async def test_a_ready_plan_is_exported_as_its_request_and_plan_say(
    client: httpx.AsyncClient, request_document: dict[str, Any], submission: Submission,
) -> None:
    address = await submitted(client, request_document)
    answered = await ready(client, address)
    plan = Plan.from_document({name: value for name, value in answered.items() if name in Plan.model_fields})
    answer = await client.get(f"{address}/operations-schedule")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/json")
    assert answer.json() == operations_schedule(submission.request, plan)
    assert answer.json()["OperationsSchedule"]["ID"] == address.rsplit("/", 1)[-1]


async def test_an_engine_keeps_the_request_of_a_plan_until_it_is_forgotten(engine: DurableEngine, submission: Submission) -> None:
    plan_id = await engine.submit(submission)
    assert await engine.request(plan_id) == submission.request
    await engine.cancel(plan_id)
    with pytest.raises(UnknownPlan):
        await engine.request(plan_id)
