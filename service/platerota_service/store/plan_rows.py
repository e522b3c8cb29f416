"""What the engine does with plan rows, each in the session it is given.

Callers name plans by tenant and id. Whoever solves one names it by id and *claim*: the number it was given when it took the
plan. A process that was taken for dead and comes back finds that its claim is not the last one, and can change nothing.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.orm import Session, defer

from platerota_service.store.database import now_ms
from platerota_service.store.schema import PlanRow, ShopRow

OPEN: Final = ("waiting", "solving")
"""The states that a plan leaves again."""
_RUSH_FIRST: Final = 1_000
_OTHERS_FIRST: Final = 1_000_000
_QUESTIONS_FIRST: Final = 1_000_000_000
_LAST: Final = 2_000_000_000
_TURNS: Final = 7_320
"""The class of the PostgreSQL advisory locks under which a tenant's places in the queue are counted."""


@dataclass(frozen=True, slots=True)
class Claim:
    """A plan taken to be solved: the claim's number, how often it was begun with this one, what to solve, from what start (JSON), and
    the warnings (a JSON list) that belong to every plan of it.
    """

    number: int
    attempts: int
    stop_asked: bool
    request: bytes
    start: str | None
    notes: str | None


@dataclass(frozen=True, slots=True)
class QuietPlan:
    """An open plan that has not changed for a while."""

    plan_id: str
    priority: int
    revision: int


@dataclass(frozen=True, slots=True)
class BestPlan:
    """A plan that passed the audit, as it is stored: its JSON without `id` and `status`, and what lists show of it; `by_points` where the
    points say which of two is better, which they do not where the solve has another aim.
    """

    text: str
    score: float
    bound: float
    quality: str
    by_points: bool = True


def count_waiting(session: Session) -> int:
    """How many plans wait."""
    return session.scalar(sa.select(sa.func.count()).where(PlanRow.state == "waiting")) or 0


def next_priority(session: Session, tenant: str, rush: bool, *, of_question: bool = False) -> int:
    """The place in the queue of a tenant's next plan; the lowest is solved first.

    The plans of a question (`of_question`) come behind every other one, unless they are in a rush.

    Start-time fair queueing (Goyal, Vin and Cheng 1996) with plans of equal length: a tenant's next plan comes one place
    behind its last open one, but not before the first plan that waits. So every plan in a rush goes before every other, a
    tenant's plans keep their order, and a tenant with many plans delays one with few by one plan at a time. One transaction
    at a time counts for a tenant: two at once would come to the same place, and give the tenant two turns for one.
    """
    first, last = _places(rush, of_question)
    _take_turn(session, tenant, first)
    same = PlanRow.priority.between(first, last)
    begun = session.scalar(sa.select(sa.func.min(PlanRow.priority)).where(PlanRow.state == "waiting", same))
    own = session.scalar(sa.select(sa.func.max(PlanRow.priority)).where(PlanRow.state.in_(OPEN), PlanRow.tenant == tenant, same))
    return min(max(first, begun or 0, (own or 0) + 1), last)


def _places(rush: bool, of_question: bool) -> tuple[int, int]:
    """The first and the last place of a class of plans."""
    if rush:
        return _RUSH_FIRST, _OTHERS_FIRST - 1
    return (_QUESTIONS_FIRST, _LAST) if of_question else (_OTHERS_FIRST, _QUESTIONS_FIRST - 1)


def _take_turn(session: Session, tenant: str, first: int) -> None:
    """Wait until no other transaction counts the plans of `tenant` in the class that begins at `first`; holds until this one ends."""
    connection = session.connection()
    if connection.dialect.name == "sqlite":
        driver = connection.connection.dbapi_connection
        if driver is not None and not driver.in_transaction:
            connection.exec_driver_sql("BEGIN IMMEDIATE")
    else:
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_TURNS, sa.func.hashtext(f"{first} {tenant}"))))


def read(session: Session, plan_id: str, tenant: str) -> PlanRow | None:
    """The plan without its request and its start, which may be large."""
    wanted = sa.select(PlanRow).where(PlanRow.id == plan_id, PlanRow.tenant == tenant)
    large = (PlanRow.request, PlanRow.start, PlanRow.notes)
    return session.scalar(wanted.options(*(defer(column, raiseload=True) for column in large)))


def hold(session: Session, plan_id: str, tenant: str) -> None:
    """Let nobody else change the plan until the transaction of `session` ends; SQLite lets nobody else change anything then."""
    # An update that changes nothing: SQLite has no other way to lock, and begins to write at the first one.
    held = sa.update(PlanRow).where(PlanRow.id == plan_id, PlanRow.tenant == tenant).values(revision=PlanRow.revision)
    session.execute(held.execution_options(synchronize_session=False))


def read_request_text(session: Session, plan_id: str, tenant: str) -> str | None:
    """The request that the plan answers, as JSON."""
    return session.scalar(sa.select(PlanRow.request).where(PlanRow.id == plan_id, PlanRow.tenant == tenant))


def revisions(session: Session, plan_ids: Sequence[str]) -> dict[str, int]:
    """The revisions of those of `plan_ids` that exist."""
    found = session.execute(sa.select(PlanRow.id, PlanRow.revision).where(PlanRow.id.in_(plan_ids)))
    return {plan_id: revision for plan_id, revision in found}


def read_whole(session: Session, plan_id: str) -> PlanRow | None:
    """The plan with all that its solve was told, whose ever it is: for whoever runs commands at the database."""
    return session.get(PlanRow, plan_id)


def ask_stop(session: Session, plan_id: str, tenant: str) -> tuple[str, bool] | None:
    """End a plan that waits, or ask whoever solves it to end.

    Returns
    -------
    tuple or None
        Its state after that, and whether that is an end which this call brought about; None where there is no such plan.
    """
    mine = (PlanRow.id == plan_id, PlanRow.tenant == tenant)
    ended = session.scalar(
        _change(*mine, PlanRow.state == "waiting").values(
            state=_end_state(stopped=sa.true()), stop_asked=True, ended_ms=now_ms(), problem=None,
        ).returning(PlanRow.state)
    )
    if ended is not None:
        return ended, True
    session.execute(_change(*mine, PlanRow.state == "solving", PlanRow.stop_asked.is_(False)).values(stop_asked=True))
    state = session.scalar(sa.select(PlanRow.state).where(*mine))
    return (state, False) if state is not None else None


def delete(session: Session, plan_id: str, tenant: str) -> str | None:
    """Delete a plan; the state it was in, None where there is no such plan."""
    return session.scalar(sa.delete(PlanRow).where(PlanRow.id == plan_id, PlanRow.tenant == tenant).returning(PlanRow.state))


def is_open(session: Session, plan_id: str) -> bool:
    """Whether the plan exists and has not ended."""
    return session.scalar(sa.select(PlanRow.id).where(PlanRow.id == plan_id, PlanRow.state.in_(OPEN))) is not None


def claim(session: Session, plan_id: str, worker: str) -> Claim | None:
    """Take a plan to solve it, whoever had it before; None where it is deleted or has ended."""
    taken = session.execute(
        _change(PlanRow.id == plan_id, PlanRow.state.in_(OPEN)).values(
            state="solving", claim=PlanRow.claim + 1, attempts=PlanRow.attempts + 1, worker=worker, started_ms=now_ms(),
        ).returning(PlanRow.claim, PlanRow.attempts, PlanRow.stop_asked, PlanRow.request, PlanRow.start, PlanRow.notes)
    ).one_or_none()
    return None if taken is None else Claim(taken[0], taken[1], taken[2], taken[3].encode(), taken[4], taken[5])


def release(session: Session, plan_id: str, number: int) -> None:
    """Let go of a claimed plan in good order: it waits again, and the attempt does not count."""
    session.execute(
        _change(*_claimed(plan_id, number)).values(state="waiting", attempts=PlanRow.attempts - 1, worker=None, started_ms=None)
    )


def look(session: Session, plan_id: str, number: int) -> bool | None:
    """Whether a claimed plan should stop; None where it is deleted, or claimed by somebody else meanwhile."""
    return session.scalar(sa.select(PlanRow.stop_asked).where(*_claimed(plan_id, number)))


def put_progress(session: Session, plan_id: str, number: int, progress: str | None, best: BestPlan | None) -> bool | None:
    """Store what a claimed solve reached; answers as :func:`look`.

    A plan with fewer points that an earlier claim found is kept, where points decide.
    """
    if best is not None:
        better = PlanRow.score >= best.score if best.by_points else sa.true()
        kept = sa.or_(PlanRow.score.is_(None), PlanRow.plan_claim == number, better)
        session.execute(
            sa.update(PlanRow).where(*_claimed(plan_id, number), kept).values(
                plan=best.text, score=best.score, bound=best.bound, quality=best.quality, plan_claim=number, audit="passed",
            )
        )
    values = {"progress": progress} if progress is not None else {}
    return session.scalar(_change(*_claimed(plan_id, number)).values(values).returning(PlanRow.stop_asked))


def finish(session: Session, plan_id: str, number: int, fault: str | None, findings: Sequence[str]) -> str | None:
    """Give a claimed plan its end state: ready where it has a plan, else stopped where that was asked, else failed.

    Returns
    -------
    str or None
        The end state; None where there is nothing to end any more. Doing it twice changes nothing.
    """
    values: dict[str, Any] = {"state": _end_state(stopped=PlanRow.stop_asked.is_(True)), "ended_ms": now_ms()}
    if findings:
        values |= {"audit": "refused", "findings": json.dumps(list(findings), ensure_ascii=False)}
    state = session.scalar(_change(*_claimed(plan_id, number)).values(values).returning(PlanRow.state))
    if state == "failed":
        words = fault or "the solver ended without a plan"
        session.execute(sa.update(PlanRow).where(PlanRow.id == plan_id).values(problem=words))
    elif state == "ready" and fault is not None:
        _warn(session, plan_id, f"{fault}; this is the last valid plan it found")
    return state


def quiet(session: Session, before_ms: int) -> list[QuietPlan]:
    """The open plans that have not changed since `before_ms`."""
    wanted = sa.select(PlanRow.id, PlanRow.priority, PlanRow.revision).where(PlanRow.updated_ms < before_ms)
    # One state at a time: for two at once SQLite would rather read the whole table.
    return [QuietPlan(*row) for state in OPEN for row in session.execute(wanted.where(PlanRow.state == state))]


def touch(session: Session, plan: QuietPlan) -> bool:
    """Count a change of an open plan; False where somebody changed it meanwhile."""
    mine = (PlanRow.id == plan.plan_id, PlanRow.revision == plan.revision, PlanRow.state.in_(OPEN))
    return session.scalar(_change(*mine).returning(PlanRow.id)) is not None


def count_change(session: Session, tenant: str, plan_ids: Collection[str]) -> None:
    """Count a change of plans that became, or are no longer, the ones their shops work by."""
    session.execute(_change(PlanRow.tenant == tenant, PlanRow.id.in_(plan_ids)))


def delete_ended(session: Session, before_ms: int, limit: int) -> None:
    """Delete the plans that ended before `before_ms`, at most `limit` of them, but for those that a shop works by."""
    released = sa.select(ShopRow.released_plan_id).where(ShopRow.released_plan_id == PlanRow.id)
    gone = sa.select(PlanRow.id).where(PlanRow.ended_ms < before_ms, ~released.exists()).order_by(PlanRow.ended_ms).limit(limit)
    session.execute(sa.delete(PlanRow).where(PlanRow.id.in_(gone)).execution_options(synchronize_session=False))


def _warn(session: Session, plan_id: str, detail: str) -> None:
    """Add to a plan the warning that its solve ended early, unless it has one."""
    plan = json.loads(session.scalar(sa.select(PlanRow.plan).where(PlanRow.id == plan_id)) or "{}")
    if all(warning["code"] != "solve-ended-early" for warning in plan["warnings"]):
        plan["warnings"].append({"code": "solve-ended-early", "detail": detail, "pointer": ""})
        text = json.dumps(plan, ensure_ascii=False, separators=(",", ":"))
        session.execute(sa.update(PlanRow).where(PlanRow.id == plan_id).values(plan=text))


def _claimed(plan_id: str, number: int) -> tuple[sa.ColumnElement[bool], ...]:
    return PlanRow.id == plan_id, PlanRow.claim == number, PlanRow.state == "solving"


def _change(*which: sa.ColumnElement[bool]) -> sa.Update:
    """An update that counts as a change."""
    return (
        sa.update(PlanRow).where(*which).values(revision=PlanRow.revision + 1, updated_ms=now_ms())
        .execution_options(synchronize_session=False)
    )


def _end_state(stopped: sa.ColumnElement[bool]) -> sa.Case[str]:
    return sa.case((PlanRow.score.is_not(None), "ready"), (stopped, "stopped"), else_="failed")
