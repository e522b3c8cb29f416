"""The calls about plans: refusals first, then empty, then well."""

import asyncio
import gzip
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from platerota_service.durable_engine import DurableEngine
from platerota_service.kinds import KINDS
from platerota_service.problems import PROBLEM_JSON
from platerota_service.settings import ServiceSettings

pytestmark = pytest.mark.anyio

EngineOf = Callable[..., Awaitable[DurableEngine]]
AppOver = Callable[..., FastAPI]
ASYNC = {"Prefer": "respond-async"}
JSON = {"Content-Type": "application/json"}


def problem(answer: httpx.Response, status: int, kind: str) -> dict[str, Any]:
    """The problem in an answer, which is of that status and kind."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == PROBLEM_JSON
    body: dict[str, Any] = answer.json()
    assert (body["status"], body["type"], body["title"]) == (status, KINDS[kind].type, KINDS[kind].title)
    assert body["detail"]
    return body


async def submitted(client: httpx.AsyncClient, document: dict[str, Any]) -> str:
    """The address of a plan whose solve is under way."""
    answer = await client.post("/v1/plans", json=document, headers=ASYNC)
    assert answer.status_code == 202, answer.text
    return str(answer.headers["location"])


async def with_plan(client: httpx.AsyncClient, document: dict[str, Any]) -> str:
    """The address of a plan that has found its first runs."""
    address = await submitted(client, document)
    while not (await client.get(address)).json()["runs"]:
        await asyncio.sleep(0.01)
    return address


class TestCreate:
    @pytest.mark.parametrize("kind", ["text/plain", "application/json; charset=latin-1", "multipart/form-data", "", "application/jsonp"])
    async def test_another_kind_of_body_is_refused(self, client: httpx.AsyncClient, kind: str) -> None:
        problem(await client.post("/v1/plans", content=b"{}", headers={"Content-Type": kind}), 415, "wrong-media-type")

    async def test_a_compressed_body_is_refused(self, client: httpx.AsyncClient) -> None:
        headers = JSON | {"Content-Encoding": "gzip"}
        problem(await client.post("/v1/plans", content=gzip.compress(b"{}"), headers=headers), 415, "wrong-media-type")

    async def test_a_body_announced_too_large_is_refused_without_reading_it(self, client: httpx.AsyncClient) -> None:
        async def unread() -> AsyncIterator[bytes]:
            raise AssertionError("the body was read")
            yield b""

        problem(await client.post("/v1/plans", content=unread(), headers=JSON | {"Content-Length": "200001"}), 413, "too-large")

    async def test_a_body_in_chunks_is_refused_as_soon_as_it_is_too_large(
        self, client: httpx.AsyncClient, settings: ServiceSettings,
    ) -> None:
        sent = 0

        async def chunks() -> AsyncIterator[bytes]:
            nonlocal sent
            for _ in range(100):
                sent += 50_000
                yield b" " * 50_000

        problem(await client.post("/v1/plans", content=chunks(), headers=JSON), 413, "too-large")
        assert sent <= settings.max_body_bytes + 2 * 50_000

    @pytest.mark.parametrize(
        "body",
        [
            b"", b"   ", b"hello", b'{"now": ', b'{"now": NaN}', b'{"now": -Infinity}', b"[]", b"null", b'"text"', b"[" * 100_000,
            '{"now": "Größe"}'.encode("latin-1"), '{"now": 1}'.encode("utf-16"), b"1" * 5_000, b'{"now": "\\ud800"}', b'{"now": 1e999}',
        ],
    )
    async def test_what_is_no_json_object_is_unreadable(self, client: httpx.AsyncClient, body: bytes) -> None:
        errors = problem(await client.post("/v1/plans", content=body, headers=JSON), 400, "unreadable")["errors"]
        assert all({"pointer", "code", "detail", "mend"} == set(error) for error in errors)

    async def test_every_fault_is_answered_at_once(self, client: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
        request_document["now"] = 46_447.25
        request_document["orders"][0]["part"] = "brackett"
        request_document["orders"][0]["colour"] = "blue"
        body = problem(await client.post("/v1/plans", json=request_document), 422, "faults-in-request")
        assert {error["pointer"] for error in body["errors"]} >= {"/now", "/orders/0/part", "/orders/0/colour"}
        assert all(error["detail"] and error["mend"] and error["code"] for error in body["errors"])

    async def test_a_long_solve_needs_the_header_and_the_answer_names_it(
        self, client: httpx.AsyncClient, request_document: dict[str, Any],
    ) -> None:
        request_document["settings"]["solve_seconds"] = 25.5
        body = problem(await client.post("/v1/plans", json=request_document), 400, "too-long-to-wait")
        assert "Prefer: respond-async" in body["detail"]
        assert body["errors"] == [{
            "pointer": "/settings/solve_seconds", "code": "out-of-range",
            "detail": "the optimiser is asked to take 25.5 seconds; a call that waits allows 25",
            "mend": "set it to 25 or less, or send the header 'Prefer: respond-async'",
        }]
        assert (await client.post("/v1/plans", json=request_document, headers=ASYNC)).status_code == 202

    async def test_faults_come_before_the_length_of_the_solve(self, client: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
        request_document["settings"]["solve_seconds"] = 120
        request_document["orders"][0]["quantity"] = 0
        problem(await client.post("/v1/plans", json=request_document), 422, "faults-in-request")

    async def test_a_full_queue_says_when_to_come_back(
        self, client: httpx.AsyncClient, request_document: dict[str, Any], settings: ServiceSettings,
    ) -> None:
        await with_plan(client, request_document)
        for _ in range(settings.queue_limit):
            await submitted(client, request_document)
        answer = await client.post("/v1/plans", json=request_document, headers=ASYNC)
        problem(answer, 503, "busy")
        assert int(answer.headers["retry-after"]) > 0

    async def test_while_the_optimiser_gets_ready_a_call_that_waits_is_told_to_come_again_or_to_be_asked_for_later(
        self, app_over: AppOver, engine_of: EngineOf, request_document: dict[str, Any], monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        monkeypatch.setattr("platerota_service.plan_making.WARM_PATIENCE", 0.0)
        app = app_over(await engine_of("cold"))
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://service.test") as client:
            problem(await client.get("/v1/health/ready"), 503, "warming-up")
            answer = await client.post("/v1/plans", json=request_document)
            assert "Prefer: respond-async" in problem(answer, 503, "warming-up")["detail"]
            assert int(answer.headers["retry-after"]) > 0
            taken = await client.post("/v1/plans", json=request_document, headers=ASYNC)
            assert (taken.status_code, taken.json()["status"]) == (202, "waiting")
            assert (await client.post(f"{taken.headers['location']}/stop")).json()["status"] == "stopped"

    async def test_a_short_start_is_waited_for(
        self, app_over: AppOver, engine_of: EngineOf, request_document: dict[str, Any],
    ) -> None:
        app = app_over(await engine_of("good"))
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://service.test") as client:
            answer = await client.post("/v1/plans", json=request_document)
            assert (answer.status_code, answer.json()["status"]) == (201, "ready")
            assert (await client.get("/v1/health/ready")).status_code == 200

    @pytest.mark.parametrize("prefer", ["", "wait=1", "respond-async, wait=60"])
    async def test_a_call_that_waits_answers_201_with_the_plan(
        self, app_over: AppOver, engine_of: EngineOf, request_document: dict[str, Any], prefer: str,
    ) -> None:
        app = app_over(await engine_of("good"))
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://service.test") as client:
            answer = await client.post("/v1/plans", json=request_document, headers={"Prefer": prefer})
            assert (answer.status_code, answer.json()["status"]) == (201, "ready")
            assert answer.headers["location"] == f"/v1/plans/{answer.json()['id']}"
            assert answer.headers.get("preference-applied") == ("wait=60" if "async" in prefer else None)
            assert (await client.get(answer.headers["location"])).json() == answer.json()

    async def test_a_plan_that_failed_is_answered_201_and_says_why(
        self, app_over: AppOver, engine_of: EngineOf, request_document: dict[str, Any],
    ) -> None:
        app = app_over(await engine_of("failed"))
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://service.test") as client:
            answer = await client.post("/v1/plans", json=request_document)
            assert (answer.status_code, answer.json()["status"]) == (201, "failed")
            assert answer.json()["problem"]["detail"] == "out of coolant"

    async def test_respond_async_answers_before_the_plan(self, client: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
        answer = await client.post("/v1/plans", json=request_document, headers=ASYNC)
        assert answer.status_code == 202
        assert answer.headers["retry-after"] == "5"
        assert answer.headers["preference-applied"] == "respond-async"
        body = answer.json()
        assert answer.headers["location"] == f"/v1/plans/{body['id']}"
        assert body["status"] in ("waiting", "solving")
        assert body["orders"] == body["runs"] == body["tasks"] == body["lanes"] == body["load_windows"] == []
        assert (body["now"], body["problem"], body["progress"]) == ("2027-03-01T06:00:00+00:00", None, None)

    async def test_respond_async_with_a_wait_answers_202_where_that_is_not_enough(
        self, client: httpx.AsyncClient, request_document: dict[str, Any],
    ) -> None:
        answer = await client.post("/v1/plans", json=request_document, headers={"Prefer": "respond-async, wait=0"})
        assert (answer.status_code, answer.headers["preference-applied"]) == (202, "respond-async, wait=0")

    async def test_a_byte_order_mark_and_line_breaks_are_no_fault(
        self, client: httpx.AsyncClient, request_document: dict[str, Any],
    ) -> None:
        body = json.dumps(request_document, indent=2).replace("\n", "\r\n").encode("utf-8-sig")
        assert (await client.post("/v1/plans", content=body, headers=JSON | ASYNC)).status_code == 202


class TestGet:
    async def test_an_unknown_plan(self, client: httpx.AsyncClient) -> None:
        assert "'nothing'" in problem(await client.get("/v1/plans/nothing"), 404, "unknown-plan")["detail"]
        problem(await client.get("/v1/plans/nothing", headers={"Prefer": "wait=1"}), 404, "unknown-plan")

    async def test_a_plan_under_way(self, client: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
        body = (await client.get(await with_plan(client, request_document))).json()
        assert body["status"] == "solving"
        assert body["score"]["total"] == 4.0
        assert body["tasks"][0]["start"] == "2027-03-01T06:00:00+00:00"

    async def test_wait_holds_until_the_end(self, client: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
        address = await with_plan(client, request_document)
        held = asyncio.create_task(client.get(address, headers={"Prefer": "wait=60"}))
        await asyncio.sleep(0)
        assert (await client.post(f"{address}/stop")).status_code == 202
        answer = await held
        assert (answer.status_code, answer.headers["preference-applied"]) == (200, "wait=60")
        assert answer.json()["status"] == "ready"

    async def test_wait_ends_after_its_seconds(self, client: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
        address = await with_plan(client, request_document)
        assert (await client.get(address, headers={"Prefer": "wait=0"})).json()["status"] == "solving"

    async def test_a_plan_deleted_meanwhile_is_gone(self, client: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
        address = await with_plan(client, request_document)
        held = asyncio.create_task(client.get(address, headers={"Prefer": "wait=60"}))
        await asyncio.sleep(0.05)
        await client.delete(address)
        problem(await held, 404, "unknown-plan")


class TestStop:
    async def test_an_unknown_plan(self, client: httpx.AsyncClient) -> None:
        problem(await client.post("/v1/plans/nothing/stop"), 404, "unknown-plan")

    async def test_a_plan_that_has_ended(self, client: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
        address = await with_plan(client, request_document)
        await client.post(f"{address}/stop")
        await client.get(address, headers={"Prefer": "wait=60"})
        problem(await client.post(f"{address}/stop"), 409, "already-ended")

    async def test_one_that_waits_is_stopped_at_once(self, client: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
        await with_plan(client, request_document)
        answer = await client.post(f"{await submitted(client, request_document)}/stop")
        assert (answer.status_code, answer.json()["status"]) == (202, "stopped")


class TestDelete:
    async def test_an_unknown_plan(self, client: httpx.AsyncClient) -> None:
        problem(await client.delete("/v1/plans/nothing"), 404, "unknown-plan")

    async def test_a_running_solve_ends_and_the_second_time_it_is_unknown(
        self, client: httpx.AsyncClient, request_document: dict[str, Any], engine: DurableEngine,
    ) -> None:
        address = await with_plan(client, request_document)
        answer = await client.delete(address)
        assert (answer.status_code, answer.content) == (204, b"")
        problem(await client.delete(address), 404, "unknown-plan")
        problem(await client.get(address), 404, "unknown-plan")
        await engine.check_ready()
        await with_plan(client, request_document)
