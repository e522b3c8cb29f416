"""The engine of now: plans in memory, a short queue, and one child process for each solve."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, field
from uuid import uuid4

from platerota_service.engine import AlreadyEnded, EngineClosed, EngineWarming, PlanState, QueueFull, Submission, UnknownPlan
from platerota_service.plan_answers import blank_plan
from platerota_service.settings import ServiceSettings
from platerota_service.solve_lines import Progress
from platerota_service.solve_process import SOLVE_CHILD, Outcome, SolveProcess
from platerota_service.warm_process import warm_up_beside
from platerota_shared.plan import Plan, Status
from platerota_shared.tables import PlanRequest

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Record:
    """One plan, its request, its solve (None once it ended), and the event that wakes whoever watches it (a new one for each change)."""

    state: PlanState
    request: PlanRequest
    process: SolveProcess | None = None
    task: asyncio.Task[None] | None = None
    stopping: bool = False
    deleted: bool = False
    changed: asyncio.Event = field(default_factory=asyncio.Event)

    def wake(self) -> None:
        """Wake the watchers."""
        self.changed.set()
        self.changed = asyncio.Event()

    def put(self, state: PlanState) -> None:
        """Take on a state and wake the watchers."""
        self.state = state
        self.wake()

    def take_plan(self, plan: Plan) -> None:
        """Take a better plan of a solve that goes on."""
        self.put(PlanState(_marked(plan, self.state.plan.id, "solving"), self.state.progress))

    def take_progress(self, progress: Progress) -> None:
        """Take a word of progress."""
        self.put(PlanState(self.state.plan, progress))


class ChildEngine:
    """An :class:`~platerota_service.engine.Engine` in memory: a restart forgets every plan.

    Parameters
    ----------
    settings
        Slots, limits and graces.
    command
        The child process that solves.
    """

    def __init__(self, settings: ServiceSettings, command: Sequence[str] = SOLVE_CHILD) -> None:
        self._settings = settings
        self._command = command
        self._records: dict[str, _Record] = {}
        self._slots = asyncio.Semaphore(settings.solve_slots)
        self._closed = False
        self._warming: asyncio.Task[None] | None = None
        self._compiling = False

    async def start(self) -> None:
        """Get the optimiser ready in a child; see :meth:`platerota_service.engine.Engine.start`."""
        self._warming = asyncio.create_task(self._warm_up())

    async def submit(self, submission: Submission) -> str:
        """Queue a solve; see :meth:`platerota_service.engine.Engine.submit`."""
        self._check_room()
        plan_id = uuid4().hex
        record = _Record(PlanState(_marked(blank_plan(submission.request), plan_id, "waiting")), submission.request)
        self._records[plan_id] = record
        _log.info("plan %s waits: %d orders", plan_id, len(submission.request.orders))
        record.task = asyncio.create_task(self._solve(record, submission))
        return plan_id

    async def stop(self, plan_id: str) -> None:
        """End a solve with its best plan; see :meth:`platerota_service.engine.Engine.stop`."""
        record = self._find(plan_id)
        if record.state.ended:
            raise AlreadyEnded(plan_id, record.state.plan.status)
        record.stopping = True
        if record.process is not None:
            record.process.stop()
        else:
            await _end_task(record)
            self._finish(record, Outcome())

    async def cancel(self, plan_id: str) -> None:
        """Forget a plan and kill its solve; see :meth:`platerota_service.engine.Engine.cancel`."""
        record = self._find(plan_id)
        del self._records[plan_id]
        record.deleted = True
        record.wake()
        await _end_task(record)

    async def status(self, plan_id: str) -> PlanState:
        """The plan now; see :meth:`platerota_service.engine.Engine.status`."""
        return self._find(plan_id).state

    async def request(self, plan_id: str) -> PlanRequest:
        """The plan's request; see :meth:`platerota_service.engine.Engine.request`."""
        return self._find(plan_id).request

    async def events(self, plan_id: str) -> AsyncIterator[PlanState]:
        """The plan's changes; see :meth:`platerota_service.engine.Engine.events`."""
        record = self._find(plan_id)
        while True:
            changed, state = record.changed, record.state
            yield state
            if state.ended:
                return
            await changed.wait()
            if record.deleted:
                raise EngineClosed if self._closed else UnknownPlan(plan_id)

    async def check_ready(self, patience: float = 0.0) -> None:
        """Nothing where a plan gets its turn; see :meth:`platerota_service.engine.Engine.check_ready`."""
        if self._warming is not None:
            await asyncio.wait([self._warming], timeout=patience)
        self._check_room()
        if self._warming is not None and not self._warming.done():
            raise EngineWarming(compiling=self._compiling)

    async def close(self) -> None:
        """Kill every solve and take no more; see :meth:`platerota_service.engine.Engine.close`."""
        self._closed = True
        if self._warming is not None:
            self._warming.cancel()
            await asyncio.gather(self._warming, return_exceptions=True)
        for plan_id in list(self._records):
            await self.cancel(plan_id)

    def _check_room(self) -> None:
        if self._closed:
            raise EngineClosed
        if sum(record.state.plan.status == "waiting" for record in self._records.values()) >= self._settings.queue_limit:
            raise QueueFull(self._settings.queue_limit)

    async def _warm_up(self) -> None:
        if await warm_up_beside(self._command, self._settings.warm_seconds, self._note_compiling):
            _log.info("the optimiser is ready")

    def _note_compiling(self) -> None:
        self._compiling = True

    def _find(self, plan_id: str) -> _Record:
        try:
            return self._records[plan_id]
        except KeyError:
            raise UnknownPlan(plan_id) from None

    async def _solve(self, record: _Record, submission: Submission) -> None:
        """Wait for a slot (they are given in the order of asking) and the optimiser, then run the child to its end."""
        async with self._slots:
            if self._warming is not None:
                await asyncio.wait([self._warming])
            record.process = SolveProcess(submission, self._settings, self._command, record.take_progress, record.take_plan)
            record.put(PlanState(_marked(record.state.plan, record.state.plan.id, "solving")))
            try:
                outcome = await record.process.run()
            except Exception:
                _log.exception("plan %s: its solve could not be followed", record.state.plan.id)
                outcome = Outcome(fault="the service lost sight of the solver process")
            self._finish(record, outcome)

    def _finish(self, record: _Record, outcome: Outcome) -> None:
        """Give the plan its end state, let go of the solve, and forget the oldest ended plans past the limit."""
        record.process = None
        plan_id, progress = record.state.plan.id, record.state.progress
        if outcome.plan is not None:
            state = PlanState(_marked(outcome.plan, plan_id, "ready"), progress)
        elif record.stopping:
            state = PlanState(_marked(record.state.plan, plan_id, "stopped"), progress)
        else:
            problem = outcome.fault or "the solver ended without a plan"
            state = PlanState(_marked(record.state.plan, plan_id, "failed"), progress, problem)
        record.put(state)
        _log.info("plan %s is %s", plan_id, state.plan.status)
        ended = [name for name, other in self._records.items() if other.state.ended]
        for name in ended[: max(0, len(ended) - self._settings.kept_plans)]:
            del self._records[name]


async def _end_task(record: _Record) -> None:
    """Cancel the solve's task, which kills its child, and wait for it."""
    assert record.task is not None
    record.task.cancel()
    await asyncio.gather(record.task, return_exceptions=True)


def _marked(plan: Plan, plan_id: str, status: Status) -> Plan:
    return plan.model_copy(update={"id": plan_id, "status": status})
