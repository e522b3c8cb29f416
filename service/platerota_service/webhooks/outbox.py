"""Messages about plans and questions: stored in the transaction of the change that they tell of, and with it put into the durable queue.

So a message is neither lost where the process dies after the change, nor sent where the change is taken back.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, Final
from uuid import uuid4

import sqlalchemy as sa
from dbos import DBOSClient
from sqlalchemy.orm import Session

from platerota_service.executor import enqueue_delivery, open_client
from platerota_service.store import PlanRow, QuestionRow, Store, WebhookDeliveryRow, WebhookEndpointRow, now_ms
from platerota_service.webhooks.messages import (
    PlanEventName,
    PlanMessage,
    QuestionEventName,
    QuestionMessage,
    ToldPlan,
    ToldQuestion,
    ToldShop,
    timestamp,
)

_LOST_AFTER_MS: Final = 120_000
_KEPT_MS: Final = 30 * 86_400_000
_BATCH: Final = 500


class Outbox:
    """Stores and queues the messages of one process. Its client of the queue is opened when there is a first message."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._client: DBOSClient | None = None

    def plan_ended(self, session: Session, plan_id: str, state: str) -> None:
        """Tell whoever wants to know, in the transaction of `session`, that a plan is `ready`, `failed` or `stopped`."""
        events: dict[str, PlanEventName] = {"ready": "plan.ready", "failed": "plan.failed", "stopped": "plan.stopped"}
        self.announce(session, events[state], plan_id)

    def announce(self, session: Session, event: PlanEventName, plan_id: str) -> None:
        """Tell every address of the plan's tenant that wants to know of `event`, in the transaction of `session`."""
        plan = session.execute(sa.select(*_TOLD_PLAN).where(PlanRow.id == plan_id)).one_or_none()
        if plan is not None:
            now = now_ms()
            message = PlanMessage(type=event, timestamp=timestamp(now), data=_told_plan(plan))
            self._send(session, plan.tenant, message, now, plan_id=plan_id)

    def question_ended(self, session: Session, question_id: str, state: str) -> None:
        """Tell whoever wants to know, in the transaction of `session`, that a question is `ready`, `failed` or `stopped`."""
        events: dict[str, QuestionEventName] = {"ready": "question.ready", "failed": "question.failed", "stopped": "question.stopped"}
        question = session.execute(sa.select(*_TOLD_QUESTION).where(QuestionRow.id == question_id)).one_or_none()
        if question is not None:
            now, href = now_ms(), f"/v1/questions/{question_id}"
            data = ToldQuestion(
                id=question_id, href=href, status=state, kind=question.kind, base=question.base_id, problem=question.problem,
            )
            message = QuestionMessage(type=events[state], timestamp=timestamp(now), data=data)
            self._send(session, question.tenant, message, now, question_id=question_id)

    def queue(self, session: Session, delivery_id: str, attempt: int, delay_seconds: float = 0.0) -> None:
        """Queue an attempt to send a message, in the transaction of `session`."""
        if self._client is None:
            self._client = open_client(self._store)
        enqueue_delivery(self._client, session, delivery_id, attempt, delay_seconds)

    def tidy(self) -> None:
        """Queue anew what the queue seems to have lost, and forget what ended a month ago.

        An attempt that is queued twice is made once: it finds that it was made.
        """
        now = now_ms()
        with self._store.writing() as session:
            overdue = sa.select(WebhookDeliveryRow).where(
                WebhookDeliveryRow.state == "waiting", WebhookDeliveryRow.next_ms < now - _LOST_AFTER_MS,
            )
            for row in session.scalars(overdue.limit(_BATCH)).all():
                row.next_ms = now
                self.queue(session, row.id, row.attempts + 1)
            old = sa.select(WebhookDeliveryRow.id).where(
                WebhookDeliveryRow.state != "waiting", WebhookDeliveryRow.created_ms < now - _KEPT_MS,
            )
            session.execute(sa.delete(WebhookDeliveryRow).where(WebhookDeliveryRow.id.in_(old.limit(_BATCH))))

    def close(self) -> None:
        """Let go of the queue."""
        if self._client is not None:
            self._client.destroy()

    def _send(self, session: Session, tenant: str, message: PlanMessage | QuestionMessage, now: int, **about: str) -> None:
        """Store and queue a message to every address of the tenant that wants to know of it; `about` is the column of what it is about."""
        payload = message.model_dump_json()
        wanted = sa.select(WebhookEndpointRow).where(WebhookEndpointRow.tenant == tenant, WebhookEndpointRow.enabled)
        for endpoint in session.scalars(wanted):
            if message.type in json.loads(endpoint.events):
                row = WebhookDeliveryRow(
                    id=uuid4().hex, tenant=tenant, endpoint_id=endpoint.id, event=message.type, state="waiting", attempts=0, next_ms=now,
                    last_status=None, last_error=None, created_ms=now, ended_ms=None, payload=payload, **about,
                )
                session.add(row)
                session.flush()
                self.queue(session, row.id, 1)


_TOLD_PLAN: Final[Sequence[Any]] = (
    PlanRow.id, PlanRow.tenant, PlanRow.state, PlanRow.score, PlanRow.quality, PlanRow.problem, PlanRow.shop_id, PlanRow.shop_version,
    PlanRow.parent_id,
)
_TOLD_QUESTION: Final[Sequence[Any]] = (QuestionRow.tenant, QuestionRow.kind, QuestionRow.base_id, QuestionRow.problem)


def _told_plan(plan: Any) -> ToldPlan:
    shop = ToldShop(id=plan.shop_id, version=plan.shop_version) if plan.shop_id is not None else None
    return ToldPlan(
        id=plan.id, href=f"/v1/plans/{plan.id}", status=plan.state, quality=plan.quality, score=plan.score, shop=shop,
        question=plan.parent_id, problem=plan.problem,
    )
