"""The messages to webhooks: what each tells, and how the API description says so."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final, Literal, get_args

from pydantic import BaseModel, Field

from platerota_service.answers import reference, with_example

PlanEventName = Literal["plan.ready", "plan.failed", "plan.stopped", "plan.released"]
QuestionEventName = Literal["question.ready", "question.failed", "question.stopped"]
# One list of words and no union of two, so that a wrong one is told once, at its place.
EventName = Literal[PlanEventName, QuestionEventName]

EVENTS: Final[tuple[EventName, ...]] = get_args(EventName)
"""What an address may be told of."""

_AT: Final = "2027-03-01T06:02:09.350+00:00"
_QUESTION: Final = "5d1c9a7be04f4c3e8a6b2f9d7c3e1a05"
_PLAN_EXAMPLE: Final = {"type": "plan.ready", "timestamp": _AT, "data": {
    "id": "3f2b8a4c9d5e4f60a1b2c3d4e5f60718", "href": "/v1/plans/3f2b8a4c9d5e4f60a1b2c3d4e5f60718", "status": "ready",
    "quality": "feasible", "score": 51.87, "shop": {"id": "main", "version": 3}, "question": None, "problem": None,
}}
_QUESTION_EXAMPLE: Final = {"type": "question.ready", "timestamp": _AT, "data": {
    "id": _QUESTION, "href": f"/v1/questions/{_QUESTION}", "status": "ready", "kind": "rush-order",
    "base": "3f2b8a4c9d5e4f60a1b2c3d4e5f60718", "problem": None,
}}


class ToldShop(BaseModel):
    """The stored shop that a plan was made from."""

    id: str = Field(description="Its id.")
    version: int = Field(description="Which version of it.")


class ToldPlan(BaseModel):
    """Enough of a plan to know whether to fetch it."""

    id: str = Field(description="Its id.")
    href: str = Field(description="Where it is.")
    status: str = Field(description="How it stands: `ready`, `failed` or `stopped`.")
    quality: str | None = Field(description="`optimal`: proved to be the best; `feasible`: not. null where there is no plan.")
    score: float | None = Field(description="Its points; null where there is no plan.")
    shop: ToldShop | None = Field(description="The stored shop that it was made from; null where its request held the shop.")
    question: str | None = Field(description="The question that it was made for; null where somebody asked for the plan itself.")
    problem: str | None = Field(description="Why it failed, in words; null in every other state.")


class PlanMessage(BaseModel):
    """A plan has ended, or a shop works by it from now on."""

    model_config = with_example(_PLAN_EXAMPLE)

    type: PlanEventName = Field(description="What happened.")
    timestamp: str = Field(description="When, UTC.")
    data: ToldPlan = Field(description="The plan.")


class ToldQuestion(BaseModel):
    """Enough of a question to know whether to fetch its answer."""

    id: str = Field(description="Its id.")
    href: str = Field(description="Where its answer is.")
    status: str = Field(description="How it stands: `ready`, `failed` or `stopped`.")
    kind: str = Field(description="What was asked: `rush-order`, `promise`, `what-if-sweep` or `levers`.")
    base: str = Field(description="The plan that it is about; that may be deleted since.")
    problem: str | None = Field(description="Why it failed, in words; null in every other state.")


class QuestionMessage(BaseModel):
    """A question about a plan is answered, or cannot be."""

    model_config = with_example(_QUESTION_EXAMPLE)

    type: QuestionEventName = Field(description="What happened.")
    timestamp: str = Field(description="When, UTC.")
    data: ToldQuestion = Field(description="The question.")


def timestamp(at_ms: int) -> str:
    """An instant as a message tells it, UTC, with its milliseconds."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds")


_HAPPENED: Final[Mapping[EventName, str]] = {
    "plan.ready": "A plan is ready", "plan.failed": "A plan failed", "plan.stopped": "A plan was stopped before there was one",
    "plan.released": "A shop works by a plan from now on", "question.ready": "A question is answered",
    "question.failed": "None of the plans of a question could be made",
    "question.stopped": "A question was stopped before any of its plans was there",
}
_HEADERS: Final[Mapping[str, str]] = {
    "webhook-id": "The id of the message, the same at each attempt: what arrives twice is told once.",
    "webhook-timestamp": "When this attempt was made, whole seconds since 1970-01-01 UTC.",
    "webhook-signature": "The signature by the webhook's secret, after Standard Webhooks 1.0.",
}


def described_messages() -> dict[str, Any]:
    """The messages as the `webhooks` of an OpenAPI 3.1 description: which call the receiver is sent, by event."""
    parameters = [
        {"name": name, "in": "header", "required": True, "description": words, "schema": {"type": "string"}}
        for name, words in _HEADERS.items()
    ]
    answers = {
        "2XX": {"description": "The receiver has it"},
        "410": {"description": "The receiver wants no more of these: the webhook is disabled"},
        "default": {"description": "Everything else, and no answer within 15 seconds: the message is sent again later"},
    }
    return {event: {"post": {
        "operationId": event.replace(".", "_"), "summary": words, "tags": ["webhooks"], "parameters": parameters, "security": [],
        "description": f"{words}. Sent to each webhook that has `{event}` among its `events`.",
        "requestBody": {"required": True, "description": "What happened, and to what.", "content": {
            "application/json": {"schema": reference("PlanMessage" if event in get_args(PlanEventName) else "QuestionMessage")},
        }},
        "responses": answers,
    }} for event, words in _HAPPENED.items()}
