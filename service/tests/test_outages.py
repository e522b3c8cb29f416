"""A database that is full, read-only or gone: a clear answer, nothing half stored, and on with it afterwards."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from typing import Any

import httpx
import pytest
import sqlalchemy as sa

from platerota_service.attempts import Attempts
from platerota_service.bases import read_base
from platerota_service.durable_engine import DurableEngine
from platerota_service.engine import PlanState, Submission
from platerota_service.plan_answers import stored_text
from platerota_service.questions.book import Questions
from platerota_service.questions.sweeps import read_sweep
from platerota_service.settings import ServiceSettings
from platerota_service.store import PlanRow, Store, StoreError, plan_rows
from platerota_service.store.plan_rows import BestPlan
from platerota_service.upkeep import Upkeep
from platerota_service.webhooks.outbox import Outbox

from .postgresql import needs_postgresql

pytestmark = pytest.mark.anyio
EngineOf = Callable[..., Awaitable[DurableEngine]]
ASYNC = {"Prefer": "respond-async"}


class Limits:
    """What a connection to SQLite is told: to be full (no page more than there are) or to be read-only."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._pragma = "busy_timeout=30000"
        sa.event.listen(store.engine, "connect", self._tell)

    def set(self, pragma: str) -> None:
        self._pragma = pragma
        self._store.engine.dispose()

    def lift(self) -> None:
        self.set("query_only=OFF")
        self.set("max_page_count=1000000")

    def _tell(self, connection: Any, _record: Any) -> None:
        connection.execute(f"PRAGMA {self._pragma}")


@pytest.fixture
def limits(store: Store) -> Limits:
    return Limits(store)


def stored(store: Store) -> dict[str, int]:
    """Rows of the tables that take part in a submission."""
    with store.engine.connect() as connection:
        return {name: connection.execute(sa.text(f"SELECT count(*) FROM {name}")).scalar_one() for name in ("plans", "workflow_status")}


@pytest.mark.parametrize(("pragma", "words"), [("max_page_count=1", "disk is full"), ("query_only=ON", "readonly database")])
async def test_a_full_or_read_only_disk_is_a_clear_answer_and_leaves_nothing_behind(
    client: httpx.AsyncClient, request_document: dict[str, Any], store: Store, limits: Limits, pragma: str, words: str,
) -> None:
    content = json.dumps(request_document) + " " * 100_000  # more than the free space in the pages that there are
    headers = ASYNC | {"Content-Type": "application/json"}
    first = await client.post("/v1/plans", content=content, headers=headers)
    assert first.status_code == 202
    before = stored(store)
    limits.set(pragma)
    answer = await client.post("/v1/plans", content=content, headers=headers)
    assert (answer.status_code, answer.json()["type"]) == (503, "/v1/problems/store-unavailable")
    assert words in answer.json()["detail"]
    assert int(answer.headers["retry-after"]) > 0
    assert stored(store) == before
    assert (await client.get(first.headers["location"])).status_code == 200, "what can be read is read"
    limits.lift()
    assert (await client.post("/v1/plans", content=content, headers=headers)).status_code == 202


async def test_a_solve_goes_on_while_nothing_can_be_written_and_is_stored_afterwards(
    engine: DurableEngine, submission: Submission, limits: Limits, caplog: pytest.LogCaptureFixture,
) -> None:
    plan_id = await engine.submit(submission)
    async for state in engine.events(plan_id):
        if state.plan.runs:
            break
    limits.set("query_only=ON")
    with pytest.raises(sa.exc.OperationalError):
        await engine.stop(plan_id)
    assert (await engine.status(plan_id)).status == "solving"
    limits.lift()
    await engine.stop(plan_id)
    assert (await _end(engine, plan_id)).status == "ready"


async def test_a_plan_that_the_queue_lost_is_queued_again(
    engine_of: EngineOf, submission: Submission, store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture,
) -> None:
    engine = await engine_of("cold")
    plan_id = await engine.submit(submission)
    with store.engine.begin() as connection:
        connection.execute(sa.text("DELETE FROM workflow_status"))
    monkeypatch.setattr("platerota_service.upkeep._LOST_AFTER_MS", 0)
    engine = await engine_of("good", watch_seconds=0.1)
    assert (await _end(engine, plan_id)).status == "ready"
    assert f"plan {plan_id} was lost" in caplog.text


@pytest.mark.parametrize("lost", [False, True])
async def test_a_question_goes_on_after_a_restart_also_where_the_queue_lost_it(
    engine_of: EngineOf, submission: Submission, store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture,
    lost: bool,
) -> None:
    engine = await engine_of("good")
    base = await engine.submit(submission)
    await _end(engine, base)
    engine = await engine_of("patient")
    what_ifs = [{"name": f"seed {seed}", "changes": [{"kind": "change_settings", "seed": seed}]} for seed in (2, 3)]
    body = json.dumps({"what_ifs": what_ifs}).encode()
    questions = Questions(store, Outbox(store), 10)
    question_id = await asyncio.to_thread(lambda: questions.ask(read_sweep(body, read_base(store, "local", base)), "local", rush=False))
    async for plan in engine.events(f"{question_id}000"):
        if plan.status == "solving":
            break
    if lost:
        await engine.close()
        with store.engine.begin() as connection:
            connection.execute(sa.text("DELETE FROM workflow_status"))
        monkeypatch.setattr("platerota_service.upkeep._LOST_AFTER_MS", 0)
    await engine_of("good", watch_seconds=0.1)
    state = await questions.followed(question_id, "local", 60)
    await questions.close()
    assert (state.status, [plan.state for plan in state.plans.values()]) == ("ready", ["ready", "ready"])
    assert (f"question {question_id} was lost" in caplog.text) == lost


async def test_a_worker_whose_plan_was_taken_over_stores_nothing_more(
    engine: DurableEngine, submission: Submission, store: Store,
) -> None:
    plan_id = await engine.submit(submission)
    async for state in engine.events(plan_id):
        if state.plan.runs:
            break
    with store.writing() as session:
        taken = plan_rows.claim(session, plan_id, "another")
    following = await engine.submit(submission)
    async for state in engine.events(following):
        if state.plan.runs:
            break
    with store.reading() as session:
        row = session.get_one(PlanRow, plan_id)
    assert taken is not None
    assert (row.state, row.worker, row.claim) == ("solving", "another", taken.number)


async def test_a_stored_request_that_cannot_be_read_any_more_fails_in_words(
    engine_of: EngineOf, submission: Submission, store: Store,
) -> None:
    engine = await engine_of("cold")
    plan_id = await engine.submit(submission)
    with store.writing() as session:
        session.execute(sa.update(PlanRow).values(request='{"orders": 5}'))
    engine = await engine_of("good")
    state = await _end(engine, plan_id)
    assert state.status == "failed"
    assert "refused by this version" in (state.problem or "")


async def test_a_request_whose_workers_died_each_time_is_not_tried_again(
    engine_of: EngineOf, submission: Submission, store: Store, settings: ServiceSettings,
) -> None:
    engine = await engine_of("cold")
    without, with_plan = await engine.submit(submission), await engine.submit(submission)
    with store.writing() as session:
        session.execute(sa.update(PlanRow).values(state="solving", attempts=settings.solve_attempts, claim=settings.solve_attempts))
        plan = stored_text((await engine.status(with_plan)).plan)
        plan_rows.put_progress(session, with_plan, settings.solve_attempts, None, BestPlan(plan, 4.0, 3.0, "feasible"))
    engine = await engine_of("good")
    failed, kept = await _end(engine, without), await _end(engine, with_plan)
    assert (failed.status, kept.status) == ("failed", "ready")
    assert "not tried again" in (failed.problem or "")
    assert "solve-ended-early" in [warning.code for warning in kept.plan.warnings]


async def test_a_second_service_on_the_same_file_is_refused(engine: DurableEngine, settings: ServiceSettings, store: Store) -> None:
    second = DurableEngine(settings, store)
    with pytest.raises(StoreError, match="another service uses"):
        await second.start()
    await second.close()


@needs_postgresql
def test_a_second_worker_of_the_same_name_is_refused(
    either_store: Store, settings: ServiceSettings, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("platerota_service.upkeep._NAME_PATIENCE", 0.0)
    first, second, other = (
        Upkeep(named, either_store, Attempts(named.worker_id, named, either_store, ()))
        for named in (settings, settings, settings.model_copy(update={"worker_id": "another"}))
    )
    first.hold_name()
    with pytest.raises(StoreError, match="another"):
        second.hold_name()
    if not either_store.embedded:
        other.hold_name()
    first.close()
    second.hold_name()
    for one in (second, other):
        one.close()


async def test_a_request_is_kept_as_it_came(engine: DurableEngine, submission: Submission, store: Store) -> None:
    plan_id = await engine.submit(submission)
    with store.reading() as session:
        assert json.loads(session.get_one(PlanRow, plan_id).request) == json.loads(submission.text)


async def test_what_is_stored_beside_a_plan_stands_or_falls_with_it(engine: DurableEngine, submission: Submission, store: Store) -> None:
    def refuse(session: sa.orm.Session, plan_id: str) -> None:
        raise ValueError(plan_id)

    before = stored(store)
    with pytest.raises(ValueError, match=r"^\w{32}$"):
        await engine.submit(submission, refuse)
    assert stored(store) == before


async def _end(engine: DurableEngine, plan_id: str) -> PlanState:
    async for state in engine.events(plan_id):
        if state.ended:
            return state
    raise AssertionError("it did not end")
