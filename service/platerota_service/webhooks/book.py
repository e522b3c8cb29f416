"""The webhooks that are stored, and the messages to them. Every method blocks, and asks for one tenant's alone."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import Final
from uuid import uuid4

import sqlalchemy as sa
from sqlalchemy.orm import Session

from platerota_service.cursors import newest_first
from platerota_service.store import Store, WebhookDeliveryRow, WebhookEndpointRow, now_ms
from platerota_service.webhooks.answers import WebhookSettings
from platerota_service.webhooks.outbox import Outbox
from platerota_service.webhooks.sending import new_secret

MOST: Final = 20
"""Webhooks that a tenant may have: each event is told to all of them, and each message is stored and tried for three days."""


class TooManyWebhooks(Exception):
    """The tenant has as many webhooks as it may have."""


class WebhookDisabled(Exception):
    """Nothing is sent to a webhook that is disabled."""


class WebhookBook:
    """The webhooks of `tenant` in `store`."""

    def __init__(self, store: Store, tenant: str) -> None:
        self._store = store
        self._tenant = tenant

    def page(self, cursor: str | None, limit: int) -> Sequence[WebhookEndpointRow]:
        """Webhooks, the newest first, from `cursor` on; one more than `limit` where there is a next page."""
        query = sa.select(WebhookEndpointRow).where(WebhookEndpointRow.tenant == self._tenant)
        with self._store.reading() as session:
            return session.scalars(newest_first(query, WebhookEndpointRow.created_ms, WebhookEndpointRow.id, cursor, limit)).all()

    def find(self, hook_id: str) -> WebhookEndpointRow | None:
        """The webhook of that id, or None."""
        with self._store.reading() as session:
            return session.scalar(sa.select(WebhookEndpointRow).where(*self._is(hook_id)))

    def add(self, given: WebhookSettings, beside: Callable[[Session, str], None] | None = None) -> WebhookEndpointRow:
        """Store a webhook with a new secret; `beside` stores more in the same transaction, given its id.

        Raises
        ------
        TooManyWebhooks
        """
        now = now_ms()
        row = WebhookEndpointRow(
            id=uuid4().hex, tenant=self._tenant, version=1, secret=new_secret(), created_ms=now, updated_ms=now, **_columns(given),
        )
        mine = sa.select(sa.func.count()).select_from(WebhookEndpointRow).where(WebhookEndpointRow.tenant == self._tenant)
        with self._store.writing() as session:
            # First, so that a call that is sent again hears of its webhook and not that there are too many.
            if beside is not None:
                beside(session, row.id)
            if (session.scalar(mine) or 0) >= MOST:
                raise TooManyWebhooks
            session.add(row)
        return row

    def replace(self, old: WebhookEndpointRow, given: WebhookSettings) -> bool:
        """Change a webhook, not its secret; False where somebody else changed it meanwhile."""
        return self._change(old, **_columns(given))

    def renew_secret(self, old: WebhookEndpointRow) -> str | None:
        """Give a webhook a new secret, which signs from now on; None where somebody else changed it meanwhile."""
        secret = new_secret()
        return secret if self._change(old, secret=secret) else None

    def delete(self, old: WebhookEndpointRow) -> bool:
        """Forget a webhook and its messages; False where somebody else changed it meanwhile."""
        mine = (*self._is(old.id), WebhookEndpointRow.version == old.version)
        with self._store.writing() as session:
            return session.execute(sa.delete(WebhookEndpointRow).where(*mine).returning(WebhookEndpointRow.id)).first() is not None

    def deliveries(self, hook_id: str, cursor: str | None, limit: int) -> Sequence[WebhookDeliveryRow]:
        """Messages to a webhook, the newest first, from `cursor` on; one more than `limit` where there is a next page."""
        query = sa.select(WebhookDeliveryRow).where(WebhookDeliveryRow.endpoint_id == hook_id, WebhookDeliveryRow.tenant == self._tenant)
        with self._store.reading() as session:
            return session.scalars(newest_first(query, WebhookDeliveryRow.created_ms, WebhookDeliveryRow.id, cursor, limit)).all()

    def resend(self, hook_id: str, delivery_id: str, outbox: Outbox) -> WebhookDeliveryRow | None:
        """Send an ended message again, with as many attempts as a new one; one that is still being sent stays so. None: there is none.

        Raises
        ------
        WebhookDisabled
        """
        mine = (WebhookDeliveryRow.id == delivery_id, WebhookDeliveryRow.endpoint_id == hook_id, WebhookDeliveryRow.tenant == self._tenant)
        with self._store.writing() as session:
            row = session.scalar(sa.select(WebhookDeliveryRow).where(*mine).with_for_update())
            if row is not None and not session.get_one(WebhookEndpointRow, hook_id).enabled:
                raise WebhookDisabled
            if row is not None and row.state != "waiting":
                row.state, row.attempts, row.next_ms, row.ended_ms = "waiting", 0, now_ms(), None
                session.flush()
                outbox.queue(session, delivery_id, 1)
            return row

    def _change(self, old: WebhookEndpointRow, **values: object) -> bool:
        mine = (*self._is(old.id), WebhookEndpointRow.version == old.version)
        changed = values | {"version": old.version + 1, "updated_ms": now_ms()}
        with self._store.writing() as session:
            done = session.execute(sa.update(WebhookEndpointRow).where(*mine).values(**changed).returning(WebhookEndpointRow.id)).first()
        for name, value in changed.items() if done is not None else ():
            setattr(old, name, value)
        return done is not None

    def _is(self, hook_id: str) -> tuple[sa.ColumnElement[bool], ...]:
        # PostgreSQL refuses to look for a NUL character, which no id has.
        return WebhookEndpointRow.tenant == self._tenant, WebhookEndpointRow.id == hook_id.replace("\0", "")


def _columns(given: WebhookSettings) -> dict[str, object]:
    return {"url": given.url, "events": json.dumps(list(dict.fromkeys(given.events))), "enabled": given.enabled}
