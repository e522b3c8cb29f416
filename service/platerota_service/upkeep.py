"""What keeps the queue in order: names held by one process, plans of vanished workers shared, lost ones queued anew, old ones deleted."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Set
from datetime import UTC, datetime, timedelta
from typing import Final

import sqlalchemy as sa
from dbos import DBOSClient, WorkflowStatus
from sqlalchemy.exc import SQLAlchemyError

from platerota_service.attempts import Attempts
from platerota_service.executor import enqueue, enqueue_question, open_client
from platerota_service.settings import ServiceSettings
from platerota_service.store import Store, StoreError, now_ms, plan_rows, question_rows
from platerota_service.worker_names import MISSES, NAMES, lock_of

_NAME_PATIENCE: Final = 15.0
_TIDY_SECONDS: Final = 30.0
_LOST_AFTER_MS: Final = 60_000
_BATCH: Final = 500
_FINISHED_HOURS: Final = 1
_DAY_MS: Final = 86_400_000
_HELD: Final = ("ENQUEUED", "PENDING", "DELAYED")
_log = logging.getLogger(__name__)


class Upkeep:
    """Runs beside a worker, in a thread of its own.

    SQLite has one process, whose name is held by a lock on a file beside the database; nobody else can vanish there.
    """

    def __init__(
        self, settings: ServiceSettings, store: Store, attempts: Attempts, tidy_messages: Callable[[], None] = lambda: None,
        answered_now: Set[str] = frozenset(),
    ) -> None:
        """`answered_now` holds the ids of the questions that this process is answering, whenever it is asked."""
        self._answered_now = answered_now
        self._settings = settings
        self._tidy_messages = tidy_messages
        self._attempts = attempts
        self._store = store
        self._held: sa.Connection | None = None
        self._client: DBOSClient | None = None
        self._misses: dict[str, int] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="upkeep", daemon=True)

    def hold_name(self) -> None:
        """Make sure that no other process has this worker's name; a killed one is waited for, until the database knows of it.

        Raises
        ------
        StoreError
            Where another process has it.
        """
        last = time.monotonic() + _NAME_PATIENCE
        while not self._take_name():
            if self._store.embedded:
                raise StoreError(f"another service uses {self._store.url.database}; stop it, or set PLATEROTA_DATA_DIRECTORY")
            if time.monotonic() > last:
                words = f"another worker is called '{self._settings.worker_id}'"
                raise StoreError(f"{words}; give each one a PLATEROTA_WORKER_ID of its own")
            time.sleep(0.5)

    def start(self) -> None:
        """Begin, once the queue is open."""
        self._thread.start()

    def close(self) -> None:
        """End, and let go of the name."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join()
        self._drop_name()
        if self._client is not None:
            self._client.destroy()

    def _take_name(self) -> bool:
        if self._store.embedded:
            self._held = self._store.hold_file()
            return self._held is not None
        connection = self._store.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        try:
            taken = connection.scalar(sa.text("SELECT pg_try_advisory_lock(:names, :name)"), lock_of(self._settings.worker_id))
        except SQLAlchemyError:
            connection.invalidate()
            raise
        if not taken:
            connection.close()
            return False
        self._held = connection
        return True

    def _drop_name(self) -> None:
        if self._held is not None:
            # Not back into the pool: closing the connection itself is what gives the lock back.
            self._held.invalidate()
            self._held.close()
            self._held = None

    def _run(self) -> None:
        next_tidying = 0.0
        while not self._stop.wait(self._settings.watch_seconds):
            try:
                self._client = self._client or open_client(self._store)
                if not self._store.embedded:
                    self._look_for_vanished(self._client)
                if time.monotonic() >= next_tidying:
                    next_tidying = time.monotonic() + _TIDY_SECONDS
                    self._tidy(self._client)
            except SQLAlchemyError as error:
                # After a restart of the database nobody has its name yet: that must not look like death.
                _log.warning("the database cannot be reached: %s", error)
                self._misses.clear()
                self._drop_name()

    def _look_for_vanished(self, client: DBOSClient) -> None:
        """Give the plans of workers that did not hold their name in three looks, one after the other, back to the queue."""
        if self._held is None and not self._take_name():
            _log.error("another worker is called '%s'", self._settings.worker_id)
            return
        assert self._held is not None
        begun = client.list_workflows(status="PENDING", load_input=False, load_output=False)
        owned: dict[str, list[WorkflowStatus]] = {}
        for one in begun:
            if one.executor_id is not None and one.executor_id != self._settings.worker_id:
                owned.setdefault(one.executor_id, []).append(one)
        self._misses = {name: self._misses.get(name, 0) + 1 for name in owned if self._is_free(self._held, name)}
        for name, misses in self._misses.items():
            if misses >= MISSES:
                _log.warning("worker %s has vanished; what it had, %d, is queued again", name, len(owned[name]))
                for queue in {one.queue_name for one in owned[name]}:
                    client.resume_workflows([one.workflow_id for one in owned[name] if one.queue_name == queue], queue_name=queue)

    def _is_free(self, connection: sa.Connection, name: str) -> bool:
        """Whether nobody holds a name."""
        free = bool(connection.scalar(sa.text("SELECT pg_try_advisory_lock(:names, :name)"), lock_of(name)))
        if free:
            connection.execute(sa.text("SELECT pg_advisory_unlock(:names, :name)"), lock_of(name))
        return free

    def _tidy(self, client: DBOSClient) -> None:
        """One worker at a time: two would take a plan that one has just queued anew for lost."""
        tidying = {"names": NAMES, "name": 0}
        if self._store.embedded:
            self._tidy_all(client)
        elif self._held is not None and self._held.scalar(sa.text("SELECT pg_try_advisory_lock(:names, :name)"), tidying):
            try:
                self._tidy_all(client)
            finally:
                self._held.execute(sa.text("SELECT pg_advisory_unlock(:names, :name)"), tidying)

    def _tidy_all(self, client: DBOSClient) -> None:
        self._queue_lost(client)
        self._queue_lost_questions(client)
        self._delete_old(client)
        self._tidy_messages()

    def _delete_old(self, client: DBOSClient) -> None:
        with self._store.writing() as session:
            before = now_ms() - int(self._settings.keep_days * _DAY_MS)
            plan_rows.delete_ended(session, before, _BATCH)
            question_rows.delete_ended(session, before, _BATCH)
        # The queue never forgets by itself what it finished.
        hour_ago = (datetime.now(UTC) - timedelta(hours=_FINISHED_HOURS)).isoformat()
        finished = client.list_workflows(completed_before=hour_ago, limit=_BATCH, load_input=False, load_output=False)
        client.delete_workflows([one.workflow_id for one in finished])

    def _queue_lost(self, client: DBOSClient) -> None:
        """Queue anew the plans that are open though the queue does not have them, whatever became of their place in it."""
        with self._store.reading() as session:
            quiet = plan_rows.quiet(session, now_ms() - _LOST_AFTER_MS)
        for start in range(0, len(quiet), _BATCH):
            batch = quiet[start:start + _BATCH]
            known = client.list_workflows(workflow_ids=[one.plan_id for one in batch], load_input=False, load_output=False)
            held = {one.workflow_id for one in known if self._is_held(one, self._attempts.under_way)}
            for plan in batch:
                if plan.plan_id not in held:
                    _log.error("plan %s was lost from the queue; it is queued again", plan.plan_id)
                    client.delete_workflows([plan.plan_id])
                    with self._store.writing() as session:
                        if plan_rows.touch(session, plan):
                            enqueue(client, session, plan.plan_id, plan.priority)

    def _queue_lost_questions(self, client: DBOSClient) -> None:
        """Queue anew the questions that are open though the queue does not have them; one that is answered twice ends once."""
        with self._store.reading() as session:
            asked = question_rows.open_since(session, now_ms() - _LOST_AFTER_MS)
        for start in range(0, len(asked), _BATCH):
            batch = asked[start:start + _BATCH]
            known = client.list_workflows(workflow_ids=batch, load_input=False, load_output=False)
            held = {one.workflow_id for one in known if self._is_held(one, self._answered_now)}
            for question_id in batch:
                if question_id not in held:
                    _log.error("question %s was lost from the queue; it is queued again", question_id)
                    client.delete_workflows([question_id])
                    with self._store.writing() as session:
                        enqueue_question(client, session, question_id)

    def _is_held(self, one: WorkflowStatus, under_way: Set[str]) -> bool:
        """Whether the queue has something: it waits there, or somebody works at it, which for this process is known for sure."""
        if one.status == "PENDING" and one.executor_id == self._settings.worker_id:
            return one.workflow_id in under_way
        return one.status in _HELD
