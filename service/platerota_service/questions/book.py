"""The questions of a tenant: asked, read, stopped, forgotten. What blocks is work for a thread."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from typing import Final, Literal
from uuid import uuid4

from dbos import DBOSClient
from sqlalchemy.orm import Session

from platerota_service.changes import Changes
from platerota_service.executor import enqueue_question, open_client
from platerota_service.kinds import QUESTION_ENDED, UNKNOWN_QUESTION
from platerota_service.problems import ProblemError
from platerota_service.questions.asking import BEGUN, NewQuestion
from platerota_service.questions.begun import begun_caution
from platerota_service.questions.children import KnownChild, queue_children, read_children, written_children
from platerota_service.queueing import check_room
from platerota_service.shops.book import written
from platerota_service.store import QuestionRow, Store, now_ms, plan_rows, question_rows
from platerota_service.store.question_rows import ChildPlan
from platerota_service.webhooks.outbox import Outbox

QuestionStatus = Literal["waiting", "solving", "ready", "failed", "stopped"]
_LONGEST_ID: Final = 64


@dataclass(frozen=True, slots=True)
class QuestionState:
    """A question as it stands: its row, what it keeps of its plans, and how those that are there stand, by id."""

    row: QuestionRow
    children: list[KnownChild]
    plans: dict[str, ChildPlan]

    @property
    def status(self) -> QuestionStatus:
        """`waiting` until one of its plans is begun, `solving` until it is answered, then its end state."""
        if self.row.state == "open":
            return "waiting" if self.plans and all(plan.state == "waiting" for plan in self.plans.values()) else "solving"
        ends: dict[str, QuestionStatus] = {"ready": "ready", "failed": "failed", "stopped": "stopped"}
        return ends[self.row.state]

    @property
    def ended(self) -> bool:
        """Whether it is in an end state."""
        return self.row.state != "open"

    @property
    def tag(self) -> str:
        """Its ETag: another one once it, or one of its plans, has changed."""
        facts = [self.row.revision, *((plan.id, plan.revision) for plan in self.plans.values())]
        return f'"{sha256(json.dumps(facts).encode()).hexdigest()[:32]}"'


class Questions:
    """The questions of `store`. Its client of the queue is opened when there is a first one.

    Parameters
    ----------
    limit
        Plans that may wait, of all tenants together.
    """

    def __init__(self, store: Store, outbox: Outbox, limit: int) -> None:
        self._store = store
        self._outbox = outbox
        self._limit = limit
        self._changes = Changes(store, question_rows.revisions)
        self._client: DBOSClient | None = None

    def ask(self, question: NewQuestion, tenant: str, rush: bool, beside: Callable[[Session, str], None] | None = None) -> str:
        """Store a question with its first plans and queue all of it, in one transaction, with what `beside` stores; its id.

        Raises
        ------
        platerota_service.engine.QueueFull, platerota_service.engine.UnknownPlan
        """
        check_room(self._store, self._limit, len(question.children))
        question_id, now, base_id = uuid4().hex, now_ms(), question.base.plan.id
        children = [KnownChild.of(question_id, number, child) for number, child in enumerate(question.children)]
        asked = {**question.asked, BEGUN: begun_caution(question.base.plan, now // 1_000)}
        row = QuestionRow(
            id=question_id, tenant=tenant, kind=question.kind, state="open", rush=rush, created_ms=now, updated_ms=now, base_id=base_id,
            children=written_children(children), asked=written(asked), base_plan=written(question.base.plan.document()),
            base_request=written(question.base.document),
        )
        with self._store.writing() as session:
            session.add(row)
            session.flush()
            queue_children(self._opened(), session, row, children, [child.submission for child in question.children], base_id)
            enqueue_question(self._opened(), session, question_id)
            if beside is not None:
                beside(session, question_id)
        return question_id

    def read(self, question_id: str, tenant: str) -> QuestionState:
        """A question as it stands.

        Raises
        ------
        ProblemError
            404.
        """
        _check_id(question_id)
        with self._store.reading() as session:
            state = _state(session, question_id, tenant)
        if state is None:
            raise _unknown(question_id)
        return state

    async def followed(self, question_id: str, tenant: str, seconds: float | None) -> QuestionState:
        """A question once it has ended, or as it stands after `seconds` (None: however long it takes).

        Raises
        ------
        ProblemError
            404, also where it is deleted meanwhile.
        platerota_service.engine.EngineClosed
        """
        state = await asyncio.to_thread(self.read, question_id, tenant)
        try:
            async with asyncio.timeout(seconds):
                while not state.ended:
                    await self._changes.after(question_id, state.row.revision)
                    state = await asyncio.to_thread(self.read, question_id, tenant)
        except TimeoutError:
            state = await asyncio.to_thread(self.read, question_id, tenant)
        return state

    def stop(self, question_id: str, tenant: str, check: Callable[[str], None] | None = None) -> None:
        """Let its plans end with their best, and answer from these. Stopping twice is no fault.

        Parameters
        ----------
        check
            Refuses a question by its present ETag, where there is something to stop.

        Raises
        ------
        ProblemError
            404; 409 where it has ended.
        """
        _check_id(question_id)
        ended: list[str] = []
        with self._store.writing() as session:
            _check(session, question_id, tenant, check, ended=False)
            state = question_rows.ask_stop(session, question_id, tenant)
            for plan_id in question_rows.open_children(session, question_id) if state == "open" else ():
                asked = plan_rows.ask_stop(session, plan_id, tenant)
                if asked is not None and asked[1]:
                    ended.append(plan_id)
                    self._outbox.plan_ended(session, plan_id, asked[0])
        if state is None:
            raise _unknown(question_id)
        if state != "open":
            raise ProblemError(QUESTION_ENDED, f"the question '{question_id}' is {state}")
        self._take_out(ended)

    def delete(self, question_id: str, tenant: str, check: Callable[[str], None] | None = None) -> None:
        """Forget a question and its plans, but for one that a shop works by, unless `check` refuses its present ETag; those that are
        being solved end.

        Raises
        ------
        ProblemError
            404.
        """
        _check_id(question_id)
        with self._store.writing() as session:
            _check(session, question_id, tenant, check, ended=True)
            waited = question_rows.delete(session, question_id, tenant)
        if waited is None:
            raise _unknown(question_id)
        self._take_out(waited)

    def end_waits(self) -> None:
        """Answer who waits: the service ends."""
        self._changes.close()

    async def close(self) -> None:
        """Answer who waits, and let go of the queue."""
        self.end_waits()
        if self._client is not None:
            await asyncio.to_thread(self._client.destroy)

    def _take_out(self, plan_ids: list[str]) -> None:
        """Take plans out of the queue. Where that is lost, the worker finds that there is nothing left to do."""
        for plan_id in plan_ids:
            self._opened().cancel_workflow(plan_id)

    def _opened(self) -> DBOSClient:
        self._client = self._client or open_client(self._store)
        return self._client


def _state(session: Session, question_id: str, tenant: str) -> QuestionState | None:
    row = question_rows.read(session, question_id, tenant)
    if row is None:
        return None
    return QuestionState(row, read_children(row.children), question_rows.children(session, question_id))


def _check(session: Session, question_id: str, tenant: str, check: Callable[[str], None] | None, *, ended: bool) -> None:
    """Let `check` refuse the question by its ETag, one that has ended only with `ended`; nobody else changes its row from then on."""
    if check is None:
        return
    question_rows.hold(session, question_id, tenant)
    state = _state(session, question_id, tenant)
    if state is not None and (ended or not state.ended):
        check(state.tag)


def _unknown(question_id: str) -> ProblemError:
    return ProblemError(UNKNOWN_QUESTION, f"there is no question '{question_id}'")


def _check_id(question_id: str) -> None:
    """Refuse what was never an id, before PostgreSQL does so as a fault: it takes no text with a NUL in it."""
    if len(question_id) > _LONGEST_ID or not (question_id.isascii() and question_id.isalnum()):
        raise _unknown(question_id[:_LONGEST_ID].replace("\0", ""))
