"""One attempt to send a stored message: what is to be sent, what became of it, and when it is tried again."""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable
from typing import Final

import httpx
import sqlalchemy as sa

from platerota_service.store import Store, WebhookDeliveryRow, WebhookEndpointRow, now_ms
from platerota_service.webhooks.outbox import Outbox
from platerota_service.webhooks.sending import Message, Sent, send

DELAYS: Final = (5, 300, 1_800, 7_200, 18_000, 36_000, 50_400, 72_000, 86_400)
"""Seconds after each attempt that did not arrive, as Standard Webhooks proposes; after the last of them no more is tried."""
_JITTER: Final = 0.2
"""Each delay is a fifth longer or shorter, so that the messages of a receiver that was away do not all come back at once."""
DISABLED: Final = "the webhook is disabled"
"""Why a message is given up whose webhook was switched off before its next attempt."""
_GONE: Final = 410
_log = logging.getLogger(__name__)

Send = Callable[[Message], Awaitable[Sent]]


class Deliveries:
    """Sends the messages in `store`.

    Parameters
    ----------
    inside
        Whether they may go to addresses inside the shop's own network, and by plain http.
    delays
        Seconds to wait after each attempt.
    transport
        What carries them; the network where not given.
    """

    def __init__(
        self, store: Store, outbox: Outbox, *, inside: bool, delays: tuple[float, ...] = DELAYS,
        transport: httpx.AsyncBaseTransport | None = None,
    ) -> None:
        self._store = store
        self._outbox = outbox
        self._inside = inside
        self._delays = delays
        self._transport = transport

    async def attempt(self, delivery_id: str, attempt: int) -> None:
        """Make an attempt, counted from 1, unless it was made already or the message is not to be sent any more.

        A message to a webhook that is disabled by then is given up.
        """
        message = await asyncio.to_thread(self._message, delivery_id, attempt)
        if message is not None:
            sent = await send(message, inside=self._inside, transport=self._transport)
            await asyncio.to_thread(self._note, delivery_id, attempt, sent)

    def _message(self, delivery_id: str, attempt: int) -> Message | None:
        with self._store.reading() as session:
            row = session.get(WebhookDeliveryRow, delivery_id)
            if row is None or row.state != "waiting" or row.attempts != attempt - 1:
                return None
            endpoint = session.get_one(WebhookEndpointRow, row.endpoint_id)
            if endpoint.enabled:
                return Message(row.id, endpoint.url, endpoint.secret, row.payload)
        self._give_up(delivery_id)
        return None

    def _give_up(self, delivery_id: str) -> None:
        """End a message to a webhook that is disabled; no attempt of it is counted, for none is made."""
        waits = (WebhookDeliveryRow.id == delivery_id, WebhookDeliveryRow.state == "waiting")
        ended = {"state": "failed", "last_error": DISABLED, "next_ms": None, "ended_ms": now_ms()}
        with self._store.writing() as session:
            session.execute(sa.update(WebhookDeliveryRow).where(*waits).values(**ended))
        _log.info("message %s: given up: %s", delivery_id, DISABLED)

    def _note(self, delivery_id: str, attempt: int, sent: Sent) -> None:
        """Store what became of an attempt, and queue the next one, in one transaction."""
        with self._store.writing() as session:
            row = session.get(WebhookDeliveryRow, delivery_id, with_for_update=True)
            if row is None or row.state != "waiting" or row.attempts != attempt - 1:
                return
            row.attempts, row.last_status, row.last_error = attempt, sent.status, sent.error
            _log.info("message %s: attempt %d: %s", delivery_id, attempt, sent.error or "arrived")
            if sent.arrived or sent.hopeless or attempt > len(self._delays):
                row.state, row.next_ms, row.ended_ms = "delivered" if sent.arrived else "failed", None, now_ms()
            else:
                delay = self._delays[attempt - 1] * random.uniform(1 - _JITTER, 1 + _JITTER)
                row.next_ms = now_ms() + int(delay * 1000)
                session.flush()
                self._outbox.queue(session, delivery_id, attempt + 1, delay)
            if sent.status == _GONE:
                session.get_one(WebhookEndpointRow, row.endpoint_id).enabled = False
