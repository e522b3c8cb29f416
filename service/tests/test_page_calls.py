"""The calls that answer pages and pictures: refusals first, then what is there."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest

from platerota_service.durable_engine import DurableEngine
from platerota_service.engine import Submission, UnknownPlan

from .conftest import AppOver, EngineOf

pytestmark = pytest.mark.anyio

PAGES = ("board", "load-sheets", "machine-sheets")
PICTURES = ("gantt.svg", "gantt.png", "load.svg", "load.png")


@pytest.fixture
async def good(app_over: AppOver, engine_of: EngineOf) -> AsyncIterator[httpx.AsyncClient]:
    """The service over children that find a plan at once."""
    engine = await engine_of("good")
    await engine.check_ready(patience=60)
    transport = httpx.ASGITransport(app=app_over(engine), raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://service.test") as client:
        yield client


async def ready_plan(client: httpx.AsyncClient, document: dict[str, Any]) -> str:
    answer = await client.post("/v1/plans", json=document)
    assert answer.json()["status"] == "ready"
    return str(answer.headers["Location"])


@pytest.mark.parametrize("what", [*PAGES, *PICTURES, "board/against/nothing"])
async def test_an_unknown_plan_has_no_pages(client: httpx.AsyncClient, what: str) -> None:
    answer = await client.get(f"/v1/plans/nothing/{what}")
    assert (answer.status_code, answer.json()["type"]) == (404, "/v1/problems/unknown-plan")


@pytest.mark.parametrize("what", ["load-sheets", "machine-sheets", *PICTURES, "board/against/{id}"])
async def test_before_the_first_plan_there_is_nothing_to_print(
    app_over: AppOver, engine_of: EngineOf, submission: Submission, what: str,
) -> None:
    engine = await engine_of("patient-without-plan")
    transport = httpx.ASGITransport(app=app_over(engine))
    plan_id = await engine.submit(submission)
    async with httpx.AsyncClient(transport=transport, base_url="http://service.test") as client:
        answer = await client.get(f"/v1/plans/{plan_id}/{what.format(id=plan_id)}")
        assert (answer.status_code, answer.json()["type"]) == (409, "/v1/problems/not-ready")
        board = await client.get(f"/v1/plans/{plan_id}/board")
        assert (board.status_code, "There is no plan to show yet." in board.text) == (200, True)


@pytest.mark.parametrize("query", [
    "board?day=2020-01-01", "board?shift=06:00-14:00", "load-sheets?operator=%3Cb%3E", "load-sheets?day=x", "machine-sheets?machine=nobody",
])
async def test_a_part_that_is_not_there_is_named_with_those_that_are(
    good: httpx.AsyncClient, request_document: dict[str, Any], query: str,
) -> None:
    answer = await good.get(f"{await ready_plan(good, request_document)}/{query}")
    assert (answer.status_code, answer.json()["type"]) == (404, "/v1/problems/no-such-part")


async def test_a_parameter_that_is_too_long_is_a_fault_of_the_call(good: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
    answer = await good.get(f"{await ready_plan(good, request_document)}/board", params={"day": "2" * 41})
    assert (answer.status_code, answer.json()["type"]) == (422, "/v1/problems/faults-in-request")
    assert answer.json()["errors"][0]["pointer"] == "/query/day"


async def test_every_page_of_a_plan_is_answered(good: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
    location = await ready_plan(good, request_document)
    for what in PAGES:
        answer = await good.get(f"{location}/{what}")
        assert (answer.status_code, answer.headers["content-type"]) == (200, "text/html; charset=utf-8")
        assert answer.headers["content-security-policy"].startswith("default-src 'none'")


async def pictures(good: httpx.AsyncClient, document: dict[str, Any], form: str, kind: str) -> list[bytes]:
    """Both pictures of a plan in one form."""
    location = await ready_plan(good, document)
    answers = [await good.get(f"{location}/{picture}.{form}") for picture in ("gantt", "load")]
    for answer in answers:
        assert (answer.status_code, answer.headers["content-type"]) == (200, kind)
        assert answer.headers["x-content-type-options"] == "nosniff"
    return [answer.content for answer in answers]


async def test_every_drawing_of_a_plan_is_answered(good: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
    assert [drawing[:4] for drawing in await pictures(good, request_document, "svg", "image/svg+xml")] == [b"<svg"] * 2


@pytest.mark.usefixtures("fonts")
async def test_every_drawing_of_a_plan_is_answered_as_pixels(good: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
    assert [picture[:4] for picture in await pictures(good, request_document, "png", "image/png")] == [b"\x89PNG"] * 2


async def test_two_plans_are_compared(good: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
    base, other = [await ready_plan(good, request_document) for _ in range(2)]
    answer = await good.get(f"{base}/board/against/{other.rsplit('/', 1)[1]}")
    assert answer.status_code == 200
    assert other in answer.text
    assert (await good.get(f"{base}/board/against/nothing")).status_code == 404


async def test_the_engine_tells_the_request_of_a_plan_until_it_is_deleted(
    client: httpx.AsyncClient, engine: DurableEngine, submission: Submission,
) -> None:
    plan_id = await engine.submit(submission)
    assert await engine.request(plan_id) == submission.request
    assert (await client.get(f"/v1/plans/{plan_id}/board")).status_code == 200
    assert (await client.delete(f"/v1/plans/{plan_id}")).status_code == 204
    assert (await client.get(f"/v1/plans/{plan_id}/board")).status_code == 404
    with pytest.raises(UnknownPlan):
        await engine.request(plan_id)
