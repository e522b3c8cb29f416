"""What is stored is never answered as if nothing had happened: whatever goes wrong from then on, the caller is told where it is."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest
from sqlalchemy.exc import OperationalError

from platerota_service.durable_engine import DurableEngine
from platerota_service.engine import EngineClosed, PlanState
from platerota_service.idempotency import Once
from platerota_service.questions.book import Questions, QuestionState
from platerota_service.store import PlanRow, QuestionRow, Store

from .conftest import HandWorker
from .test_decisions import ASYNC, base, problem
from .test_questions import TWO

__all__ = ["base"]
pytestmark = pytest.mark.anyio

Document = dict[str, Any]
KEY = {"Idempotency-Key": "a-1"}
FAULTS = [
    (OperationalError("SELECT 1", {}, Exception("swordfish: server closed the connection")), "the database does not answer"),
    (EngineClosed(), "the service is closing"),
    (asyncio.CancelledError(), "the service is closing"),
    (RuntimeError("swordfish"), "a fault of its own"),
]


def events_raise(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    """Let whoever waits for a plan meet `error`."""

    async def events(_self: DurableEngine, plan_id: str, tenant: str) -> AsyncIterator[PlanState]:
        raise error
        yield

    monkeypatch.setattr(DurableEngine, "events", events)


def answers_raise(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    """Let whoever waits for the answer to a question meet `error`."""

    async def followed(_self: Questions, question_id: str, tenant: str, seconds: float | None) -> QuestionState:
        raise error

    monkeypatch.setattr(Questions, "followed", followed)


def told_where(answer: httpx.Response, words: str, caplog: pytest.LogCaptureFixture) -> str:
    """The address in an answer that says what is taken and why it is not answered."""
    body = problem(answer, "taken-not-answered")
    assert words in body["detail"]
    assert "Nothing of this call" not in body["detail"]
    assert "swordfish" not in answer.text
    assert answer.headers["location"] in body["detail"]
    assert int(answer.headers["retry-after"]) > 0
    if words == "a fault of its own":
        assert body["instance"] in caplog.text
        assert "swordfish" in caplog.text
    return str(answer.headers["location"])


@pytest.mark.parametrize(("error", "words"), FAULTS)
@pytest.mark.parametrize("prefer", [{}, ASYNC])
async def test_a_plan_that_is_stored_is_told_where_it_is(
    client: httpx.AsyncClient, request_document: Document, store: Store, worker: HandWorker, monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture, error: BaseException, words: str, prefer: dict[str, str],
) -> None:
    with monkeypatch.context() as patched:
        events_raise(patched, error)
        where = told_where(await client.post("/v1/plans", json=request_document, headers=prefer), words, caplog)
    with store.reading() as session:
        (row,) = session.query(PlanRow).all()
    assert where == f"/v1/plans/{row.id}"
    worker.solve(row.id)
    assert (await client.get(where)).json()["status"] == "ready"


@pytest.mark.parametrize(("error", "words"), FAULTS)
async def test_a_plan_whose_answer_cannot_be_noted_is_told_where_it_is_and_with_its_key_not_made_twice(
    client: httpx.AsyncClient, request_document: Document, store: Store, worker: HandWorker, monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture, error: BaseException, words: str,
) -> None:
    def answered(*_given: Any) -> None:
        raise error

    with monkeypatch.context() as patched:
        patched.setattr(Once, "answered", answered)
        where = told_where(await client.post("/v1/plans", json=request_document, headers=ASYNC | KEY), words, caplog)
        again = await client.post("/v1/plans", json=request_document, headers=ASYNC | KEY)
        assert (again.status_code, again.headers["location"]) == (202, where)
    with store.reading() as session:
        assert session.query(PlanRow).count() == 1


async def test_a_replay_that_cannot_be_answered_is_told_where_the_plan_is(
    client: httpx.AsyncClient, request_document: Document, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture,
) -> None:
    made = await client.post("/v1/plans", json=request_document, headers=ASYNC | KEY)

    async def status(*_given: Any) -> PlanState:
        raise FAULTS[0][0]

    monkeypatch.setattr(DurableEngine, "status", status)
    again = await client.post("/v1/plans", json=request_document, headers=ASYNC | KEY)
    assert told_where(again, FAULTS[0][1], caplog) == made.headers["location"]


async def test_a_plan_deleted_while_its_call_waits_is_an_unknown_plan(
    client: httpx.AsyncClient, request_document: Document, store: Store,
) -> None:
    waiting = asyncio.create_task(client.post("/v1/plans", json=request_document))
    found: PlanRow | None = None
    while found is None:
        await asyncio.sleep(0.01)
        with store.reading() as session:
            found = session.query(PlanRow).one_or_none()
    await client.delete(f"/v1/plans/{found.id}")
    problem(await waiting, "unknown-plan")


async def test_before_it_is_stored_nothing_is_and_the_answer_says_so(
    client: httpx.AsyncClient, request_document: Document, store: Store, monkeypatch: pytest.MonkeyPatch,
) -> None:
    async def submit(*_given: Any) -> str:
        raise FAULTS[0][0]

    monkeypatch.setattr(DurableEngine, "submit", submit)
    answer = await client.post("/v1/plans", json=request_document, headers=ASYNC)
    assert "Nothing of this call was stored" in problem(answer, "store-unavailable")["detail"]
    assert "location" not in answer.headers


@pytest.mark.parametrize(("error", "words"), FAULTS)
@pytest.mark.parametrize("prefer", [{}, ASYNC])
async def test_a_question_that_is_stored_is_told_where_it_is(
    client: httpx.AsyncClient, base: str, store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture,
    error: BaseException, words: str, prefer: dict[str, str],
) -> None:
    with monkeypatch.context() as patched:
        answers_raise(patched, error)
        answer = await client.post(f"/v1/plans/{base}/what-if-sweeps", json=TWO | {"settings": {"solve_seconds": 1}}, headers=prefer)
        where = told_where(answer, words, caplog)
    with store.reading() as session:
        (row,) = session.query(QuestionRow).all()
    assert where == f"/v1/questions/{row.id}"
    assert (await client.get(where)).json()["status"] == "waiting"
