"""The calls about plans."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from platerota_service.access.callers import LinkReader, Planner
from platerota_service.answers import guarded_answers, not_changed, plan_answers, request_body
from platerota_service.bodies import read_body, submission_from
from platerota_service.calls import EngineOf, PlanId, PreferencesOf, SettingsOf, StoreOf
from platerota_service.kinds import (
    ALREADY_ENDED,
    BAD_HEADER,
    BUSY,
    FAULTS,
    KEY_REUSED,
    STILL_ANSWERING,
    TOO_LARGE,
    TOO_LONG_TO_WAIT,
    UNKNOWN_PLAN,
    UNREADABLE,
    WARMING,
    WRONG_MEDIA_TYPE,
)
from platerota_service.plan_making import MakingOf, answer_plan, followed, plan_of
from platerota_service.preferences import LONGEST_WAIT, Preferences

router = APIRouter(prefix="/v1/plans", tags=["plans"])

PREFER_ASYNC = {
    "name": "Prefer", "in": "header", "required": False,
    "schema": {"type": "string", "examples": ["respond-async", "respond-async, wait=10"]},
    "description": "`respond-async`: answer 202 at once. With `wait=N` as well: only if the plan is not there within N seconds"
    f" (at most {LONGEST_WAIT}).",
}
"""The described preferences of a call that makes a plan."""
_PREFER_WAIT = {
    "name": "Prefer", "in": "header", "required": False,
    "schema": {"type": "string", "examples": ["wait=20"]},
    "description": f"`wait=N`: hold the answer until the plan is in an end state, at most N (at most {LONGEST_WAIT}) seconds.",
}

MADE = {
    **plan_answers("The plan, in an end state; one that failed says why in `problem`", 201, "Location", "ETag", "Preference-Applied"),
    **plan_answers("The request is taken; its plan waits", 202, "Location", "Retry-After", "ETag", "Preference-Applied"),
}
"""The described answers of a call that makes a plan."""
MAKING_REFUSED = (
    UNREADABLE, BAD_HEADER, TOO_LONG_TO_WAIT, UNKNOWN_PLAN, STILL_ANSWERING, TOO_LARGE, WRONG_MEDIA_TYPE, FAULTS, KEY_REUSED, BUSY, WARMING,
)
"""Why such a call may be refused."""


@router.post(
    "", operation_id="create_plan", summary="Plan a week", status_code=201,
    openapi_extra={"requestBody": request_body(), "parameters": [PREFER_ASYNC]}, responses={**MADE, **guarded_answers(*MAKING_REFUSED)},
)
async def create_plan(call: Request, making: MakingOf, settings: SettingsOf) -> Response:
    """Check the request, plan it, and answer with the plan.

    Waits for the plan (then settings.solve_seconds is 25 at most), in the queue too, unless the caller prefers otherwise; a
    caller that hangs up loses only the answer. A refused request leaves nothing behind. 503 where too many plans wait, or where
    a call that waits comes while the optimiser gets ready after a start. 404 only where the plan was deleted while this call
    waited for it, or before it was sent again.

    With an `Idempotency-Key` the call may be sent again within 24 hours: it makes no second plan, and answers with the first
    one's status and Location and the plan as it stands. While the first call is still being answered that is 409.
    """
    body = await read_body(call, settings.max_body_bytes)
    return await making.make(body, lambda: submission_from(body))


@router.get(
    "/{plan_id}", operation_id="get_plan", summary="A plan as it stands", openapi_extra={"parameters": [_PREFER_WAIT]},
    responses={
        **plan_answers(
            "The plan; `status` says how far it is; its lists are empty before the first one", 200, "ETag", "Preference-Applied",
        ),
        **not_changed(), **guarded_answers(UNKNOWN_PLAN, BAD_HEADER),
    },
)
async def get_plan(
    call: Request, plan_id: PlanId, caller: LinkReader, engine: EngineOf, store: StoreOf, preferences: PreferencesOf,
) -> Response:
    """Answer the plan with its status; with `Prefer: wait=20` once that is an end state, or after 20 seconds.

    Send the ETag in `If-None-Match`, and a plan that has not changed is answered 304 without a body.
    """
    state = await plan_of(engine, caller, plan_id)
    if preferences.wait is not None:
        state = await followed(engine, caller, plan_id, preferences.wait)
    return await answer_plan(store, caller, state, 200, Preferences(wait=preferences.wait).applied(), call)


@router.post(
    "/{plan_id}/stop", operation_id="stop_plan", summary="Stop, and keep the best plan", status_code=202,
    responses={**plan_answers("The solve is told to stop", 202, "ETag"), **guarded_answers(UNKNOWN_PLAN, ALREADY_ENDED)},
)
async def stop_plan(plan_id: PlanId, caller: Planner, engine: EngineOf, store: StoreOf) -> Response:
    """End the solve: its best plan so far becomes `ready`; one with no plan yet becomes `stopped`. A body is not read."""
    await plan_of(engine, caller, plan_id)
    await engine.stop(plan_id, caller.tenant)
    return await answer_plan(store, caller, await engine.status(plan_id, caller.tenant), 202)


@router.delete(
    "/{plan_id}", operation_id="delete_plan", summary="Forget a plan", status_code=204, responses=guarded_answers(UNKNOWN_PLAN),
    response_class=Response, response_description="The plan is forgotten",
)
async def delete_plan(plan_id: PlanId, caller: Planner, engine: EngineOf) -> None:
    """Forget the plan; a solve that runs ends."""
    await plan_of(engine, caller, plan_id)
    await engine.cancel(plan_id, caller.tenant)
