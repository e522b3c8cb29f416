"""A plan's progress as server-sent events (https://html.spec.whatwg.org/multipage/server-sent-events.html).

Each event's id is the plan's revision and its points. Whoever comes back with the last one in `Last-Event-ID` is told what has
changed since, and 204, which ends it for good, where the end was seen already.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Depends, Header, Request, Response
from fastapi.sse import EventSourceResponse, ServerSentEvent
from pydantic import BaseModel, ConfigDict, Field

from platerota_service.access.callers import Caller, Watcher
from platerota_service.answers import Answers, guarded_answers
from platerota_service.calls import EngineOf, PlanId
from platerota_service.engine import EngineClosed, PlanState, UnknownPlan
from platerota_service.kinds import UNKNOWN_PLAN
from platerota_service.plan_making import plan_of

router = APIRouter(prefix="/v1/plans", tags=["plans"])

EventName = Literal["progress", "improved", "ready", "failed", "stopped", "deleted"]


class PlanEvent(BaseModel):
    """What an event tells of a plan."""

    model_config = ConfigDict(json_schema_serialization_defaults_required=True)

    id: str = Field(description="The plan's id.")
    status: str = Field(description="How far the plan is; `deleted` where it is gone.")
    score: float | None = Field(default=None, description="Points of the best plan so far; null before the first one.")
    bound: float | None = Field(default=None, description="Points that no plan can beat; null where none is known yet.")
    gap: float | None = Field(default=None, description="(score − bound) ÷ score, from 0 to 1; null where one is not known.")
    seconds: float | None = Field(default=None, description="Wall seconds since the solve began; null before its first word.")
    stage: str | None = Field(default=None, description="The stage of the optimiser that spoke last; null before its first word.")
    problem: str | None = Field(default=None, description="Why the plan failed; null in every other state.")


_EXAMPLE: Final = (
    'event: improved\nid: 7-4.0\ndata: {"id":"3f2b8a4c9d5e4f60a1b2c3d4e5f60718","status":"solving","score":4.0,"bound":3.0,"gap":0.25,'
    '"seconds":1.5,"stage":"searching","problem":null}\n\n'
)
_ANSWERS: Answers = {
    200: {
        "description": "Events as they happen, up to the plan's end",
        "content": {"text/event-stream": {"schema": {"type": "string"}, "example": _EXAMPLE}},
    },
    204: {"description": "The plan's end was told already (Last-Event-ID): do not come again"},
}


class EndSeen(Exception):
    """The caller has seen the end of the plan."""


async def end_seen(_call: Request, _error: Exception) -> Response:
    """The answer that tells a browser not to come again."""
    return Response(status_code=204)


@dataclass(frozen=True, slots=True)
class Watched:
    """A plan that somebody watches, and what they have seen of it: a revision and its points."""

    caller: Caller
    plan_id: str
    revision: int
    score: float | None
    silent: bool


async def _watched(
    call: Request, plan_id: PlanId, caller: Watcher, engine: EngineOf,
    last_event_id: Annotated[str | None, Header(description="The id of the last event that was seen.", examples=["7-4.0"])] = None,
) -> Watched:
    """Refusals come before the first event: afterwards the status is told already."""
    state = await plan_of(engine, caller, plan_id)
    revision, score = _seen(last_event_id)
    if state.ended and revision == state.revision:
        raise EndSeen
    return Watched(caller, plan_id, revision, score, silent=call.scope.get("headed", False))


@router.get(
    "/{plan_id}/events", operation_id="watch_plan", summary="A plan's progress as it happens", response_class=EventSourceResponse,
    responses={**_ANSWERS, **guarded_answers(UNKNOWN_PLAN)},
)
async def watch_plan(watched: Annotated[Watched, Depends(_watched)], engine: EngineOf) -> AsyncIterator[ServerSentEvent]:
    """Send an event at each change: `progress`, `improved` (a better plan is there), then one of `ready`, `failed`, `stopped`, `deleted`.

    The data of each is a `PlanEvent`. Come back with `Last-Event-ID` after a broken line, as browsers do by themselves.
    """
    if watched.silent:
        return
    score = watched.score
    try:
        async for state in engine.events(watched.plan_id, watched.caller.tenant):
            if state.revision == watched.revision:
                continue
            event = _event(state)
            name: EventName = "improved" if event.score is not None and event.score != score else "progress"
            score = event.score
            yield _sent(state.status if state.ended else name, event, state.revision)  # type: ignore[arg-type]
    except UnknownPlan:
        yield ServerSentEvent(event="deleted", data=PlanEvent(id=watched.plan_id, status="deleted"))
    except EngineClosed:
        return  # the service is closing: whoever watches comes again


def _event(state: PlanState) -> PlanEvent:
    event = PlanEvent(id=state.id, status=state.status, score=state.score, problem=state.problem)
    if state.progress is None:
        return event
    bound, gap = state.progress.bound, None
    if state.score is not None and bound is not None:
        gap = max(0.0, (state.score - bound) / state.score) if state.score else 0.0
    return event.model_copy(update={"bound": bound, "gap": gap, "seconds": state.progress.seconds, "stage": state.progress.stage})


def _sent(name: EventName, event: PlanEvent, revision: int) -> ServerSentEvent:
    return ServerSentEvent(event=name, data=event, id=f"{revision}-{event.score if event.score is not None else ''}")


def _seen(last: str | None) -> tuple[int, float | None]:
    """The revision and points of an event's id; none where it is not one of ours."""
    revision, _, score = (last or "").partition("-")
    try:
        return int(revision[:15]), float(score[:30]) if score else None
    except ValueError:
        return 0, None
