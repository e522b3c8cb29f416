"""Solvers that wait, loaded, for the next plan: taken once each, replaced where they ended, and none is left behind."""

from __future__ import annotations

from asyncio.subprocess import Process
from collections.abc import Callable

import pytest

from platerota_service.engine import Submission
from platerota_service.ready_solvers import ReadySolvers
from platerota_service.settings import ServiceSettings
from platerota_service.solve_process import SolveProcess, reap, start_child

pytestmark = pytest.mark.anyio

Child = Callable[[str], tuple[str, ...]]


async def test_a_plan_is_solved_by_the_one_that_waits(submission: Submission, settings: ServiceSettings, child: Child) -> None:
    ready = ReadySolvers(child("good"), 1)
    await ready.refill()
    await ready.refill()
    assert ready.waiting == 1
    outcome = await SolveProcess(submission, settings, ("no-such-command",), get_child=ready.take).run()
    assert outcome.plan is not None
    assert ready.waiting == 0


async def test_where_none_waits_one_is_started(submission: Submission, settings: ServiceSettings, child: Child) -> None:
    ready = ReadySolvers(child("good"), 0)
    await ready.refill()
    assert ready.waiting == 0
    assert (await SolveProcess(submission, settings, ("no-such-command",), get_child=ready.take).run()).plan is not None


async def test_one_that_ended_while_it_waited_is_not_given_an_order(child: Child, monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[Process] = []

    async def noted(*command: str) -> Process:
        started.append(await start_child(*command))
        return started[-1]

    monkeypatch.setattr("platerota_service.ready_solvers.start_child", noted)
    ready = ReadySolvers(child("good"), 1)
    await ready.refill()
    started[0].kill()
    await started[0].wait()
    process = await ready.take()
    assert process is started[1]
    assert process.returncode is None
    process.kill()
    await reap(process)
    await ready.refill()
    await ready.close()
    assert started[2].returncode is not None
    assert ready.waiting == 0


async def test_one_that_cannot_be_started_ahead_hurts_nobody(caplog: pytest.LogCaptureFixture) -> None:
    ready = ReadySolvers(("no-such-command-at-all",), 1)
    await ready.refill()
    assert ready.waiting == 0
    assert "no solver process could be started ahead" in caplog.text


async def test_a_solver_that_may_go_on_solves_the_next_plan_too(submission: Submission, settings: ServiceSettings, child: Child) -> None:
    ready = ReadySolvers(child("again"), 1)
    first = await ready.take()
    given = iter([first])

    async def take() -> Process:
        return next(given, None) or await ready.take()

    for plans in (1, 2, 3):
        outcome = await SolveProcess(submission, settings, ("no-such-command",), get_child=take, keep_child=ready.keep).run()
        assert (outcome.fault, outcome.plan is not None and outcome.plan.score.total) == (None, plans)
        assert ready.waiting == 1
    await ready.close()
    assert first.returncode is not None


async def test_a_solver_for_which_there_is_no_room_is_ended(submission: Submission, settings: ServiceSettings, child: Child) -> None:
    ready = ReadySolvers(child("again"), 0)
    process = await ready.take()

    async def take() -> Process:
        return process

    assert (await SolveProcess(submission, settings, ("no-such-command",), get_child=take, keep_child=ready.keep).run()).plan is not None
    assert process.returncode is not None
    assert ready.waiting == 0
