"""A solve in a real child process: whatever the child does, it is gone afterwards and its best valid plan is kept."""

import asyncio
import json
import logging
import os
import sys
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from platerota_service.engine import Submission
from platerota_service.settings import ServiceSettings
from platerota_service.solve_lines import Progress
from platerota_service.solve_process import Outcome, SolveProcess
from platerota_shared.plan import Plan, Warning_

pytestmark = pytest.mark.anyio

Child = Callable[[str], tuple[str, ...]]
Run = Callable[[str], Awaitable[Outcome]]


@pytest.fixture
def run(submission: Submission, settings: ServiceSettings, child: Child) -> Run:
    return lambda name: SolveProcess(submission, settings, child(name)).run()


async def test_progress_and_plans_come_in_order_and_the_last_plan_counts(
    submission: Submission, settings: ServiceSettings, child: Child,
) -> None:
    heard: list[Any] = []
    outcome = await SolveProcess(submission, settings, child("good"), heard.append, heard.append).run()
    assert outcome.plan is not None
    assert outcome.fault is None
    assert outcome.plan.score.total == 3.0
    progress, *plans = heard
    assert isinstance(progress, Progress)
    assert (progress.stage, progress.gap) == ("first", 0.25)
    assert [plan.score.total for plan in plans] == [4.0, 3.0]


async def test_the_child_is_told_the_request_and_its_memory_limit(
    run: Run, request_document: dict[str, Any], settings: ServiceSettings,
) -> None:
    outcome = await run("echo")
    assert outcome.fault is not None
    assert json.loads(outcome.fault) == {"memory_mib": settings.solve_memory_mib, "start": None, "request": request_document}


async def test_what_a_planner_should_know_of_the_request_is_a_warning_of_every_plan(
    submission: Submission, settings: ServiceSettings, child: Child,
) -> None:
    note = Warning_(code="cut-again", detail="the cut of run R1 stands still", pointer="/floor/waiting")
    plans: list[Plan] = []
    outcome = await SolveProcess(replace(submission, notes=(note,)), settings, child("good"), on_plan=plans.append).run()
    assert outcome.plan is not None
    own = len(outcome.plan.warnings) - 1
    assert [plan.warnings[own:] for plan in (*plans, outcome.plan)] == 3 * [(note,)]


async def test_a_crash_without_a_plan_is_a_fault_in_words(run: Run) -> None:
    outcome = await run("crash")
    assert outcome.plan is None
    assert outcome.fault is not None
    assert "exit code 7" in outcome.fault


async def test_a_crash_keeps_the_last_plan_and_warns_in_it(run: Run) -> None:
    outcome = await run("crash-late")
    assert outcome.plan is not None
    assert outcome.plan.score.total == 4.0
    warning = outcome.plan.warnings[-1]
    assert warning.code == "solve-ended-early"
    assert "SIGABRT" in warning.detail


@pytest.mark.parametrize("name", ["garbage", "no-plan-in-it"])
async def test_a_child_that_talks_nonsense_is_killed(run: Run, name: str) -> None:
    outcome = await run(name)
    assert outcome.fault is not None
    assert "cannot be read" in outcome.fault
    assert (outcome.plan is not None) == (name == "garbage")


async def test_a_plan_that_fails_the_audit_is_never_a_plan(run: Run) -> None:
    outcome = await run("rejected")
    assert outcome.plan is None
    assert outcome.findings == ("F6: two cuts at once",)
    assert outcome.fault is not None


async def test_the_last_valid_plan_stands_in_for_one_that_fails_the_audit(run: Run) -> None:
    outcome = await run("rejected-last")
    assert outcome.plan is not None
    assert outcome.plan.score.total == 4.0


async def test_a_rejected_plan_is_logged_and_written_with_its_request(
    submission: Submission, settings: ServiceSettings, child: Child, tmp_path: Path, request_document: dict[str, Any],
    caplog: pytest.LogCaptureFixture,
) -> None:
    folder = tmp_path / "replay" / "here"
    await SolveProcess(submission, settings.model_copy(update={"replay_directory": folder}), child("rejected")).run()
    (record,) = folder.iterdir()
    assert json.loads(record.read_text())["request"] == request_document
    assert json.loads(record.read_text())["findings"] == ["F6: two cuts at once"]
    assert any("F6: two cuts at once" in message and level == logging.ERROR for _, level, message in caplog.record_tuples)


async def test_a_replay_folder_that_cannot_be_written_hurts_nobody(
    submission: Submission, settings: ServiceSettings, child: Child, tmp_path: Path,
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    outcome = await SolveProcess(submission, settings.model_copy(update={"replay_directory": blocked / "below"}), child("rejected")).run()
    assert outcome.findings


async def test_a_child_that_says_it_failed_is_believed(run: Run) -> None:
    assert await run("failed") == Outcome(fault="out of coolant")


async def test_a_child_that_is_done_without_a_plan_has_neither_plan_nor_fault(run: Run) -> None:
    assert await run("silent") == Outcome()


async def test_a_child_that_is_done_but_stays_is_not_waited_for(run: Run) -> None:
    outcome = await run("lingering")
    assert outcome.plan is not None
    assert outcome.fault is None


async def test_much_noise_on_standard_error_blocks_nothing(run: Run) -> None:
    assert (await run("noisy")).plan is not None


async def test_stop_lets_the_child_end_with_its_best(submission: Submission, settings: ServiceSettings, child: Child) -> None:
    process = SolveProcess(submission, settings, child("patient"))
    process.stop()
    outcome = await process.run()
    assert outcome.plan is not None
    assert outcome.fault is None
    assert outcome.plan.score.total == 3.0


async def test_a_child_deaf_to_stop_is_killed_and_its_best_is_kept(submission: Submission, settings: ServiceSettings, child: Child) -> None:
    plans: list[Plan] = []
    process = SolveProcess(submission, settings.model_copy(update={"stop_grace_seconds": 0.2}), child("deaf"), on_plan=plans.append)
    running = asyncio.create_task(process.run())
    while not plans:
        await asyncio.sleep(0.01)
    process.stop()
    outcome = await running
    assert outcome.plan is not None
    assert outcome.fault is not None
    assert "told to stop" in outcome.fault


async def test_a_child_past_its_time_is_killed(settings: ServiceSettings, child: Child, submission: Submission) -> None:
    request = submission.request.model_copy(update={"settings": submission.request.settings.model_copy(update={"solve_seconds": 0.1})})
    # More than a pipe holds, to a child that reads nothing: telling it must not block the watch.
    long = Submission(b'"' + b"x" * 300_000 + b'"', request)
    outcome = await SolveProcess(long, settings.model_copy(update={"kill_grace_seconds": 0.2}), child("hang")).run()
    assert outcome.plan is None
    assert outcome.fault is not None
    assert "did not end within 0.3 seconds" in outcome.fault


async def test_getting_the_solver_ready_takes_nothing_from_the_time_of_the_solve(
    settings: ServiceSettings, child: Child, submission: Submission,
) -> None:
    told: list[str] = []
    none = settings.model_copy(update={"kill_grace_seconds": 1e-9})
    request = submission.request.model_copy(update={"settings": submission.request.settings.model_copy(update={"solve_seconds": 1e-9})})
    process = SolveProcess(
        Submission(submission.text, request), none.model_copy(update={"warm_seconds": 0.3}), child("cold"),
        on_compiling=lambda: told.append("compiling"),
    )
    assert (await process.run()).fault == "the solver was not ready within 0.3 seconds"
    assert told == ["compiling"]


async def test_a_repeatable_solve_counts_work_and_gets_ten_times_its_seconds(
    settings: ServiceSettings, child: Child, submission: Submission,
) -> None:
    solve = submission.request.settings.model_copy(update={"solve_seconds": 0.02, "repeatable": True})
    patient = Submission(submission.text, submission.request.model_copy(update={"settings": solve}))
    outcome = await SolveProcess(patient, settings.model_copy(update={"kill_grace_seconds": 0.1}), child("hang")).run()
    assert outcome.fault is not None
    assert "did not end within 0.3 seconds" in outcome.fault


async def test_a_command_that_is_not_there_is_a_fault_in_words(submission: Submission, settings: ServiceSettings) -> None:
    outcome = await SolveProcess(submission, settings, ("/no/such/command",)).run()
    assert outcome == Outcome(fault="the solver process could not be started")


async def test_cancelling_kills_the_child(submission: Submission, settings: ServiceSettings, tmp_path: Path) -> None:
    mark = tmp_path / "pid"
    script = f"import os, time, pathlib; pathlib.Path({str(mark)!r}).write_text(str(os.getpid())); time.sleep(600)"
    running = asyncio.create_task(SolveProcess(submission, settings, (sys.executable, "-I", "-S", "-c", script)).run())
    while not (mark.exists() and mark.read_text()):
        await asyncio.sleep(0.01)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    with pytest.raises(ProcessLookupError):
        os.kill(int(mark.read_text()), 0)


async def test_a_child_that_ends_while_it_gets_warm_is_not_waited_for(
    submission: Submission, settings: ServiceSettings, child: Callable[[str], tuple[str, ...]],
) -> None:
    """`asyncio.wait_for` of Python 3.11 swallows a cancellation that comes with what it waits for; see the comment in `_overdue`."""
    process = SolveProcess(submission, settings, child("silent"))
    watching = asyncio.create_task(process._overdue())
    await asyncio.sleep(0)
    process._warm.set()
    await asyncio.sleep(0)  # the event's waiter is done, the watcher not yet awake
    watching.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asyncio.wait_for(watching, 5)
