"""Messages about plans: stored in the transaction of the change that they tell of, and with it put into the durable queue.

So a message is neither lost where the process dies after the change, nor sent where the change is taken back.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Final, Literal
from uuid import uuid4

import sqlalchemy as sa
from dbos import DBOSClient
from sqlalchemy.orm import Session

from platerota_service.executor import enqueue_delivery, open_client
from platerota_service.store import PlanRow, Store, WebhookDeliveryRow, WebhookEndpointRow, now_ms

Event = Literal["plan.ready", "plan.failed", "plan.stopped", "plan.released"]

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
        events: dict[str, Event] = {"ready": "plan.ready", "failed": "plan.failed", "stopped": "plan.stopped"}
        self.announce(session, events[state], plan_id)

    def announce(self, session: Session, event: Event, plan_id: str) -> None:
        """Tell every address of the plan's tenant that wants to know of `event`, in the transaction of `session`."""
        plan = session.execute(sa.select(*_TOLD).where(PlanRow.id == plan_id)).one_or_none()
        if plan is None:
            return
        now = now_ms()
        wanted = sa.select(WebhookEndpointRow).where(WebhookEndpointRow.tenant == plan.tenant, WebhookEndpointRow.enabled)
        for endpoint in session.scalars(wanted):
            if event in json.loads(endpoint.events):
                row = WebhookDeliveryRow(
                    id=uuid4().hex, tenant=plan.tenant, endpoint_id=endpoint.id, plan_id=plan_id, event=event, state="waiting", attempts=0,
                    next_ms=now, last_status=None, last_error=None, created_ms=now, ended_ms=None, payload=_payload(event, plan, now),
                )
                session.add(row)
                session.flush()
                self.queue(session, row.id, 1)

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


_TOLD: Final[Sequence[Any]] = (
    PlanRow.id, PlanRow.tenant, PlanRow.state, PlanRow.score, PlanRow.quality, PlanRow.problem, PlanRow.shop_id, PlanRow.shop_version,
)


def _payload(event: Event, plan: Any, at_ms: int) -> str:
    """The message: what happened, when, and enough of the plan to know whether to fetch it."""
    shop = {"id": plan.shop_id, "version": plan.shop_version} if plan.shop_id is not None else None
    data = {
        "id": plan.id, "href": f"/v1/plans/{plan.id}", "status": plan.state, "quality": plan.quality, "score": plan.score, "shop": shop,
        "problem": plan.problem,
    }
    at = datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds")
    return json.dumps({"type": event, "timestamp": at, "data": data}, ensure_ascii=False, separators=(",", ":"))
