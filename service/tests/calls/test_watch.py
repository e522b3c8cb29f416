"""Watching the service: traces go through, logs are JSON with the trace and the plan, numbers tell what happened."""

import io
import json
import logging
import re
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
import structlog
from fastapi import FastAPI
from prometheus_client.parser import text_string_to_metric_families

from platerota_service.watch.logs import start_logging
from platerota_service.watch.traces import trace_of
from proof_tools.outside import Outside

from .conftest import HandWorker

pytestmark = pytest.mark.anyio

TRACE = "4bf92f3577b34da6a3ce929d0e0e4736"
ASYNC = {"Prefer": "respond-async"}


class TestTraces:
    """The cases are those of W3C Trace Context (https://www.w3.org/TR/trace-context/), sections 2.2 and 3.2.2; so is the example."""

    @pytest.mark.parametrize(
        "header",
        [
            None, "", "nonsense", f"00-{TRACE}-00f067aa0ba902b7", f"ff-{TRACE}-00f067aa0ba902b7-01", f"00-{'0' * 32}-00f067aa0ba902b7-01",
            f"00-{TRACE}-{'0' * 16}-01", f"00-{TRACE.upper()}-00f067aa0ba902b7-01", f"00-{TRACE}-00f067aa0ba902b7-01-more",
        ],
    )
    def test_where_none_is_given_or_it_is_malformed_a_new_trace_begins(self, outside: Outside, header: str | None) -> None:
        trace = trace_of(header)
        assert trace.parent_id is None
        outside(f"whether the trace of `{header}` goes on", trace.trace_id == TRACE, False, "W3C Trace Context", "memory")
        assert re.fullmatch(r"00-[0-9a-f]{32}-[0-9a-f]{16}-00", trace.traceparent)

    @pytest.mark.parametrize(
        ("header", "flags"),
        [("00-{}-00f067aa0ba902b7-01", "01"), ("00-{}-00f067aa0ba902b7-fe", "00"), ("cc-{}-00f067aa0ba902b7-01-x", "01")],
    )
    def test_a_trace_goes_on_with_a_part_of_our_own(self, outside: Outside, header: str, flags: str) -> None:
        trace = trace_of(header.format(TRACE))
        assert (trace.trace_id, trace.parent_id) == (TRACE, "00f067aa0ba902b7")
        outside(f"flags that go on of `{header.format('4bf9…4736')}`", trace.flags, flags, "W3C Trace Context", "memory")
        assert trace.span_id not in ("00f067aa0ba902b7", trace_of(header.format(TRACE)).span_id)

    async def test_every_answer_names_it_errors_included(self, app: FastAPI, client: httpx.AsyncClient) -> None:
        headers = {"traceparent": f"00-{TRACE}-00f067aa0ba902b7-01"}
        for path in ("/v1/health/live", "/v1/plans/none", "/nowhere"):
            assert (await client.get(path, headers=headers)).headers["traceparent"].split("-")[1] == TRACE


@pytest.fixture
def log() -> Iterator[io.StringIO]:
    """What the service logs, as it does when it is served."""
    root, stream = logging.getLogger(), io.StringIO()
    before = (root.level, root.handlers[:])
    start_logging(stream=stream)
    yield stream
    root.setLevel(before[0])
    root.handlers[:] = before[1]
    structlog.contextvars.clear_contextvars()


def lines(log: io.StringIO) -> list[dict[str, Any]]:
    return [json.loads(line) for line in log.getvalue().splitlines()]


class TestLogs:
    async def test_a_line_is_json_with_the_trace_the_plan_and_the_caller(
        self, client: httpx.AsyncClient, request_document: dict[str, Any], log: io.StringIO,
    ) -> None:
        headers = ASYNC | {"traceparent": f"00-{TRACE}-00f067aa0ba902b7-01"}
        plan_id = (await client.post("/v1/plans", json=request_document, headers=headers)).json()["id"]
        (call,) = [line for line in lines(log) if line["event"] == "call"]
        assert (call["trace_id"], call["plan"], call["tenant"]) == (TRACE, plan_id, "local")
        assert (call["method"], call["path"], call["status"], call["level"]) == ("POST", "/v1/plans", 202, "info")
        assert call["timestamp"].endswith("Z")
        assert all(line["trace_id"] == TRACE for line in lines(log))

    async def test_one_call_leaves_nothing_to_the_next(self, client: httpx.AsyncClient, log: io.StringIO) -> None:
        await client.get("/v1/plans/one")
        await client.get("/v1/problems")
        first, second = [line for line in lines(log) if line["event"] == "call"]
        assert first["plan"] == "one"
        assert "plan" not in second
        assert first["trace_id"] != second["trace_id"]

    async def test_the_query_of_a_call_is_not_logged(self, client: httpx.AsyncClient, log: io.StringIO) -> None:
        await client.get("/v1/plans/one", params={"key": "k", "expires": "1", "signature": "abcdef"})
        assert "abcdef" not in log.getvalue()

    async def test_a_fault_of_ours_is_there_with_its_traceback_and_its_trace(
        self, app: FastAPI, client: httpx.AsyncClient, log: io.StringIO,
    ) -> None:
        async def broken() -> None:
            raise RuntimeError("out of coolant")

        app.add_api_route("/broken", broken)
        answer = await client.get("/broken", headers={"traceparent": f"00-{TRACE}-00f067aa0ba902b7-01"})
        (fault,) = [line for line in lines(log) if "exception" in line and line["event"].startswith("fault")]
        assert "out of coolant" in fault["exception"]
        assert (fault["trace_id"], answer.json()["instance"] in fault["event"]) == (TRACE, True)
        (call,) = [line for line in lines(log) if line["event"] == "call"]
        assert call["status"] == 500

    def test_people_at_a_screen_get_lines_they_can_read(self, log: io.StringIO) -> None:
        stream = io.StringIO()
        start_logging(readable=True, stream=stream)
        logging.getLogger("platerota_service").warning("plan %s waits", "a1", extra={"orders": 7})
        assert "plan a1 waits" in stream.getvalue()
        assert "orders=7" in stream.getvalue()
        assert not stream.getvalue().startswith("{")


class TestNumbers:
    async def test_plans_are_counted_by_state_with_their_waits_solves_and_gaps(
        self, client: httpx.AsyncClient, request_document: dict[str, Any], worker: HandWorker,
    ) -> None:
        made = [(await client.post("/v1/plans", json=request_document, headers=ASYNC)).json()["id"] for _ in range(2)]
        worker.solve(made[0])
        answer = await client.get("/metrics")
        assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
        found = {
            (sample.name, *sample.labels.values()): sample.value
            for family in text_string_to_metric_families(answer.text) for sample in family.samples
        }
        assert (found["platerota_plans", "waiting"], found["platerota_plans", "solving"]) == (1, 0)
        assert found["platerota_plans_ended_last_hour", "ready"] == 1
        assert found["platerota_last_hour_gap_count",] == 1
        assert found["platerota_last_hour_gap_sum",] == 0.5
        assert found["platerota_last_hour_solve_seconds_count",] == found["platerota_last_hour_wait_seconds_count",] == 1
        assert found["platerota_last_hour_restarts",] == found["platerota_last_hour_audit_failures",] == 0
        assert found["platerota_calls_total", "POST", "/v1/plans", "202"] == 2

    async def test_an_empty_service_has_numbers_too(self, client: httpx.AsyncClient) -> None:
        text = (await client.get("/metrics")).text
        assert 'platerota_plans{state="waiting"} 0.0' in text
        assert "platerota_oldest_wait_seconds 0.0" in text

    async def test_addresses_are_counted_by_their_template_and_unknown_ones_together(self, client: httpx.AsyncClient) -> None:
        for path in ("/v1/plans/a", "/v1/plans/b", "/x", "/y"):
            await client.request("BREW" if path == "/y" else "GET", path)
        text = (await client.get("/metrics")).text
        assert 'platerota_calls_total{method="GET",path="/v1/plans/{plan_id}",status="404"} 2.0' in text
        assert 'platerota_calls_total{method="GET",path="unknown",status="404"} 1.0' in text
        assert 'method="other"' in text
        assert "BREW" not in text
