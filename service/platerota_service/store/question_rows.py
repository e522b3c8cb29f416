"""What the service does with question rows, each in the session it is given.

Callers name questions by tenant and id. Whoever answers one names it by id and *round*: the number of times that its plans were
asked for. Two that answer one question at once come to the same end, and only the first of them is stored.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session, defer

from platerota_service.store.database import now_ms
from platerota_service.store.plan_rows import OPEN
from platerota_service.store.schema import PlanRow, QuestionRow, ShopRow


@dataclass(frozen=True, slots=True)
class ChildPlan:
    """How a plan of a question stands."""

    id: str
    state: str
    revision: int
    score: float | None
    quality: str | None

    @property
    def ended(self) -> bool:
        """Whether it is in an end state."""
        return self.state not in OPEN


def read(session: Session, question_id: str, tenant: str) -> QuestionRow | None:
    """The question without its base, which may be large."""
    wanted = sa.select(QuestionRow).where(QuestionRow.id == question_id, QuestionRow.tenant == tenant)
    return session.scalar(wanted.options(*_without_base()))


def hold(session: Session, question_id: str, tenant: str) -> None:
    """Let nobody else change the question's row until the transaction of `session` ends, as :func:`plan_rows.hold` does for a plan."""
    held = sa.update(QuestionRow).where(QuestionRow.id == question_id, QuestionRow.tenant == tenant)
    session.execute(held.values(revision=QuestionRow.revision).execution_options(synchronize_session=False))


def read_open(session: Session, question_id: str) -> QuestionRow | None:
    """The question without its base, for whoever answers it; None where it is deleted or has ended."""
    wanted = sa.select(QuestionRow).where(QuestionRow.id == question_id, QuestionRow.state == "open")
    return session.scalar(wanted.options(*_without_base()))


def read_base(session: Session, question_id: str) -> tuple[str, str] | None:
    """The base of a question and the base's request, JSON texts."""
    wanted = sa.select(QuestionRow.base_plan, QuestionRow.base_request).where(QuestionRow.id == question_id)
    found = session.execute(wanted).one_or_none()
    return None if found is None else (found[0], found[1])


def children(session: Session, question_id: str) -> dict[str, ChildPlan]:
    """The plans of a question that are there, by id."""
    shown = (PlanRow.id, PlanRow.state, PlanRow.revision, PlanRow.score, PlanRow.quality)
    found = session.execute(sa.select(*shown).where(PlanRow.parent_id == question_id).order_by(PlanRow.id))
    return {row.id: ChildPlan(row.id, row.state, row.revision, row.score, row.quality) for row in found}


def begun(session: Session, question_ids: Sequence[str]) -> set[str]:
    """Those of `question_ids` of which a plan does not wait any more."""
    wanted = sa.select(PlanRow.parent_id).where(PlanRow.parent_id.in_(question_ids), PlanRow.state != "waiting").distinct()
    return {question_id for question_id in session.scalars(wanted) if question_id is not None}


def revisions(session: Session, question_ids: Sequence[str]) -> dict[str, int]:
    """The revisions of those of `question_ids` that exist."""
    found = session.execute(sa.select(QuestionRow.id, QuestionRow.revision).where(QuestionRow.id.in_(question_ids)))
    return {question_id: revision for question_id, revision in found}


def ask_stop(session: Session, question_id: str, tenant: str) -> str | None:
    """Ask for the end of a question; its state then, None where there is no such question.

    Until the transaction ends, nobody asks for further plans of it.
    """
    mine = (QuestionRow.id == question_id, QuestionRow.tenant == tenant)
    asked = _change(*mine, QuestionRow.state == "open").values(stop_asked=True).returning(QuestionRow.state)
    state = session.scalar(asked)
    return state if state is not None else session.scalar(sa.select(QuestionRow.state).where(*mine))


def open_children(session: Session, question_id: str) -> list[str]:
    """The ids of the plans of a question that have not ended."""
    return list(session.scalars(sa.select(PlanRow.id).where(PlanRow.parent_id == question_id, PlanRow.state.in_(OPEN))))


def delete(session: Session, question_id: str, tenant: str) -> list[str] | None:
    """Delete a question and its plans, but for those that a shop works by.

    Returns
    -------
    list or None
        The ids of the deleted plans that waited; None where there is no such question.
    """
    # It changes first, so that nobody asks for further plans of it meanwhile.
    mine = (QuestionRow.id == question_id, QuestionRow.tenant == tenant)
    if session.scalar(_change(*mine).values(stop_asked=True).returning(QuestionRow.id)) is None:
        return None
    gone = session.execute(
        sa.delete(PlanRow).where(PlanRow.parent_id == question_id, ~_released()).returning(PlanRow.id, PlanRow.state)
        .execution_options(synchronize_session=False)
    ).all()
    session.execute(sa.delete(QuestionRow).where(*mine).execution_options(synchronize_session=False))
    return [plan_id for plan_id, state in gone if state == "waiting"]


def tell(session: Session, question_id: str, number: int, answer: str) -> None:
    """Store the answer so far."""
    session.execute(_change(*_in_round(question_id, number)).values(answer=answer))


def begin_round(session: Session, question_id: str, number: int, all_children: str) -> bool:
    """Ask for the plans of a further round than `number`; whether that may be done: nobody has, and nobody asked to stop."""
    wanted = _change(*_in_round(question_id, number), QuestionRow.stop_asked.is_(False))
    return session.scalar(wanted.values(round=number + 1, children=all_children).returning(QuestionRow.id)) is not None


def finish(session: Session, question_id: str, number: int, state: str, answer: str | None, problem: str | None) -> bool:
    """Give a question its end state and its answer; whether it had none yet."""
    ended = _change(*_in_round(question_id, number)).values(state=state, answer=answer, problem=problem, ended_ms=now_ms())
    return session.scalar(ended.returning(QuestionRow.id)) is not None


def open_since(session: Session, before_ms: int) -> list[str]:
    """The ids of the questions that were asked before `before_ms` and are not answered."""
    wanted = sa.select(QuestionRow.id).where(QuestionRow.state == "open", QuestionRow.created_ms < before_ms)
    return list(session.scalars(wanted.order_by(QuestionRow.created_ms)))


def delete_ended(session: Session, before_ms: int, limit: int) -> None:
    """Delete the questions that ended before `before_ms`, at most `limit` of them; their plans are deleted as every plan is."""
    gone = sa.select(QuestionRow.id).where(QuestionRow.ended_ms < before_ms).order_by(QuestionRow.ended_ms).limit(limit)
    session.execute(sa.delete(QuestionRow).where(QuestionRow.id.in_(gone)).execution_options(synchronize_session=False))


def _without_base() -> tuple[sa.sql.base.ExecutableOption, ...]:
    return defer(QuestionRow.base_plan, raiseload=True), defer(QuestionRow.base_request, raiseload=True)


def _released() -> sa.Exists:
    return sa.select(ShopRow.released_plan_id).where(ShopRow.released_plan_id == PlanRow.id).exists()


def _in_round(question_id: str, number: int) -> tuple[sa.ColumnElement[bool], ...]:
    return QuestionRow.id == question_id, QuestionRow.round == number, QuestionRow.state == "open"


def _change(*which: sa.ColumnElement[bool]) -> sa.Update:
    """An update that counts as a change."""
    return (
        sa.update(QuestionRow).where(*which).values(revision=QuestionRow.revision + 1, updated_ms=now_ms())
        .execution_options(synchronize_session=False)
    )
