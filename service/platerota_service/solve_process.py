"""One solve in a child process of its own: start it, listen to it, stop it, kill it, and keep its best plan."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import signal
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from uuid import uuid4

from pydantic import ValidationError

from platerota_service.engine import Submission
from platerota_service.settings import MIB, ServiceSettings
from platerota_service.solve_lines import (
    STOP,
    AnyLine,
    Compiling,
    Done,
    Failed,
    Improved,
    Progress,
    Reached,
    Rejected,
    Warm,
    order_line,
    read_line,
)
from platerota_shared.plan import Plan, Warning_

SOLVE_CHILD = (sys.executable, "-m", "platerota_service.solve_child")
"""The command of the real child."""

_LONGEST_LINE = 256 * MIB
_LAST_SECONDS = 1.0
_ROUNDS_TO_CLOSE = 3
"""Rounds of the event loop in which asyncio closes pipes that are at their end."""
_REPEATABLE_PATIENCE = 10
"""A repeatable solve counts work instead of seconds: a slow machine may need several times its solve_seconds."""

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class Outcome:
    """How a solve ended: its best valid plan, if there was one, and what went wrong in words, if something did.

    `died` where the child ended without saying why: the next one may do better.
    """

    plan: Plan | None = None
    fault: str | None = None
    died: bool = False
    findings: tuple[str, ...] = ()


@dataclass(slots=True)
class SolveProcess:
    """A solve of `submission` by the child process `command`.

    Parameters
    ----------
    on_progress, on_plan
        Called in the event loop for each word of progress and each better plan, in the order they come.
    on_compiling
        Called before these where the optimiser must be compiled for this machine first; that takes nothing from its time.
    start
        What it starts from, JSON text in one line; None: from nothing.
    get_child
        Gives a child of `command` that has no order now; None: one is started.
    keep_child
        Takes a child that may have another order, or does not (False); None: it is ended.
    """

    submission: Submission
    settings: ServiceSettings
    command: Sequence[str] = SOLVE_CHILD
    on_progress: Callable[[Progress], None] = lambda progress: None
    on_plan: Callable[[Plan], None] = lambda plan: None
    on_compiling: Callable[[], None] = lambda: None
    start: str | None = None
    get_child: Callable[[], Awaitable[Process]] | None = None
    keep_child: Callable[[Process], bool] | None = None
    _outcome: Outcome = field(default_factory=Outcome, init=False)
    _warm: asyncio.Event = field(default_factory=asyncio.Event, init=False)
    _stop: asyncio.Event = field(default_factory=asyncio.Event, init=False)

    def stop(self) -> None:
        """Let the child end with its best plan; it is killed if it does not within `stop_grace_seconds` (counted once it is warm)."""
        self._stop.set()

    async def run(self) -> Outcome:
        """Run the child to its end. Where this is cancelled the child is killed."""
        try:
            process = await (self.get_child() if self.get_child is not None else start_child(*self.command))
        except OSError as error:
            _log.error("the solver process could not be started: %s", error)
            self._outcome.fault = "the solver process could not be started"
            return self._outcome
        helpers = [asyncio.create_task(work) for work in (self._tell(process), self._watch(process), log_errors(process))]
        kept = False
        try:
            done, code = await self._listen(process), None
            if done is None:  # a child that says no more is about to end; its own exit code tells how
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(_LAST_SECONDS):
                        await process.wait()
                kill(process)
                code = await process.wait()
            self._judge(code)
            if done is not None and done.again and self._outcome.fault is None and self.keep_child is not None:
                await _cancelled(helpers)  # before somebody else listens to it
                kept = self.keep_child(process)
        finally:
            if not kept:
                kill(process)
                await _cancelled(helpers[:2])
                await asyncio.gather(*helpers, return_exceptions=True)
                await reap(process)
        return self._outcome

    async def _tell(self, process: Process) -> None:
        """Say the request, and STOP when it is time; a child that is gone already shows when listening."""
        assert process.stdin is not None
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            process.stdin.write(order_line(self.submission.text, self.settings.solve_memory_mib, self.start))
            await process.stdin.drain()
            await self._stop.wait()
            process.stdin.write(STOP)
            await process.stdin.drain()

    async def _watch(self, process: Process) -> None:
        """Kill the child once it is overdue."""
        self._outcome.fault = await self._overdue()
        self._outcome.died = not self._warm.is_set()
        _log.error("%s; it is killed", self._outcome.fault)
        kill(process)

    async def _overdue(self) -> str:
        """Wait until the child is past its time to get warm, to solve, or to end after it was told to stop, and say which."""
        solve, warm, grace = self.submission.request.settings, self.settings.warm_seconds, self.settings.stop_grace_seconds
        seconds = solve.solve_seconds * (_REPEATABLE_PATIENCE if solve.repeatable else 1) + self.settings.kill_grace_seconds
        for event, limit in ((self._warm, warm), (self._stop, seconds)):
            try:
                # Not wait_for: before Python 3.12 it may swallow a cancellation, and this would go on for a child long gone.
                async with asyncio.timeout(limit):
                    await event.wait()
            except TimeoutError:
                return f"the solver {'was not ready' if event is self._warm else 'did not end'} within {limit:g} seconds"
        await asyncio.sleep(grace)
        return f"the solver did not end within {grace:g} seconds after it was told to stop"

    async def _listen(self, process: Process) -> Done | None:
        """Take the child's lines until it says that it is done, or says no more (None)."""
        assert process.stdout is not None
        while self._outcome.fault is None:
            try:
                text = await process.stdout.readline()
                if not text:
                    return None
                line = await asyncio.to_thread(read_line, text)
                if isinstance(line, Done):
                    return line
                await self._take(line)
            except ValueError as error:  # too long a line, no line of ours (pydantic.ValidationError), or no plan in it
                words = error.json(include_url=False, include_input=False) if isinstance(error, ValidationError) else str(error)
                _log.error("the solver process said something unreadable: %s", words[:2_000])
                self._outcome.fault = "the solver process said something that cannot be read"
                kill(process)
        return None

    async def _take(self, line: AnyLine) -> None:
        if isinstance(line, Compiling):
            self.on_compiling()
        elif isinstance(line, Warm):
            self._warm.set()
        elif isinstance(line, Reached):
            self.on_progress(line)
        elif isinstance(line, Improved):
            self._outcome.plan = self.submission.noted(await asyncio.to_thread(Plan.from_document, line.plan))
            self.on_plan(self._outcome.plan)
        elif isinstance(line, Rejected):
            self._outcome.findings = line.findings
            await asyncio.to_thread(report_rejected, self.submission, line, self.settings.replay_directory, self.start)
        elif isinstance(line, Failed):
            self._outcome.fault = line.detail

    def _judge(self, code: int | None) -> None:
        """Put into words how it ended (`code`: None where it said that it is done), and warn in a plan whose solve did not end well."""
        if code is not None and self._outcome.fault is None:
            self._outcome.died = True
            self._outcome.fault = f"the solver process ended unexpectedly ({_ending(code)})"
        if code is None and self._outcome.plan is None and self._outcome.findings:
            self._outcome.fault = "every plan that the solver found failed our own audit; the fault is the program's, not the request's"
        if self._outcome.plan is not None and self._outcome.fault is not None:
            detail = f"{self._outcome.fault}; this is the last valid plan it found"
            warning = Warning_(code="solve-ended-early", detail=detail, pointer="")
            self._outcome.plan = self._outcome.plan.model_copy(update={"warnings": (*self._outcome.plan.warnings, warning)})


def report_rejected(submission: Submission, line: Rejected, directory: Path | None, start: str | None = None) -> None:
    """Log a plan that failed the audit, and write it with its request, start and findings into `directory` for replay, if there is one."""
    _log.error("a plan failed the audit and is not shown: %s", "; ".join(line.findings[:5]))
    if directory is None:
        return
    record = {"request": json.loads(submission.text), "start": json.loads(start or "null"), "plan": line.plan, "findings": line.findings}
    try:
        directory.mkdir(parents=True, exist_ok=True)
        path = directory / f"rejected-{uuid4().hex}.json"
        path.write_text(json.dumps(record, ensure_ascii=False), encoding="utf-8")
        _log.error("request, plan and findings are in %s", path)
    except OSError as error:
        _log.error("the record for replay could not be written: %s", error)


async def _cancelled(tasks: Sequence[asyncio.Task[None]]) -> None:
    """Cancel them, and wait until they have ended."""
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


async def log_errors(process: Process) -> None:
    """Pass what a child says on standard error to the log."""
    assert process.stderr is not None
    while chunk := await process.stderr.read(65_536):
        _log.warning("solver process %d: %s", process.pid, chunk.decode("utf-8", "replace").rstrip())


def kill(process: Process) -> None:
    """Kill a child that has not ended."""
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            process.kill()


async def start_child(*command: str) -> Process:
    """Start a child with pipes to all that it says and is told.

    Where this is cancelled the child is killed, and nothing of it is left: a start that asyncio itself cancels may leave its pipes.

    Raises
    ------
    OSError
        Where it cannot be started.
    """
    starting = asyncio.create_task(
        asyncio.create_subprocess_exec(*command, stdin=PIPE, stdout=PIPE, stderr=PIPE, limit=_LONGEST_LINE, start_new_session=True)
    )
    try:
        return await asyncio.shield(starting)
    except asyncio.CancelledError:
        with contextlib.suppress(OSError):
            process = await starting
            kill(process)
            await asyncio.gather(reap(process), log_errors(process))
        raise


async def reap(process: Process) -> None:
    """Wait for the end of a killed child, and read what is left of what it said: its pipes close at their end alone."""
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.close()
    with contextlib.suppress(ValueError):  # too long a line
        await process.stdout.read()
    await process.wait()
    for _ in range(_ROUNDS_TO_CLOSE):
        await asyncio.sleep(0)


def _ending(code: int) -> str:
    """A process's return code in words."""
    if code >= 0:
        return f"exit code {code}"
    try:
        return f"signal {signal.Signals(-code).name}"
    except ValueError:
        return f"signal {-code}"
