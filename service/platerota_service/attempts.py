"""Solving one stored plan: take it, run a child, store what it reaches, and take it again where the child died with nothing."""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import json
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from sqlalchemy.orm import Session

from platerota_service.bodies import submission_from
from platerota_service.patience import UNREACHABLE, patiently, write
from platerota_service.plan_answers import read_notes, stored_text
from platerota_service.ready_solvers import ReadySolvers
from platerota_service.settings import ServiceSettings
from platerota_service.solve_lines import Progress
from platerota_service.solve_process import Outcome, SolveProcess
from platerota_service.store import Store, plan_rows
from platerota_service.store.plan_rows import BestPlan, Claim
from platerota_shared.faults import RequestRefused
from platerota_shared.plan import Plan

_LOOK_SECONDS = 0.2
_log = logging.getLogger(__name__)
T = TypeVar("T")

OnEnd = Callable[[Session, str, str], None]
"""Is told, in the session of its transaction, that a plan is in an end state now."""


@dataclass(frozen=True, slots=True)
class Ending:
    """How the solving of a plan ended: under which claim, what went wrong, and what the audit found in a plan that it refused."""

    claim: int
    fault: str | None = None
    findings: tuple[str, ...] = ()


class _Lost(Exception):
    """The plan is deleted, or taken by another worker: no word of this solve counts any more."""


class Attempts:
    """Solves stored plans in children, for the worker `worker`; the end of each is told to `on_end`, in the transaction that stores it."""

    def __init__(
        self, worker: str, settings: ServiceSettings, store: Store, command: Sequence[str],
        on_end: OnEnd = lambda session, plan_id, state: None,
    ) -> None:
        self._on_end = on_end
        self._worker = worker
        self._settings = settings
        self._store = store
        self._command = command
        self._ready = ReadySolvers(command, settings.ready_solvers)
        self._loop: asyncio.AbstractEventLoop | None = None
        self.under_way: set[str] = set()
        """The ids of the plans that this process is solving now."""
        self._solves: set[asyncio.Task[object]] = set()
        self._closing = False

    async def solve(self, plan_id: str) -> Ending | None:
        """Solve a plan as often as it takes; None where it is deleted or has ended already.

        Cancelled, it kills its child and lets go of the plan.
        """
        task = asyncio.current_task()
        assert task is not None
        if self._closing:
            raise asyncio.CancelledError
        self.under_way.add(plan_id)
        self._solves.add(task)
        self._loop = task.get_loop()
        try:
            return await self._solve(plan_id)
        finally:
            self._solves.discard(task)
            self.under_way.discard(plan_id)

    def open(self) -> None:
        """Take plans, also after :meth:`close`."""
        self._closing = False

    def close(self, seconds: float) -> None:
        """Cancel every solve and wait for that, `seconds` at most; from another thread than their event loop's.

        The end of a loop cancels every task at once, also the one that starts a child, which then leaves its pipes or the child.
        """
        self._closing = True
        waits = [asyncio.run_coroutine_threadsafe(_cancel(task), task.get_loop()) for task in tuple(self._solves)]
        concurrent.futures.wait(waits, seconds)
        if self._loop is not None and not self._loop.is_closed():
            concurrent.futures.wait([asyncio.run_coroutine_threadsafe(self._ready.close(), self._loop)], seconds)
            self._loop = None

    async def _solve(self, plan_id: str) -> Ending | None:
        while True:
            claim = await self._patiently(lambda session: plan_rows.claim(session, plan_id, self._worker))
            if claim is None or claim.stop_asked:
                return None if claim is None else Ending(claim.number)
            if claim.attempts > self._settings.solve_attempts:
                words = f"its solver process, or the worker that ran it, ended unexpectedly {claim.attempts - 1} times"
                return Ending(claim.number, f"{words}; it is not tried again")
            try:
                outcome = await self._attempt(plan_id, claim)
            except _Lost:
                if await self._patiently(lambda session: plan_rows.is_open(session, plan_id)):
                    # As if this process had ended: the workflow's outcome is for its new owner to record.
                    raise asyncio.CancelledError from None
                return None
            if outcome.plan is not None or not outcome.died or claim.attempts >= self._settings.solve_attempts:
                return Ending(claim.number, outcome.fault, outcome.findings)
            _log.warning("plan %s: %s; attempt %d of %d", plan_id, outcome.fault, claim.attempts, self._settings.solve_attempts)

    async def finish(self, plan_id: str, ending: Ending) -> None:
        """Store the end state; doing it twice changes nothing."""

        def end(session: Session) -> str | None:
            state = plan_rows.finish(session, plan_id, ending.claim, ending.fault, ending.findings)
            if state is not None:
                self._on_end(session, plan_id, state)
            return state

        state = await self._patiently(end)
        _log.info("plan %s is %s", plan_id, state or "ended by somebody else")

    async def _attempt(self, plan_id: str, claim: Claim) -> Outcome:
        """Run one child to its end."""
        try:
            submission = replace(await asyncio.to_thread(submission_from, claim.request), notes=read_notes(claim.notes))
            by_points = await asyncio.to_thread(_by_points, claim.start)
        except RequestRefused as error:
            return Outcome(fault=f"the stored request is refused by this version: {error.faults[0].detail}")
        _log.info("plan %s is being solved: attempt %d", plan_id, claim.attempts)
        news = _News(by_points)
        process = SolveProcess(
            submission, self._settings, self._command, news.take_progress, news.take_plan, start=claim.start,
            get_child=self._ready.take, keep_child=self._ready.keep,
        )
        running = asyncio.create_task(process.run())
        try:
            ended = False
            while not ended:
                await asyncio.wait([running], timeout=_LOOK_SECONDS)
                # Asked before the news are taken: a child may say its last word and end while they are stored.
                ended = running.done()
                stop = await self._tell(plan_id, claim, news, patient=ended)
                if stop is None:
                    raise _Lost
                if stop:
                    process.stop()
            if not self._closing:
                await self._ready.refill()
            return self._outcome(plan_id, running)
        except asyncio.CancelledError:
            await _end(running)
            await self._let_go(plan_id, claim)
            raise
        finally:
            await _end(running)

    def _outcome(self, plan_id: str, running: asyncio.Task[Outcome]) -> Outcome:
        try:
            return running.result()
        except Exception:
            _log.exception("plan %s: its solve could not be followed", plan_id)
            return Outcome(fault="the service lost sight of the solver process")

    async def _tell(self, plan_id: str, claim: Claim, news: _News, *, patient: bool) -> bool | None:
        """Store what is new, if anything; whether to stop, None where the plan is somebody else's."""
        progress, plan = news.take()
        best = await asyncio.to_thread(_best, plan, news.by_points) if plan is not None else None

        def tell(session: Session) -> bool | None:
            if progress is None and best is None:
                return plan_rows.look(session, plan_id, claim.number)
            text = progress.model_dump_json(exclude={"event"}) if progress is not None else None
            return plan_rows.put_progress(session, plan_id, claim.number, text, best)

        if patient:
            return await self._patiently(tell)
        try:
            return await asyncio.to_thread(write, self._store, tell)
        except UNREACHABLE as error:
            # The child goes on; what it reached is told with the next news.
            _log.warning("plan %s: what it reached cannot be stored now: %s", plan_id, error)
            news.put_back(progress, plan)
            return False

    async def _let_go(self, plan_id: str, claim: Claim) -> None:
        try:
            await asyncio.to_thread(write, self._store, lambda session: plan_rows.release(session, plan_id, claim.number))
        except UNREACHABLE as error:
            _log.warning("plan %s: letting go of it could not be stored; it counts as an attempt: %s", plan_id, error)

    async def _patiently(self, work: Callable[[Session], T]) -> T:
        return await patiently(self._store, work)


class _News:
    """What a child reached since it was stored last; only the newest of each counts. `by_points`: see :class:`BestPlan`."""

    def __init__(self, by_points: bool) -> None:
        self.by_points = by_points
        self._progress: Progress | None = None
        self._plan: Plan | None = None

    def take_progress(self, progress: Progress) -> None:
        self._progress = progress

    def take_plan(self, plan: Plan) -> None:
        self._plan = plan

    def take(self) -> tuple[Progress | None, Plan | None]:
        """The news, which are none any more."""
        progress, plan = self._progress, self._plan
        self._progress = self._plan = None
        return progress, plan

    def put_back(self, progress: Progress | None, plan: Plan | None) -> None:
        """News that could not be told, unless there are newer ones."""
        self._progress = self._progress or progress
        self._plan = self._plan or plan


def _best(plan: Plan, by_points: bool) -> BestPlan:
    return BestPlan(stored_text(plan), plan.score.total, plan.score.bound, plan.quality, by_points)


def _by_points(start: str | None) -> bool:
    """Whether points alone say which plan of a solve with that start (JSON) is better."""
    return start is None or json.loads(start).get("aim") is None


async def _cancel(task: asyncio.Task[object]) -> None:
    task.cancel()
    await asyncio.wait([task])


async def _end(running: asyncio.Task[Outcome]) -> None:
    """Cancel a running child, which kills it, and wait for that."""
    running.cancel()
    with contextlib.suppress(asyncio.CancelledError, Exception):
        await running
