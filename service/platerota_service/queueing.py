"""Putting plans into the store and the queue: both at once, or neither."""

from __future__ import annotations

from hashlib import sha256

from dbos import DBOSClient
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from platerota_service.engine import QueueFull, Submission, UnknownPlan
from platerota_service.executor import enqueue
from platerota_service.plan_answers import blank_plan, stored_notes, stored_text
from platerota_service.store import PlanRow, Store, now_ms, plan_rows


def check_room(store: Store, limit: int, plans: int = 1) -> None:
    """Nothing where so many plans more may wait.

    Raises
    ------
    QueueFull
    """
    with store.reading() as session:
        if plan_rows.count_waiting(session) + plans > limit:
            raise QueueFull(limit)


def queue_plan(client: DBOSClient, session: Session, plan_id: str, submission: Submission) -> None:
    """Store a plan that waits and its place in the queue, in the transaction of `session`.

    Raises
    ------
    UnknownPlan
        Where its base was deleted at this moment; the transaction cannot go on.
    """
    now, tenant = now_ms(), submission.tenant
    priority = plan_rows.next_priority(session, tenant, submission.rush, of_question=submission.parent_id is not None)
    session.add(PlanRow(
        id=plan_id, tenant=tenant, state="waiting", rush=submission.rush, priority=priority, created_ms=now, updated_ms=now,
        shop_id=submission.shop_id, shop_version=submission.shop_version, base_id=submission.base_id,
        parent_id=submission.parent_id, request_hash=sha256(submission.text).hexdigest(),
        plan=stored_text(submission.noted(blank_plan(submission.request))), request=submission.text.decode(),
        start=submission.start.text() if submission.start is not None else None, notes=stored_notes(submission.notes),
    ))
    try:
        session.flush()
    except IntegrityError:
        if submission.base_id is None:
            raise
        raise UnknownPlan(submission.base_id) from None
    enqueue(client, session, plan_id, priority)
