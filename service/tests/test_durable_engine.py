import asyncio
import json
import time
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any

import pytest

from platerota_service.durable_engine import DurableEngine
from platerota_service.engine import AlreadyEnded, EngineClosed, EngineWarming, PlanState, QueueFull, Submission, UnknownPlan
from platerota_service.settings import ServiceSettings
from platerota_service.store import Store, plan_rows
from platerota_shared.plan import Warning_
from platerota_shared.starts import Start

EngineOf = Callable[..., Awaitable[DurableEngine]]
pytestmark = pytest.mark.anyio


async def _until(engine: DurableEngine, plan_id: str, condition: Callable[[PlanState], bool]) -> PlanState:
    async for state in engine.events(plan_id):
        if condition(state):
            return state
    raise AssertionError("the plan ended before that")


async def _ended(engine: DurableEngine, plan_id: str) -> PlanState:
    return await _until(engine, plan_id, lambda state: state.ended)


async def _has_plan(engine: DurableEngine, plan_id: str) -> PlanState:
    return await _until(engine, plan_id, lambda state: bool(state.plan.runs))


async def test_an_unknown_plan_is_refused_by_every_call(engine: DurableEngine) -> None:
    for call in (engine.status, engine.stop, engine.cancel):
        with pytest.raises(UnknownPlan):
            await call("nothing")
        with pytest.raises(UnknownPlan):
            await call("not\0an id")
    with pytest.raises(UnknownPlan):
        await anext(engine.events("nothing"))


async def test_a_plan_goes_from_waiting_over_solving_to_ready(engine_of: EngineOf, submission: Submission) -> None:
    engine = await engine_of("good")
    plan_id = await engine.submit(submission)
    states = [state async for state in engine.events(plan_id)]
    assert states[0].plan.status == "waiting"
    assert states[0].plan.runs == ()
    assert states[-1].plan.status == "ready"
    assert states[-1].plan.score.total == 3.0
    assert {state.id for state in states} == {plan_id}
    statuses = [state.status for state in states]
    assert statuses == sorted(statuses, key=["waiting", "solving", "ready"].index)
    progress = states[-1].progress
    assert progress is not None
    assert progress.gap == 0.25


async def test_a_solve_starts_from_what_was_submitted_though_the_base_is_deleted_meanwhile(
    engine_of: EngineOf, submission: Submission, plan_document: dict[str, Any],
) -> None:
    engine = await engine_of("patient")
    base = await engine.submit(submission)
    state = await _has_plan(engine, base)
    start = Start(state.plan, counts_moves=True, frozen_until=state.plan.now + 3_600)
    note = Warning_(code="starts-again", detail="plate P1 is being loaded", pointer="/floor/waiting")
    waits = await engine.submit(replace(submission, base_id=base, start=start, notes=(note,)))
    assert (await engine.status(waits)).plan.warnings == (note,)
    await engine.cancel(base)
    engine = await engine_of("echo")  # as after a restart: nothing but the store knows the start
    told = json.loads((await _ended(engine, waits)).problem or "")["start"]
    assert Start.from_document(told) == start


async def test_a_note_stays_with_the_plan_that_was_found(engine_of: EngineOf, submission: Submission) -> None:
    engine = await engine_of("good")
    note = Warning_(code="starts-again", detail="plate P1 is being loaded", pointer="/floor/waiting")
    plan_id = await engine.submit(replace(submission, notes=(note,)))
    await _ended(engine, plan_id)
    engine = await engine_of("good")
    assert (await engine.status(plan_id)).plan.warnings[-1] == note


async def test_a_failed_solve_says_why(engine_of: EngineOf, submission: Submission) -> None:
    engine = await engine_of("failed")
    state = await _ended(engine, await engine.submit(submission))
    assert (state.status, state.problem) == ("failed", "out of coolant")


async def test_a_solve_that_ends_without_a_word_is_failed(engine_of: EngineOf, submission: Submission) -> None:
    engine = await engine_of("silent")
    state = await _ended(engine, await engine.submit(submission))
    assert state.status == "failed"
    assert state.problem


async def test_a_crash_with_a_plan_is_ready_and_says_so(engine_of: EngineOf, submission: Submission) -> None:
    engine = await engine_of("crash-late")
    state = await _ended(engine, await engine.submit(submission))
    assert (state.status, state.plan.score.total) == ("ready", 4.0)
    assert "solve-ended-early" in [warning.code for warning in state.plan.warnings]


async def test_a_request_that_kills_every_solver_fails_in_words_once_its_attempts_are_used_up(
    engine_of: EngineOf, submission: Submission, store: Store,
) -> None:
    engine = await engine_of("crash", solve_attempts=3)
    plan_id = await engine.submit(submission)
    state = await _ended(engine, plan_id)
    assert (state.status, "exit code 7" in (state.problem or "")) == ("failed", True)
    with store.reading() as session:
        assert plan_rows.read(session, plan_id, "local").attempts == 3


async def test_a_slot_is_given_in_the_order_of_asking(engine: DurableEngine, submission: Submission) -> None:
    first = await engine.submit(submission)
    await _has_plan(engine, first)
    second, third = [await engine.submit(submission) for _ in range(2)]
    assert [(await engine.status(one)).status for one in (first, second, third)] == ["solving", "waiting", "waiting"]
    await engine.stop(first)
    await _ended(engine, first)
    await _has_plan(engine, second)
    assert (await engine.status(third)).status == "waiting"


async def test_too_many_waiting_are_refused(engine: DurableEngine, submission: Submission, settings: ServiceSettings) -> None:
    await _has_plan(engine, await engine.submit(submission))
    for _ in range(settings.queue_limit):
        await engine.submit(submission)
    for call in (engine.check_ready(), engine.submit(submission)):
        with pytest.raises(QueueFull):
            await call


async def test_stop_keeps_the_best_plan(engine: DurableEngine, submission: Submission) -> None:
    plan_id = await engine.submit(submission)
    await _has_plan(engine, plan_id)
    await engine.stop(plan_id)
    await engine.stop(plan_id)
    state = await _ended(engine, plan_id)
    assert (state.status, state.plan.score.total) == ("ready", 3.0)
    with pytest.raises(AlreadyEnded) as caught:
        await engine.stop(plan_id)
    assert caught.value.status == "ready"


async def test_stop_without_a_plan_yet_ends_as_stopped(engine_of: EngineOf, submission: Submission) -> None:
    engine = await engine_of("patient-without-plan")
    plan_id = await engine.submit(submission)
    await _until(engine, plan_id, lambda state: state.status == "solving")
    await engine.stop(plan_id)
    assert (await _ended(engine, plan_id)).status == "stopped"


async def test_stop_in_the_queue_ends_as_stopped_and_frees_the_place(engine: DurableEngine, submission: Submission) -> None:
    first = await engine.submit(submission)
    await _has_plan(engine, first)
    second, third = [await engine.submit(submission) for _ in range(2)]
    await engine.stop(second)
    assert (await engine.status(second)).status == "stopped"
    await engine.check_ready()
    await engine.cancel(first)
    await _has_plan(engine, third)


async def test_cancel_forgets_the_plan_and_tells_who_watches(engine: DurableEngine, submission: Submission) -> None:
    plan_id = await engine.submit(submission)
    await _has_plan(engine, plan_id)
    watching = asyncio.create_task(_ended(engine, plan_id))
    await asyncio.sleep(0)
    await engine.cancel(plan_id)
    with pytest.raises(UnknownPlan):
        await watching
    with pytest.raises(UnknownPlan):
        await engine.cancel(plan_id)
    following = await engine.submit(submission)
    await _has_plan(engine, following)


async def test_a_watcher_that_gives_up_disturbs_nobody(engine: DurableEngine, submission: Submission) -> None:
    plan_id = await engine.submit(submission)
    await _has_plan(engine, plan_id)
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0):
            await _ended(engine, plan_id)
    assert (await engine.status(plan_id)).status == "solving"


async def test_close_answers_who_waits_and_a_later_start_goes_on(engine_of: EngineOf, submission: Submission, store: Store) -> None:
    engine = await engine_of("patient")
    plan_id = await engine.submit(submission)
    await _has_plan(engine, plan_id)
    watching = asyncio.create_task(_ended(engine, plan_id))
    await asyncio.sleep(0)
    await engine.close()
    with pytest.raises(EngineClosed):
        await engine.check_ready()
    with pytest.raises(EngineClosed):
        await watching
    with pytest.raises(EngineClosed):
        await engine.submit(submission)
    engine = await engine_of("good")
    state = await _ended(engine, plan_id)
    assert (state.status, state.plan.score.total) == ("ready", 3.0)
    with store.reading() as session:
        row = plan_rows.read(session, plan_id, "local")
    assert (row.claim, row.attempts) == (2, 1), "an orderly end is no failed attempt"


async def test_a_fault_of_the_engine_itself_ends_the_plan(
    engine: DurableEngine, submission: Submission, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture,
) -> None:
    async def broken(self: object) -> None:
        raise RuntimeError("secret")

    monkeypatch.setattr("platerota_service.solve_process.SolveProcess.run", broken)
    state = await _ended(engine, await engine.submit(submission))
    assert state.status == "failed"
    assert "secret" not in (state.problem or "")
    assert "secret" in caplog.text


async def test_plans_wait_until_the_optimiser_is_ready(engine_of: EngineOf, submission: Submission) -> None:
    engine = await engine_of("cold")
    plan_id = await engine.submit(submission)
    while True:
        with pytest.raises(EngineWarming) as caught:
            await engine.check_ready(patience=0.05)
        if caught.value.compiling:
            break
    assert (await engine.status(plan_id)).status == "waiting"
    await engine.close()
    with pytest.raises(EngineClosed):
        await engine.check_ready(patience=60)


async def test_once_it_is_ready_they_are_made(engine_of: EngineOf, submission: Submission) -> None:
    engine = await engine_of("good")
    assert (await _ended(engine, await engine.submit(submission))).status == "ready"
    await engine.check_ready()


async def test_an_optimiser_that_never_gets_ready_holds_up_nobody_for_ever(
    engine_of: EngineOf, submission: Submission, caplog: pytest.LogCaptureFixture,
) -> None:
    engine = await engine_of("cold", warm_seconds=0.3, solve_attempts=2)
    state = await _ended(engine, await engine.submit(submission))
    assert (state.status, state.problem) == ("failed", "the solver was not ready within 0.3 seconds")
    assert "attempt 1 of 2" in caplog.text, "a slow start is no word about the plan: another one is tried"
    await engine.check_ready()
    assert "was not ready within" in caplog.text


@pytest.mark.parametrize(
    ("name", "words"),
    [("unwarmable", "no folder for what is compiled"), ("garbled", "unreadable"), ("mute", "ended without a word")],
)
async def test_why_the_optimiser_does_not_get_ready_is_in_the_log(
    engine_of: EngineOf, caplog: pytest.LogCaptureFixture, name: str, words: str,
) -> None:
    engine = await engine_of(name)
    await engine.check_ready(patience=60)
    assert words in caplog.text


async def test_a_child_that_cannot_be_started_is_in_the_log(
    settings: ServiceSettings, store: Store, caplog: pytest.LogCaptureFixture,
) -> None:
    engine = DurableEngine(settings, store, ("/no/such/command",))
    await engine.start()
    await engine.check_ready(patience=60)
    assert "could not be started" in caplog.text
    await engine.close()


async def test_what_a_child_says_last_is_stored_though_the_store_was_busy_with_what_it_said_before(
    engine_of: EngineOf, submission: Submission, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The child says everything and ends while one look at its row takes long."""
    look = plan_rows.look

    def slow_look(*given: Any) -> bool | None:
        time.sleep(1.0)
        return look(*given)

    monkeypatch.setattr("platerota_service.attempts._LOOK_SECONDS", 0.0)
    monkeypatch.setattr(plan_rows, "look", slow_look)
    engine = await engine_of("good")
    state = await _ended(engine, await engine.submit(submission))
    assert (state.status, state.plan.score.total) == ("ready", 3.0)
