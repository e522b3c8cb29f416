"""The engine: plans in the database, a durable queue, and children that solve, in this process tree or in workers elsewhere."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Sequence
from typing import cast
from uuid import uuid4

from dbos import DBOSClient
from sqlalchemy.orm import Session

from platerota_service.changes import Changes
from platerota_service.engine import (
    AlreadyEnded,
    Beside,
    EngineClosed,
    EngineWarming,
    Guard,
    NoWorker,
    PlanState,
    Submission,
    UnknownPlan,
)
from platerota_service.executor import open_client, prepare_queue
from platerota_service.queueing import check_room, queue_plan
from platerota_service.settings import ServiceSettings
from platerota_service.solve_lines import Progress
from platerota_service.solve_process import SOLVE_CHILD
from platerota_service.store import LOCAL_TENANT, Store, plan_rows
from platerota_service.webhooks.outbox import Outbox
from platerota_service.worker import Worker
from platerota_service.worker_names import Presence
from platerota_shared.plan import Status
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest

_log = logging.getLogger(__name__)


class DurableEngine:
    """An :class:`~platerota_service.engine.Engine` over `store`: what it took survives this process.

    Parameters
    ----------
    settings
        Slots, limits and graces.
    store
        Where plans are kept; it has the newest schema.
    command
        The child process that solves.
    solves
        Whether plans are solved in this process tree; else workers elsewhere do it.
    """

    def __init__(self, settings: ServiceSettings, store: Store, command: Sequence[str] = SOLVE_CHILD, *, solves: bool = True) -> None:
        self._settings = settings
        self._store = store
        self._worker = Worker(settings, store, command) if solves else None
        self._presence = Presence(store, settings.watch_seconds)
        self._changes = Changes(store)
        self._outbox = Outbox(store)
        self._client: DBOSClient | None = None
        self._closed = False

    async def start(self) -> None:
        """Open the queue and start the worker; see :meth:`platerota_service.engine.Engine.start`."""
        if self._store.embedded:
            await asyncio.to_thread(prepare_queue, self._store)
        self._client = await asyncio.to_thread(open_client, self._store)
        if self._worker is not None:
            await self._worker.start()

    async def check_ready(self, patience: float = 0.0) -> None:
        """Nothing where a plan gets its turn; see :meth:`platerota_service.engine.Engine.check_ready`."""
        if self._closed:
            raise EngineClosed
        ready = await (self._worker or self._presence).ready(patience)
        if self._closed:
            raise EngineClosed
        await asyncio.to_thread(check_room, self._store, self._settings.queue_limit)
        if not ready:
            raise EngineWarming(compiling=self._worker.compiling) if self._worker is not None else NoWorker

    async def submit(self, submission: Submission, beside: Beside | None = None) -> str:
        """Store and queue a plan; see :meth:`platerota_service.engine.Engine.submit`."""
        if self._closed:
            raise EngineClosed
        plan_id = uuid4().hex
        await asyncio.to_thread(self._put, plan_id, submission, beside)
        _log.info("plan %s waits: %d orders", plan_id, len(submission.request.orders))
        return plan_id

    async def stop(self, plan_id: str, tenant: str = LOCAL_TENANT, guard: Guard | None = None) -> None:
        """End a solve with its best plan; see :meth:`platerota_service.engine.Engine.stop`."""
        await asyncio.to_thread(self._stop, plan_id, tenant, guard)

    async def cancel(self, plan_id: str, tenant: str = LOCAL_TENANT, guard: Guard | None = None) -> None:
        """Delete a plan, which kills its solve; see :meth:`platerota_service.engine.Engine.cancel`."""
        await asyncio.to_thread(self._delete, plan_id, tenant, guard)

    async def status(self, plan_id: str, tenant: str = LOCAL_TENANT) -> PlanState:
        """The plan now; see :meth:`platerota_service.engine.Engine.status`."""
        return await asyncio.to_thread(self._read, plan_id, tenant)

    async def request(self, plan_id: str, tenant: str = LOCAL_TENANT) -> PlanRequest:
        """What a plan was made from; see :meth:`platerota_service.engine.Engine.request`."""
        return await asyncio.to_thread(self._read_request, plan_id, tenant)

    async def events(self, plan_id: str, tenant: str = LOCAL_TENANT) -> AsyncIterator[PlanState]:
        """The plan's changes; see :meth:`platerota_service.engine.Engine.events`."""
        while True:
            state = await self.status(plan_id, tenant)
            yield state
            if state.ended:
                return
            await self._changes.after(plan_id, state.revision)

    async def close(self) -> None:
        """Answer who waits, and let go of every solve; see :meth:`platerota_service.engine.Engine.close`."""
        if self._closed:
            return
        self._closed = True
        self._changes.close()
        if self._worker is not None:
            await self._worker.close()
        if self._client is not None:
            await asyncio.to_thread(self._client.destroy)
        await asyncio.to_thread(self._outbox.close)

    def _put(self, plan_id: str, submission: Submission, beside: Beside | None) -> None:
        """The plan, its place in the queue and what belongs to it, in one transaction: all of it is stored, or none."""
        assert self._client is not None, "the engine is not started"
        check_room(self._store, self._settings.queue_limit)
        with self._store.writing() as session:
            queue_plan(self._client, session, plan_id, submission)
            if beside is not None:
                beside(session, plan_id)

    def _stop(self, plan_id: str, tenant: str, guard: Guard | None) -> None:
        _check_id(plan_id)
        with self._store.reading() as session:
            row = plan_rows.read(session, plan_id, tenant)
        if row is not None and row.ended_ms is not None:
            raise AlreadyEnded(plan_id, cast(Status, row.state))
        with self._store.writing() as session:
            _ask(guard, session, plan_id, tenant)
            asked = plan_rows.ask_stop(session, plan_id, tenant)
            if asked is not None and asked[1]:
                self._outbox.plan_ended(session, plan_id, asked[0])
        if asked is None:
            raise UnknownPlan(plan_id)
        if asked[0] != "solving":
            self._take_out(plan_id)

    def _delete(self, plan_id: str, tenant: str, guard: Guard | None) -> None:
        _check_id(plan_id)
        with self._store.writing() as session:
            _ask(guard, session, plan_id, tenant)
            state = plan_rows.delete(session, plan_id, tenant)
        if state is None:
            raise UnknownPlan(plan_id)
        if state == "waiting":  # whoever solves it sees for himself that it is gone
            self._take_out(plan_id)

    def _take_out(self, plan_id: str) -> None:
        """Take a plan out of the queue. Where that is lost, the worker finds that there is nothing left to do."""
        assert self._client is not None, "the engine is not started"
        self._client.cancel_workflow(plan_id)

    def _read_request(self, plan_id: str, tenant: str) -> PlanRequest:
        _check_id(plan_id)
        with self._store.reading() as session:
            text = plan_rows.read_request_text(session, plan_id, tenant)
        if text is None:
            raise UnknownPlan(plan_id)
        return read_request(text)

    def _read(self, plan_id: str, tenant: str) -> PlanState:
        _check_id(plan_id)
        with self._store.reading() as session:
            row = plan_rows.read(session, plan_id, tenant)
        if row is None:
            raise UnknownPlan(plan_id)
        progress = Progress.model_validate_json(row.progress) if row.progress is not None else None
        return PlanState(
            row.id, cast(Status, row.state), row.plan, row.revision, progress, row.problem, row.shop_id, row.shop_version,
            row.score, row.base_id,
        )


def _ask(guard: Guard | None, session: Session, plan_id: str, tenant: str) -> None:
    """Let a guard look at the plan, which nobody else changes from then on."""
    if guard is not None:
        plan_rows.hold(session, plan_id, tenant)
        guard(session)


def _check_id(plan_id: str) -> None:
    """Refuse what was never an id, before PostgreSQL does so as a fault: it takes no text with a NUL in it."""
    if not (plan_id.isascii() and plan_id.isalnum()):
        raise UnknownPlan(plan_id)
