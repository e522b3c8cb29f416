"""Webhooks as they are set up and answered."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, cast
from zoneinfo import ZoneInfo

from pydantic import BaseModel, Field

from platerota_service.answers import Answers, reference, with_example
from platerota_service.store import WebhookDeliveryRow
from platerota_service.webhooks.messages import EVENTS, EventName
from platerota_shared.fields import Flag
from platerota_shared.instants import local_text
from platerota_shared.tables import Row

DeliveryState = Literal["waiting", "delivered", "failed"]

HOOK_EXAMPLE: Final = {
    "id": "5b1c7d0e3a754a0e9d4e0f3f3b1f9d52", "url": "https://erp.example/hooks/plans", "events": ["plan.ready"], "enabled": True,
    "created": "2027-03-01T05:58:12+00:00",
}
"""A webhook as it is answered."""
_SECRET_EXAMPLE: Final = "whsec_bm90IGEgcmVhbCBzZWNyZXQsIGp1c3QgYW4gZXhhbXBsZQ=="
_DELIVERY_EXAMPLE: Final = {
    "id": "0f4a3f6e5c554a398a466f8c1d0a8a0e", "event": "plan.ready", "plan": "3f2b8a4c9d5e4f60a1b2c3d4e5f60718", "question": None,
    "state": "waiting", "attempts": 1, "next": "2027-03-01T05:58:19+00:00", "last_status": 503, "last_error": "it answered 503",
    "created": "2027-03-01T05:58:14+00:00", "ended": None,
}


class WebhookSettings(Row):
    """An address that is told of plans and questions, by messages signed after Standard Webhooks."""

    url: str
    """Where messages go: https, and public unless the service allows its own network."""
    events: Annotated[tuple[EventName, ...], Field(min_length=1, max_length=len(EVENTS))] = EVENTS
    """What it is told of; everything where it is not given. The plans of a question are plans too: `question` of a message names it."""
    enabled: Flag = True
    """Whether it is told. The service takes this back where the address answers 410 (gone).

    A message whose next attempt comes while this is false is given up.
    """


class WebhookEntry(BaseModel):
    """An address that is told of plans and questions."""

    model_config = with_example(HOOK_EXAMPLE)

    id: str = Field(description="Its id.")
    url: str = Field(description="Where messages go.")
    events: list[EventName] = Field(description="What it is told of.")
    enabled: bool = Field(description="Whether it is told.")
    created: str = Field(description="When it was set up, UTC.")


class NewWebhook(WebhookEntry):
    """An address that is told of plans and questions, with the secret that signs, which is shown this once."""

    model_config = with_example({**HOOK_EXAMPLE, "secret": _SECRET_EXAMPLE})

    secret: str = Field(description="The secret by which the receiver checks the signature, after Standard Webhooks.")


class WebhookList(BaseModel):
    """A page of the addresses that are told of plans and questions, the newest first."""

    model_config = with_example({"items": [HOOK_EXAMPLE], "self": "/v1/webhooks?limit=50", "next": None})

    items: list[WebhookEntry] = Field(description="The addresses of this page.")
    self_: str = Field(alias="self", description="The address of this page.")
    next: str | None = Field(description="The address of the next page; null on the last one.")


class DeliveryEntry(BaseModel):
    """A message and what became of it."""

    model_config = with_example(_DELIVERY_EXAMPLE)

    id: str = Field(description="Its id, the `webhook-id` of every attempt.")
    event: str = Field(description="What it tells of.")
    plan: str | None = Field(description="The plan that it is about; null where that is deleted, or it is about a question.")
    question: str | None = Field(description="The question that it is about; null where that is deleted, or it is about a plan.")
    state: DeliveryState = Field(description="Whether it is still to be sent, arrived, or was given up.")
    attempts: int = Field(description="How often it was sent.")
    next: str | None = Field(description="When it is sent next, UTC; null once it has ended.")
    last_status: int | None = Field(description="The HTTP status of the last attempt; null where there was no answer.")
    last_error: str | None = Field(description="Why the last attempt did not arrive, or why none was made any more; null where it arrived.")
    created: str = Field(description="When what it tells of happened, UTC.")
    ended: str | None = Field(description="When it arrived or was given up, UTC; null where it is still to be sent.")


class DeliveryList(BaseModel):
    """A page of messages, the newest first."""

    model_config = with_example({
        "items": [_DELIVERY_EXAMPLE], "self": "/v1/webhooks/5b1c7d0e3a754a0e9d4e0f3f3b1f9d52/deliveries?limit=50", "next": None,
    })

    items: list[DeliveryEntry] = Field(description="The messages of this page.")
    self_: str = Field(alias="self", description="The address of this page.")
    next: str | None = Field(description="The address of the next page; null on the last one.")


def delivery_entry(row: WebhookDeliveryRow) -> DeliveryEntry:
    """A message as it is answered."""
    return DeliveryEntry(
        id=row.id, event=row.event, plan=row.plan_id, question=row.question_id, state=cast(DeliveryState, row.state),
        attempts=row.attempts, next=utc(row.next_ms), last_status=row.last_status, last_error=row.last_error,
        created=utc(row.created_ms) or "", ended=utc(row.ended_ms),
    )


def webhook_body() -> dict[str, Any]:
    """The described body of a webhook."""
    value = {name: HOOK_EXAMPLE[name] for name in ("url", "events")}
    content = {"schema": reference("WebhookSettings"), "examples": {"erp": {"summary": "Told of ready plans", "value": value}}}
    return {"required": True, "description": "Where messages go, and of what.", "content": {"application/json": content}}


def webhook_answer(status: int, description: str, model: str) -> Answers:
    """The described answer that is a webhook, with its ETag."""
    headers = {"ETag": {"description": "The version that If-Match and If-None-Match name.", "schema": {"type": "string"}}}
    return {status: {"description": description, "headers": headers, "content": {"application/json": {"schema": reference(model)}}}}


def utc(instant_ms: int | None) -> str | None:
    """An instant as it is answered, UTC."""
    return local_text(instant_ms // 1000, ZoneInfo("UTC")) if instant_ms is not None else None
