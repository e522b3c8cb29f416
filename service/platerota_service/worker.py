"""A worker: gets the optimiser ready, then solves queued plans and answers queued questions, and looks after the queue."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Sequence

from platerota_service.attempts import Attempts
from platerota_service.executor import Executor
from platerota_service.questions.answering import Answering
from platerota_service.questions.kinds import question_kinds
from platerota_service.risk_process import Simulations
from platerota_service.settings import ServiceSettings
from platerota_service.store import Store
from platerota_service.upkeep import Upkeep
from platerota_service.warm_process import warm_up_beside
from platerota_service.webhooks.delivering import Deliveries
from platerota_service.webhooks.outbox import Outbox

_PAUSE = 5.0
_log = logging.getLogger(__name__)


class Worker:
    """Solves the plans of `store` by the child process `command`, as `settings.worker_id`."""

    def __init__(self, settings: ServiceSettings, store: Store, command: Sequence[str]) -> None:
        self._settings = settings
        self._command = command
        self._outbox = Outbox(store)
        attempts = Attempts(settings.worker_id, settings, store, command, self._outbox.plan_ended)
        deliveries = Deliveries(store, self._outbox, inside=settings.webhooks_inside)
        self._answering = Answering(store, question_kinds(Simulations(settings)), self._outbox.question_ended)
        self._executor = Executor(
            store, attempts, self._answering.answer, deliveries.attempt, settings.worker_id, settings.solve_slots,
        )
        self._upkeep = Upkeep(settings, store, attempts, self._outbox.tidy, self._answering.under_way)
        self._starting: asyncio.Task[None] | None = None
        self._launched = False
        self.compiling = False

    async def start(self) -> None:
        """Begin to get ready, in the background.

        Raises
        ------
        platerota_service.store.StoreError
            Where another process has this worker's name.
        """
        await asyncio.to_thread(self._upkeep.hold_name)
        self._starting = asyncio.create_task(self._get_ready())

    async def ready(self, patience: float) -> bool:
        """Whether plans are solved; waits `patience` seconds for that at most. True before :meth:`start`: the first solve gets ready."""
        if self._starting is not None:
            await asyncio.wait([self._starting], timeout=patience)
        return self._starting is None or self._starting.done()

    async def close(self) -> None:
        """Let go of every plan."""
        if self._starting is not None:
            self._starting.cancel()
            await asyncio.gather(self._starting, return_exceptions=True)
        if self._launched:
            await asyncio.to_thread(self._executor.close)
        await asyncio.to_thread(self._upkeep.close)
        await asyncio.to_thread(self._answering.close)
        await asyncio.to_thread(self._outbox.close)

    async def _get_ready(self) -> None:
        if await warm_up_beside(self._command, self._settings.warm_seconds, self._note_compiling):
            _log.info("the optimiser is ready")
        while not self._launched:
            launching = asyncio.create_task(asyncio.to_thread(self._launch))
            try:
                await asyncio.shield(launching)
            except asyncio.CancelledError:
                with contextlib.suppress(Exception):
                    await launching
                raise
            except Exception:
                _log.exception("the queue cannot be opened; trying again in %g s", _PAUSE)
                await asyncio.sleep(_PAUSE)

    def _launch(self) -> None:
        try:
            self._executor.launch()
        except BaseException:
            self._executor.close()
            raise
        self._launched = True
        self._upkeep.start()

    def _note_compiling(self) -> None:
        self.compiling = True
