"""Answering stored questions: wait for their plans, judge each as it ends, ask for others where they are needed, store the answer.

How far a question is stands in its row and in those of its plans, whose ids follow from its own. So a process that takes a question
from one that was killed goes on where that was, and no plan is asked for twice.
"""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, cast

import sqlalchemy as sa
import structlog
from dbos import DBOSClient
from sqlalchemy.orm import Session

from platerota_service.executor import open_client
from platerota_service.patience import patiently
from platerota_service.questions.asking import Asked, Child, ChildEnd, Facts, Judged, NewChild, Question
from platerota_service.questions.children import KnownChild, queue_children, read_children, written_children
from platerota_service.store import PlanRow, QuestionRow, Store, plan_rows, question_rows
from platerota_shared.plan import Plan

OnEnd = Callable[[Session, str, str], None]
"""Is told, in the session of its transaction, that a question is in an end state now."""

_LOOK_SECONDS: Final = 0.2
_log = logging.getLogger(__name__)


class _QuestionLost(Exception):
    """The question is deleted, or has ended."""


@dataclass(slots=True)
class _Course:
    """A question on its way to its answer: what was judged so far by plan id, and what was asked once that is needed."""

    judged: dict[str, Judged] = field(default_factory=dict[str, Judged])
    asked: Asked | None = None


class Answering:
    """Answers the questions of `store`; `kinds` knows each kind by its name.

    The end of each is told to `on_end`, in the transaction that stores it.
    """

    def __init__(self, store: Store, kinds: Mapping[str, Question], on_end: OnEnd) -> None:
        self._store = store
        self._kinds = kinds
        self._on_end = on_end
        self._client: DBOSClient | None = None
        self.under_way: set[str] = set()
        """The ids of the questions that this process is answering now."""

    async def answer(self, question_id: str) -> None:
        """Answer a question, however long its plans take. Cancelled, it lets go; whoever takes it next goes on."""
        self.under_way.add(question_id)
        structlog.contextvars.bind_contextvars(question=question_id)
        course = _Course()
        try:
            while not await self._look(question_id, course):
                await asyncio.sleep(_LOOK_SECONDS)
        except _QuestionLost:
            _log.info("question %s is deleted, or ended by somebody else", question_id)
        finally:
            self.under_way.discard(question_id)

    def close(self) -> None:
        """Let go of the queue."""
        if self._client is not None:
            self._client.destroy()

    async def _look(self, question_id: str, course: _Course) -> bool:
        """See which plans have ended, and do what follows from that; whether the question has its end."""
        row, plans = await patiently(self._store, lambda session: _read(session, question_id))
        known = read_children(row.children)
        fresh = [child for child in known if child.plan not in course.judged and (child.plan not in plans or plans[child.plan].ended)]
        if not fresh and len(course.judged) < len(known):
            return False
        try:
            return await self._go_on(row, course, known, fresh)
        except _QuestionLost:
            raise
        except Exception:
            _log.exception("question %s: its answer cannot be worked out", question_id)
            await self._finish(row, "failed", None, "the answer could not be worked out; the fault is the program's, not the question's")
            return True

    async def _go_on(self, row: QuestionRow, course: _Course, known: Sequence[KnownChild], fresh: Sequence[KnownChild]) -> bool:
        kind = self._kinds[row.kind]
        asked = course.asked = course.asked or await self._asked(row)
        for child in fresh:
            course.judged[child.plan] = await self._judge(kind, asked, child)
        judged = [course.judged[child.plan] for child in known if child.plan in course.judged]
        answer = await asyncio.to_thread(kind.answer, asked, judged) if any(one.end == "ready" for one in judged) else None
        if answer is not None:
            await patiently(self._store, lambda session: question_rows.tell(session, row.id, row.round, _json(answer)))
        if len(judged) < len(known):
            return False
        if not row.stop_asked:
            further = await asyncio.to_thread(kind.then, asked, judged, lambda name: self._load(name, known))
            if further:
                return await self._ask_further(row, known, further)
        await self._finish(row, *_end(row, judged, answer))
        return True

    async def _asked(self, row: QuestionRow) -> Asked:
        base = await patiently(self._store, lambda session: question_rows.read_base(session, row.id))
        if base is None:
            raise _QuestionLost
        return await asyncio.to_thread(
            lambda: Asked(json.loads(row.asked), Plan.from_document(json.loads(base[0])), json.loads(base[1]))
        )

    async def _judge(self, kind: Question, asked: Asked, child: KnownChild) -> Judged:
        found = await patiently(self._store, lambda session: _read_end(session, child))
        if found.end != "ready":
            return found
        try:
            return replace(found, verdict=await kind.judge(asked, await asyncio.to_thread(self._load, child.plan, [child])))
        except KeyError:
            return replace(found, end="deleted")

    def _load(self, plan_id: str, known: Sequence[KnownChild]) -> Child:
        """A ready plan; KeyError where it is not there."""
        child = {one.plan: one for one in known}[plan_id]
        with self._store.reading() as session:
            row = session.get(PlanRow, plan_id)
        if row is None or row.state != "ready":
            raise KeyError(plan_id)
        plan = Plan.from_document({"id": row.id, "status": row.state, **json.loads(row.plan)})
        return Child(plan_id, child.name, child.facts, plan, json.loads(row.request), row.shop_id, row.shop_version)

    async def _ask_further(self, row: QuestionRow, known: Sequence[KnownChild], further: Sequence[NewChild]) -> bool:
        """Ask for another round of plans, unless somebody did, or asked to stop; the question has not ended by that."""
        added = [KnownChild.of(row.id, len(known) + number, child) for number, child in enumerate(further)]

        def ask(session: Session) -> None:
            if question_rows.begin_round(session, row.id, row.round, written_children([*known, *added])):
                base_id = session.scalar(sa.select(PlanRow.id).where(PlanRow.id == row.base_id))
                queue_children(self._opened(), session, row, added, [child.submission for child in further], base_id)

        await patiently(self._store, ask)
        _log.info("question %s: round %d, %d plans more", row.id, row.round + 1, len(added))
        return False

    async def _finish(self, row: QuestionRow, state: str, answer: Facts | None, problem: str | None) -> None:
        text = _json(answer) if answer is not None else None

        def finish(session: Session) -> None:
            if question_rows.finish(session, row.id, row.round, state, text, problem):
                self._on_end(session, row.id, state)

        await patiently(self._store, finish)
        _log.info("question %s is %s", row.id, state)

    def _opened(self) -> DBOSClient:
        self._client = self._client or open_client(self._store)
        return self._client


def _read(session: Session, question_id: str) -> tuple[QuestionRow, dict[str, question_rows.ChildPlan]]:
    row = question_rows.read_open(session, question_id)
    if row is None:
        raise _QuestionLost
    return row, question_rows.children(session, question_id)


def _read_end(session: Session, child: KnownChild) -> Judged:
    """How a plan ended that has."""
    row = session.execute(sa.select(PlanRow.state, PlanRow.problem).where(PlanRow.id == child.plan)).one_or_none()
    if row is None:
        return Judged(child.plan, child.name, child.facts, "deleted", "it was deleted")
    assert row.state not in plan_rows.OPEN
    return Judged(child.plan, child.name, child.facts, cast(ChildEnd, row.state), row.problem)


def _end(row: QuestionRow, judged: Sequence[Judged], answer: Facts | None) -> tuple[str, Facts | None, str | None]:
    """End state, answer and problem of a question whose plans have all ended."""
    if answer is not None:
        return "ready", answer, None
    if row.stop_asked:
        return "stopped", None, None
    why = next((one.problem for one in judged if one.end == "failed"), None) or f"they were {judged[0].end}"
    return "failed", None, f"none of its {len(judged)} plans could be made: {why}"


def _json(value: Facts) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
