"""The durable queue (DBOS): takes plans in the order of their priority, and goes on after a crash with those it had."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Coroutine
from typing import Any, Final
from uuid import uuid4

from dbos import DBOS, DBOSClient, DBOSConfig, EnqueueOptions
from sqlalchemy.orm import Session

from platerota_service.attempts import Attempts, Ending
from platerota_service.store import Store
from platerota_service.watch.traces import log_under, trace_id

QUEUE: Final = "solves"
WORKFLOW: Final = "solve"
DELIVERIES: Final = "deliveries"
"""The queue of messages to webhooks, beside which solves do not wait."""
QUESTIONS: Final = "control"
"""The queue of questions, which wait for their plans and take no slot from them."""
_ANSWER: Final = "answer"
_QUESTIONS_AT_ONCE: Final = 32
_DELIVER: Final = "deliver"
_DELIVERIES_AT_ONCE: Final = 8
_APPLICATION: Final = "platerota"
_VERSION: Final = "1"
"""Fixed, so that a newer program goes on with what an older one took; it changes with the steps of the workflow alone."""
_POLL_SECONDS: Final = 0.2
_POLL_DELIVERIES_SECONDS: Final = 1.0
"""No caller waits for a message, and a look for one takes processor time where there is none."""
_LAST_TAKE_SECONDS: Final = 5.0
_LETTING_GO_SECONDS: Final = 10.0
_RECOVERIES: Final = 1_000
"""A backstop alone: the attempts counted in the plan end a request that kills its workers, and with words."""
_log = logging.getLogger(__name__)


def prepare_queue(store: Store) -> None:
    """Make the queue's own tables, or bring them to the newest schema.

    Raises
    ------
    platerota_service.store.StoreError
        Where the database cannot be reached or written.
    """
    with store.faults_in_words():
        DBOS.migrate(store.url.render_as_string(hide_password=False))


def open_client(store: Store) -> DBOSClient:
    """What puts plans into the queue and takes them out, in any process, through the store's own connections."""
    return DBOSClient(system_database_engine=store.engine, application_name=_APPLICATION)


def enqueue(client: DBOSClient, session: Session, plan_id: str, priority: int) -> None:
    """Put a plan into the queue, in the transaction of `session`, with the trace that this call belongs to."""
    options = EnqueueOptions(
        workflow_name=WORKFLOW, queue_name=QUEUE, workflow_id=plan_id, priority=priority, app_version=_VERSION,
    )
    client.enqueue_in_transaction(session, options, plan_id, trace_id())


def enqueue_delivery(client: DBOSClient, session: Session, delivery_id: str, attempt: int, delay_seconds: float) -> None:
    """Queue an attempt to send a message to a webhook, in the transaction of `session`; it begins after `delay_seconds`."""
    options = EnqueueOptions(workflow_name=_DELIVER, queue_name=DELIVERIES, workflow_id=uuid4().hex, app_version=_VERSION)
    if delay_seconds:
        options["delay_seconds"] = delay_seconds
    client.enqueue_in_transaction(session, options, delivery_id, attempt)


def enqueue_question(client: DBOSClient, session: Session, question_id: str) -> None:
    """Queue the answering of a question, in the transaction of `session`."""
    options = EnqueueOptions(workflow_name=_ANSWER, queue_name=QUESTIONS, workflow_id=question_id, app_version=_VERSION)
    client.enqueue_in_transaction(session, options, question_id, trace_id())


Answer = Callable[[str], Coroutine[Any, Any, None]]
"""Answers a question, however long that takes; doing it twice changes nothing."""
Deliver = Callable[[str, int], Coroutine[Any, Any, None]]
"""Makes an attempt, counted from 1, to send a message; doing it twice may send it twice."""


class Executor:
    """Solves queued plans, answers queued questions by `answer`, and sends queued messages by `deliver`, in this process.

    There can be one at a time in a process, and one of each `name` in the world.
    """

    def __init__(self, store: Store, attempts: Attempts, answer: Answer, deliver: Deliver, name: str, slots: int) -> None:
        self._store = store
        self._answer = answer
        self._deliver = deliver
        self._attempts = attempts
        self._name = name
        self._slots = slots
        self._dbos: DBOS | None = None

    def launch(self) -> None:
        """Go on with the plans that an earlier process of this name had, and take new ones."""
        config = DBOSConfig(
            name=_APPLICATION, system_database_engine=self._store.engine, executor_id=self._name, application_version=_VERSION,
            run_migrations=False, log_level="WARNING",
            # Nothing here waits for its notifications; the listener alone decides how long an orderly end takes.
            notification_listener_polling_interval_sec=0.1,
        )
        self._attempts.open()
        self._dbos = DBOS(config=config)
        _log_as_we_do()
        DBOS.workflow(name=WORKFLOW, max_recovery_attempts=_RECOVERIES)(self._workflow())
        DBOS.workflow(name=_ANSWER, max_recovery_attempts=_RECOVERIES)(self._answering())
        DBOS.workflow(name=_DELIVER, max_recovery_attempts=_RECOVERIES)(self._delivery())
        client = open_client(self._store)
        try:
            # Known before the launch, the queue is looked at from the first moment on.
            client.register_queue(QUEUE, worker_concurrency=self._slots, polling_interval_sec=_POLL_SECONDS)
            client.register_queue(QUESTIONS, worker_concurrency=_QUESTIONS_AT_ONCE, polling_interval_sec=_POLL_SECONDS)
            client.register_queue(DELIVERIES, worker_concurrency=_DELIVERIES_AT_ONCE, polling_interval_sec=_POLL_DELIVERIES_SECONDS)
        finally:
            client.destroy()
        DBOS.launch()

    def close(self) -> None:
        """Take no more and let go of every plan."""
        if self._dbos is not None:
            # The library ends its event loop while it still takes plans from the queue, for which there is then no loop.
            for stop in self._dbos.background_thread_stop_events:
                stop.set()
            for thread in threading.enumerate():
                if thread.name.startswith("queue-worker-") and thread.is_alive():
                    thread.join(_LAST_TAKE_SECONDS)
        self._attempts.close(_LETTING_GO_SECONDS)
        DBOS.destroy(destroy_registry=True)

    def _workflow(self) -> Callable[[str, str | None], Coroutine[Any, Any, None]]:
        """One step that may take its time, and one that stores the end and may be done twice.

        Both log under the trace of the call that asked for the plan; a plan that an older program queued has none.
        """
        attempts = self._attempts

        @DBOS.step(name="attempt")
        async def attempt(plan_id: str, trace: str | None) -> dict[str, Any] | None:
            log_under(trace, plan=plan_id)
            ending = await attempts.solve(plan_id)
            return None if ending is None else {"claim": ending.claim, "fault": ending.fault, "findings": list(ending.findings)}

        @DBOS.step(name="finish")
        async def finish(plan_id: str, ending: dict[str, Any], trace: str | None) -> None:
            log_under(trace, plan=plan_id)
            await attempts.finish(plan_id, Ending(ending["claim"], ending["fault"], tuple(ending["findings"])))

        async def solve(plan_id: str, trace: str | None = None) -> None:
            ending = await attempt(plan_id, trace)
            if ending is not None:
                await finish(plan_id, ending, trace)

        return solve

    def _answering(self) -> Callable[[str, str | None], Coroutine[Any, Any, None]]:
        """One step: the rows of the question and its plans say how far it is, so that whoever takes it again goes on from there.

        Its log, and that of the plans it asks for, is under the trace of the call that asked; a question of an older program has none.
        """
        answer = self._answer

        @DBOS.step(name="question")
        async def question(question_id: str, trace: str | None) -> None:
            log_under(trace, question=question_id)
            await answer(question_id)

        async def answering(question_id: str, trace: str | None = None) -> None:
            await question(question_id, trace)

        return answering

    def _delivery(self) -> Callable[[str, int], Coroutine[Any, Any, None]]:
        """One step: the attempt and what became of it; the next one is queued in the transaction that stores that."""
        deliver = self._deliver

        @DBOS.step(name="send")
        async def send(delivery_id: str, attempt: int) -> None:
            await deliver(delivery_id, attempt)

        async def delivery(delivery_id: str, attempt: int) -> None:
            await send(delivery_id, attempt)

        return delivery


def _log_as_we_do() -> None:
    """Let the library's words go where this program's go; it sets up a console of its own."""
    logger = logging.getLogger("dbos")
    logger.handlers.clear()
    logger.propagate = True


