import asyncio
from collections.abc import AsyncIterator, Callable

import pytest

from platerota_service.child_engine import ChildEngine
from platerota_service.engine import AlreadyEnded, EngineClosed, EngineWarming, PlanState, QueueFull, Submission, UnknownPlan
from platerota_service.settings import ServiceSettings

pytestmark = pytest.mark.anyio


@pytest.fixture
async def engine_of(settings: ServiceSettings, child: Callable[[str], tuple[str, ...]]) -> AsyncIterator[Callable[[str], ChildEngine]]:
    """Engines over a named fake child; all are closed after the test."""
    engines: list[ChildEngine] = []

    def make(name: str) -> ChildEngine:
        engines.append(ChildEngine(settings, child(name)))
        return engines[-1]

    yield make
    for engine in engines:
        await engine.close()


async def _until(engine: ChildEngine, plan_id: str, condition: Callable[[PlanState], bool]) -> PlanState:
    async for state in engine.events(plan_id):
        if condition(state):
            return state
    raise AssertionError("the plan ended before that")


async def _ended(engine: ChildEngine, plan_id: str) -> PlanState:
    return await _until(engine, plan_id, lambda state: state.ended)


async def _has_plan(engine: ChildEngine, plan_id: str) -> PlanState:
    return await _until(engine, plan_id, lambda state: bool(state.plan.runs))


async def test_an_unknown_plan_is_refused_by_every_call(engine: ChildEngine) -> None:
    for call in (engine.status, engine.request, engine.stop, engine.cancel):
        with pytest.raises(UnknownPlan):
            await call("nothing")
    with pytest.raises(UnknownPlan):
        await anext(engine.events("nothing"))


async def test_a_plan_goes_from_waiting_over_solving_to_ready(engine_of: Callable[[str], ChildEngine], submission: Submission) -> None:
    engine = engine_of("good")
    plan_id = await engine.submit(submission)
    states = [state async for state in engine.events(plan_id)]
    assert states[0].plan.status == "waiting"
    assert states[0].plan.runs == ()
    assert states[-1].plan.status == "ready"
    assert states[-1].plan.score.total == 3.0
    assert {state.plan.id for state in states} == {plan_id}
    statuses = [state.plan.status for state in states]
    assert statuses == sorted(statuses, key=["waiting", "solving", "ready"].index)
    progress = states[-1].progress
    assert progress is not None
    assert progress.gap == 0.25


async def test_a_failed_solve_says_why(engine_of: Callable[[str], ChildEngine], submission: Submission) -> None:
    engine = engine_of("failed")
    state = await _ended(engine, await engine.submit(submission))
    assert (state.plan.status, state.problem) == ("failed", "out of coolant")


async def test_a_solve_that_ends_without_a_word_is_failed(engine_of: Callable[[str], ChildEngine], submission: Submission) -> None:
    engine = engine_of("silent")
    state = await _ended(engine, await engine.submit(submission))
    assert state.plan.status == "failed"
    assert state.problem


async def test_a_crash_with_a_plan_is_ready_without_one_failed(engine_of: Callable[[str], ChildEngine], submission: Submission) -> None:
    for name, status in (("crash-late", "ready"), ("crash", "failed")):
        engine = engine_of(name)
        assert (await _ended(engine, await engine.submit(submission))).plan.status == status


async def test_a_slot_is_given_in_the_order_of_asking(engine: ChildEngine, submission: Submission) -> None:
    first, second, third = [await _submitted(engine, submission) for _ in range(3)]
    await _has_plan(engine, first)
    assert [(await engine.status(one)).plan.status for one in (first, second, third)] == ["solving", "waiting", "waiting"]
    await engine.stop(first)
    await _ended(engine, first)
    await _has_plan(engine, second)
    assert (await engine.status(third)).plan.status == "waiting"


async def _submitted(engine: ChildEngine, submission: Submission) -> str:
    """Submit, and let a free slot be taken before anything else happens."""
    plan_id = await engine.submit(submission)
    await asyncio.sleep(0)
    return plan_id


async def test_too_many_waiting_are_refused(engine: ChildEngine, submission: Submission, settings: ServiceSettings) -> None:
    for _ in range(settings.solve_slots + settings.queue_limit):
        await _submitted(engine, submission)
    for call in (engine.check_ready(), engine.submit(submission)):
        with pytest.raises(QueueFull):
            await call


async def test_stop_keeps_the_best_plan(engine: ChildEngine, submission: Submission) -> None:
    plan_id = await engine.submit(submission)
    await _has_plan(engine, plan_id)
    await engine.stop(plan_id)
    await engine.stop(plan_id)
    state = await _ended(engine, plan_id)
    assert (state.plan.status, state.plan.score.total) == ("ready", 3.0)
    with pytest.raises(AlreadyEnded) as caught:
        await engine.stop(plan_id)
    assert caught.value.status == "ready"


async def test_stop_without_a_plan_yet_ends_as_stopped(engine_of: Callable[[str], ChildEngine], submission: Submission) -> None:
    engine = engine_of("patient-without-plan")
    plan_id = await engine.submit(submission)
    await _until(engine, plan_id, lambda state: state.plan.status == "solving")
    await engine.stop(plan_id)
    assert (await _ended(engine, plan_id)).plan.status == "stopped"


async def test_stop_in_the_queue_ends_as_stopped_and_frees_the_place(engine: ChildEngine, submission: Submission) -> None:
    first, second, third = [await _submitted(engine, submission) for _ in range(3)]
    await engine.stop(second)
    assert (await engine.status(second)).plan.status == "stopped"
    await engine.check_ready()
    await engine.cancel(first)
    await _has_plan(engine, third)


async def test_cancel_forgets_the_plan_and_tells_who_watches(engine: ChildEngine, submission: Submission) -> None:
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


async def test_a_watcher_that_gives_up_disturbs_nobody(engine: ChildEngine, submission: Submission) -> None:
    plan_id = await engine.submit(submission)
    await _has_plan(engine, plan_id)
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0):
            await _ended(engine, plan_id)
    assert (await engine.status(plan_id)).plan.status == "solving"


async def test_the_oldest_ended_plans_are_forgotten_past_the_limit(
    engine_of: Callable[[str], ChildEngine], submission: Submission, settings: ServiceSettings,
) -> None:
    engine = engine_of("good")
    ids: list[str] = []
    for _ in range(settings.kept_plans + 1):
        ids.append(await engine.submit(submission))
        await _ended(engine, ids[-1])
    with pytest.raises(UnknownPlan):
        await engine.status(ids[0])
    assert [(await engine.status(one)).plan.status for one in ids[1:]] == ["ready"] * settings.kept_plans


async def test_close_ends_everything(engine: ChildEngine, submission: Submission) -> None:
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
    with pytest.raises(UnknownPlan):
        await engine.status(plan_id)


async def test_a_fault_of_the_engine_itself_ends_the_plan(
    engine: ChildEngine, submission: Submission, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture,
) -> None:
    async def broken(self: object) -> None:
        raise RuntimeError("secret")

    monkeypatch.setattr("platerota_service.solve_process.SolveProcess.run", broken)
    state = await _ended(engine, await engine.submit(submission))
    assert state.plan.status == "failed"
    assert "secret" not in (state.problem or "")
    assert "secret" in caplog.text


async def test_plans_wait_until_the_optimiser_is_ready(engine_of: Callable[[str], ChildEngine], submission: Submission) -> None:
    engine = engine_of("cold")
    await engine.start()
    plan_id = await _submitted(engine, submission)
    while True:
        with pytest.raises(EngineWarming) as caught:
            await engine.check_ready(patience=0.05)
        if caught.value.compiling:
            break
    assert (await engine.status(plan_id)).plan.status == "waiting"
    await engine.close()
    with pytest.raises(EngineClosed):
        await engine.check_ready(patience=60)


async def test_once_it_is_ready_they_are_made(engine_of: Callable[[str], ChildEngine], submission: Submission) -> None:
    engine = engine_of("good")
    await engine.start()
    assert (await _ended(engine, await engine.submit(submission))).plan.status == "ready"
    await engine.check_ready()


async def test_an_optimiser_that_never_gets_ready_holds_up_nobody_for_ever(
    settings: ServiceSettings, child: Callable[[str], tuple[str, ...]], submission: Submission, caplog: pytest.LogCaptureFixture,
) -> None:
    engine = ChildEngine(settings.model_copy(update={"warm_seconds": 0.3}), child("cold"))
    await engine.start()
    state = await _ended(engine, await engine.submit(submission))
    assert (state.plan.status, state.problem) == ("failed", "the solver was not ready within 0.3 seconds")
    await engine.check_ready()
    assert "was not ready within" in caplog.text


@pytest.mark.parametrize(
    ("name", "words"),
    [("unwarmable", "no folder for what is compiled"), ("garbled", "unreadable"), ("mute", "ended without a word")],
)
async def test_why_the_optimiser_does_not_get_ready_is_in_the_log(
    engine_of: Callable[[str], ChildEngine], caplog: pytest.LogCaptureFixture, name: str, words: str,
) -> None:
    engine = engine_of(name)
    await engine.start()
    await engine.check_ready(patience=60)
    assert words in caplog.text


async def test_a_child_that_cannot_be_started_is_in_the_log(settings: ServiceSettings, caplog: pytest.LogCaptureFixture) -> None:
    engine = ChildEngine(settings, ("/no/such/command",))
    await engine.start()
    await engine.check_ready(patience=60)
    assert "could not be started" in caplog.text
    await engine.close()
