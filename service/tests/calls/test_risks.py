"""The call that asks how sure a plan is: refusals first, then well. The simulation itself is tested beside the solver."""

import asyncio
import io
import json
import os
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from types import ModuleType
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from platerota_service import risk_child
from platerota_service.access.keys import KeyBook
from platerota_service.answers import example
from platerota_service.kinds import KINDS
from platerota_service.problems import PROBLEM_JSON
from platerota_service.risk_order import NO_SOLVER, OVERDUE, REFUSED, order_text
from platerota_service.risk_process import MOST_WAITING, RisksFailed, Simulations, TooManyWait, TooSlow
from platerota_service.settings import ServiceSettings
from platerota_shared.faults import Fault, RequestRefused
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from platerota_shared.risks import RisksQuestion

from .conftest import HandWorker

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
Simulate = Callable[..., Any]

def refused(answer: httpx.Response, kind: str) -> Document:
    """The problem in an answer, which is of that kind."""
    body: Document = answer.json()
    assert (answer.status_code, answer.headers["content-type"], body["type"]) == (KINDS[kind].status, PROBLEM_JSON, KINDS[kind].type), body
    return body


def python(script: str) -> tuple[str, ...]:
    return (sys.executable, "-c", script)


@asynccontextmanager
async def full(simulations: Simulations) -> AsyncIterator[None]:
    """One simulation runs and as many wait as may; at the end those that wait are given up."""
    async with simulations.turn():
        waiters = [asyncio.create_task(simulations.turn().__aenter__()) for _ in range(MOST_WAITING)]
        await asyncio.sleep(0)
        yield
        for waiter in waiters:
            waiter.cancel()
        await asyncio.gather(*waiters, return_exceptions=True)


@pytest.fixture
async def waiting(client: httpx.AsyncClient, request_document: Document) -> str:
    """The id of a plan that waits to be solved."""
    answer = await client.post("/v1/plans", json=request_document, headers={"Prefer": "respond-async"})
    return str(answer.json()["id"])


@pytest.fixture
def ready(waiting: str, worker: HandWorker) -> str:
    """The address of a plan that is ready."""
    worker.solve(waiting)
    return f"/v1/plans/{waiting}/risks"


@pytest.fixture
def simulations(app: FastAPI) -> Simulations:
    """Those of the service."""
    found = app.state.parts.simulations
    assert isinstance(found, Simulations)
    return found


@pytest.fixture
def simulate(settings: ServiceSettings, request_document: Document, plan_document: Document) -> Simulate:
    """Ask about the example plan with the child that a script is."""

    async def ask(script: str, **changes: Any) -> bytes:
        simulations = Simulations(settings.model_copy(update=changes), python(script))
        return await simulations.risks(json.dumps(request_document), json.dumps(plan_document), RisksQuestion())

    return ask


@pytest.fixture
def order(request_document: Document, plan_document: Document) -> Document:
    """What the child is told, as it reads it."""
    text = order_text(json.dumps(request_document), json.dumps(plan_document), RisksQuestion(seed=7), 3_072, 60.0)
    found: Document = json.loads(text)
    return found


@pytest.fixture
def limits(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The limits of memory that the child would have given itself, MiB."""
    given: list[int] = []
    monkeypatch.setattr(risk_child, "limit_memory", given.append)
    return given


@pytest.fixture
def solver(monkeypatch: pytest.MonkeyPatch, limits: list[int]) -> ModuleType:
    """Stands for the part of the solver that simulates; whoever asks puts `risks` into it."""
    monkeypatch.setitem(sys.modules, "platerota_solver", ModuleType("platerota_solver"))
    module = ModuleType("platerota_solver.risk")
    monkeypatch.setitem(sys.modules, "platerota_solver.risk", module)
    return module


class TestRefusals:
    async def test_a_plan_that_is_not_there(self, client: httpx.AsyncClient) -> None:
        refused(await client.post("/v1/plans/unknown/risks"), "unknown-plan")

    async def test_every_fault_is_told_at_once(self, client: httpx.AsyncClient, ready: str) -> None:
        question = {"hand": {"variation": -1, "distribution": "normal"}, "samples": 1, "stopps": {}}
        errors = refused(await client.post(ready, json=question), "faults-in-request")["errors"]
        assert {one["pointer"] for one in errors} == {"/hand/variation", "/hand/distribution", "/samples", "/stopps"}

    async def test_the_example_of_faults_is_what_such_a_question_is_answered(self, client: httpx.AsyncClient, ready: str) -> None:
        description = (await client.get("/openapi.json")).json()
        responses = description["paths"]["/v1/plans/{plan_id}/risks"]["post"]["responses"]
        answer = await client.post(ready, json={"hand": {"variation": 4}, "certainty": 0.99, "samples": 200})
        assert answer.json() == responses["422"]["content"][PROBLEM_JSON]["examples"]["faults-in-request"]["value"]

    @pytest.mark.parametrize(
        ("body", "kind", "problem"),
        [(b"{}", "text/plain", "wrong-media-type"), (b"[]", "application/json", "unreadable"), (b"{", "application/json", "unreadable"),
         (b" " * 300_000, "application/json", "too-large")],
    )
    async def test_what_is_no_question(self, client: httpx.AsyncClient, ready: str, body: bytes, kind: str, problem: str) -> None:
        refused(await client.post(ready, content=body, headers={"Content-Type": kind}), problem)

    async def test_a_plan_that_is_not_ready_or_failed(self, client: httpx.AsyncClient, waiting: str, worker: HandWorker) -> None:
        address = f"/v1/plans/{waiting}/risks"
        assert "is waiting" in refused(await client.post(address), "not-ready")["detail"]
        worker.take(waiting)
        worker.finish(waiting, "out of coolant")
        assert "is failed" in refused(await client.post(address), "not-ready")["detail"]

    async def test_a_key_that_may_not_read(self, app: FastAPI, client: httpx.AsyncClient, ready: str) -> None:
        key = KeyBook(app.state.parts.store).create("local", scopes=("shop",))
        refused(await client.post(ready, headers={"X-API-Key": str(key)}), "scope-missing")

    async def test_a_service_without_a_solver_says_so(self, client: httpx.AsyncClient, ready: str, simulations: Simulations) -> None:
        simulations.command = python(f"raise SystemExit({NO_SOLVER})")
        assert "platerota risks" in refused(await client.post(ready), "no-solver")["detail"]

    async def test_a_simulation_that_takes_too_long(self, client: httpx.AsyncClient, ready: str, simulations: Simulations) -> None:
        simulations.settings = simulations.settings.model_copy(update={"risks_seconds": 0.2})
        simulations.command = python("import time; time.sleep(600)")
        assert "within 0.2 seconds" in refused(await client.post(ready), "risks-too-slow")["detail"]

    async def test_a_simulation_that_breaks_is_a_fault_of_the_service(
        self, client: httpx.AsyncClient, ready: str, simulations: Simulations, caplog: pytest.LogCaptureFixture,
    ) -> None:
        simulations.command = python("raise SystemExit('out of coolant')")
        body = refused(await client.post(ready), "internal")
        assert "out of coolant" not in str(body)
        assert "out of coolant" in caplog.text

    async def test_no_more_wait_than_may_and_later_there_is_room_again(
        self, client: httpx.AsyncClient, ready: str, simulations: Simulations,
    ) -> None:
        simulations.command = python(f"raise SystemExit({NO_SOLVER})")
        async with full(simulations):
            answer = await client.post(ready)
            refused(answer, "busy")
            assert answer.headers["retry-after"] == "10"
        refused(await client.post(ready), "no-solver")


class TestChild:
    async def test_one_that_is_too_slow_is_killed(self, simulate: Simulate, tmp_path: Path) -> None:
        path = tmp_path / "pid"
        script = f"import os, pathlib, time; pathlib.Path({str(path)!r}).write_text(str(os.getpid())); time.sleep(600)"
        with pytest.raises(TooSlow):
            await simulate(script, risks_seconds=2)
        with pytest.raises(ProcessLookupError):
            os.kill(int(path.read_text()), 0)

    async def test_one_that_nobody_waits_for_any_more_is_killed(self, simulate: Simulate, tmp_path: Path) -> None:
        path = tmp_path / "pid"
        script = f"import os, pathlib, time; pathlib.Path({str(path)!r}).write_text(str(os.getpid())); time.sleep(600)"
        asking = asyncio.create_task(simulate(script))
        while not path.exists() or not path.read_text():
            await asyncio.sleep(0.02)
        asking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asking
        with pytest.raises(ProcessLookupError):
            os.kill(int(path.read_text()), 0)

    async def test_one_without_a_parent_ends_by_itself(self, simulate: Simulate) -> None:
        """As if nobody killed it: its own clock, put forward here, ends it."""
        waits = "child._GRACE_SECONDS = -59.9; child.run = lambda order, out: time.sleep(600)"
        with pytest.raises(RisksFailed, match=f"exit code {OVERDUE}"):
            await simulate(f"import time; import platerota_service.risk_child as child; {waits}; child.main()")

    def test_a_solver_that_cannot_be_loaded_has_a_code_of_its_own(self, order: Document, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setitem(sys.modules, "platerota_solver.risk", None)
        assert risk_child.run(order, io.BytesIO()) == NO_SOLVER

    def test_it_simulates_what_was_ordered_within_its_memory(self, order: Document, solver: ModuleType, limits: list[int]) -> None:
        def risks(*asked: Any) -> None:
            assert asked == (read_request(order["request"]), Plan.from_document(json.loads(order["plan"])), RisksQuestion(seed=7))
            assert limits == [3_072]
            raise ZeroDivisionError

        solver.risks = risks  # type: ignore[attr-defined]
        with pytest.raises(ZeroDivisionError):  # which ends the process with a code that is nobody's
            risk_child.run(order, io.BytesIO())

    def test_faults_that_only_show_with_the_plan_are_written(self, order: Document, solver: ModuleType) -> None:
        fault = Fault("/stops/per_cutting_hour", "out-of-range", "too many stops", "simulate fewer weeks")

        def risks(*_asked: Any) -> None:
            raise RequestRefused([fault])

        solver.risks = risks  # type: ignore[attr-defined]
        out = io.BytesIO()
        assert risk_child.run(order, out) == REFUSED
        assert [Fault(**one) for one in json.loads(out.getvalue())] == [fault]

    async def test_such_faults_come_back_as_they_are(self, simulate: Simulate) -> None:
        fault = {"pointer": "/stops/per_cutting_hour", "code": "out-of-range", "detail": "too many stops", "mend": "simulate fewer weeks"}
        with pytest.raises(RequestRefused) as refusal:
            await simulate(f"import sys; print({json.dumps([fault])!r}); sys.exit({REFUSED})")
        assert refusal.value.faults == (Fault(**fault),)


async def test_a_turn_is_given_back_whatever_happens_in_it(settings: ServiceSettings) -> None:
    simulations = Simulations(settings)
    for _ in range(MOST_WAITING + 2):
        with pytest.raises(RisksFailed):
            async with simulations.turn():
                raise RisksFailed("a fault")
    async with full(simulations):
        with pytest.raises(TooManyWait):
            await simulations.turn().__aenter__()
    async with simulations.turn():
        pass


class TestAnswer:
    async def test_without_spread_and_stops_every_order_is_certain(self, client: httpx.AsyncClient, ready: str) -> None:
        question = {"hand": {"variation": 0}, "cut": {"variation": 0}, "stops": {"per_cutting_hour": 0}, "samples": 100}
        body = (await client.post(ready, json=question)).json()
        (order,) = body["orders"]
        assert (body["all_on_time"], order["on_time"]) == (1, 1)
        assert {order["promise"], *order["finish"].values()} == {order["planned_finish"]} == {"2027-03-01T06:45:30+00:00"}

    async def test_the_answer_is_the_described_example_to_the_byte(self, client: httpx.AsyncClient, ready: str) -> None:
        answer = await client.post(ready, json=example("risks-question"))
        assert (answer.status_code, answer.headers["content-type"]) == (200, "application/json"), answer.text
        assert answer.content == json.dumps(example("risks"), ensure_ascii=False, separators=(",", ":")).encode()

    async def test_without_a_body_every_default_stands(self, client: httpx.AsyncClient, ready: str, simulations: Simulations) -> None:
        simulations.command = (sys.executable, "-I", "-S", "-c", "import sys; print(sys.stdin.read())")
        assert (await client.post(ready)).json()["question"] == RisksQuestion().model_dump(mode="json")
