"""The calls about plans."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from math import ceil
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from platerota_service.answers import plan_answers, problem_answers, request_body
from platerota_service.bodies import read_submission
from platerota_service.calls import EngineOf, PlanId, PreferencesOf, SettingsOf
from platerota_service.engine import Engine, PlanState
from platerota_service.plan_answers import plan_answer
from platerota_service.preferences import LONGEST_WAIT, Preferences
from platerota_service.problems import (
    ALREADY_ENDED,
    BUSY,
    FAULTS,
    STORE,
    TOO_LARGE,
    TOO_LONG_TO_WAIT,
    UNKNOWN_PLAN,
    UNREADABLE,
    WARMING,
    WRONG_MEDIA_TYPE,
    ProblemError,
)

LONGEST_SOLVE = 25
"""Seconds of solve_seconds that a call waits for; the HTTP clients of spreadsheets give up at 30."""

WARM_PATIENCE = 5
"""Seconds that such a call waits besides for an optimiser that is being loaded; compiling it takes longer and is answered 503."""

RushOf = Annotated[bool, Query(description="Whether the plan goes before every plan that waits and is not in a rush.")]

router = APIRouter(prefix="/v1/plans", tags=["plans"])

_PREFER_ASYNC = {
    "name": "Prefer", "in": "header", "required": False,
    "schema": {"type": "string", "examples": ["respond-async", "respond-async, wait=10"]},
    "description": "`respond-async`: answer 202 at once. With `wait=N` as well: only if the plan is not there within N seconds"
    f" (at most {LONGEST_WAIT}).",
}
_PREFER_WAIT = {
    "name": "Prefer", "in": "header", "required": False,
    "schema": {"type": "string", "examples": ["wait=20"]},
    "description": f"`wait=N`: hold the answer until the plan is in an end state, at most N (at most {LONGEST_WAIT}) seconds.",
}


@router.post(
    "", operation_id="create_plan", summary="Plan a week", status_code=201,
    openapi_extra={"requestBody": request_body(), "parameters": [_PREFER_ASYNC]},
    responses={
        **plan_answers("The plan, in an end state; one that failed says why in `problem`", 201, "Location", "Preference-Applied"),
        **plan_answers("The request is taken; its plan waits", 202, "Location", "Retry-After", "Preference-Applied"),
        **problem_answers(UNREADABLE, TOO_LONG_TO_WAIT, UNKNOWN_PLAN, TOO_LARGE, WRONG_MEDIA_TYPE, FAULTS, BUSY, WARMING, STORE),
    },
)
async def create_plan(
    call: Request, engine: EngineOf, settings: SettingsOf, preferences: PreferencesOf, rush: RushOf = False,
) -> Response:
    """Check the request, plan it, and answer with the plan.

    Waits for the plan (then settings.solve_seconds is 25 at most), in the queue too, unless the caller prefers otherwise; a
    caller that hangs up loses only the answer. A refused request leaves nothing behind. 503 where too many plans wait, or where
    a call that waits comes while the optimiser gets ready after a start. 404 only where the plan was deleted while this call
    waited for it.
    """
    submission = replace(await read_submission(call, settings.max_body_bytes), rush=rush)
    seconds = submission.request.settings.solve_seconds
    if seconds > LONGEST_SOLVE and not preferences.respond_async:
        words = f"the optimiser is asked to take {seconds:g} seconds; a call that waits allows {LONGEST_SOLVE}"
        raise ProblemError(TOO_LONG_TO_WAIT, words)
    if not preferences.respond_async:
        await engine.check_ready(WARM_PATIENCE)
    plan_id = await engine.submit(submission)
    headers = {"Location": f"/v1/plans/{plan_id}"}
    if not preferences.respond_async:
        return await _plan(await _followed(engine, plan_id, None), 201, headers)
    state = await _followed(engine, plan_id, preferences.wait or 0)
    if state.ended:
        return await _plan(state, 201, headers | Preferences(wait=preferences.wait).applied())
    return await _plan(state, 202, headers | {"Retry-After": str(ceil(seconds))} | preferences.applied())


@router.get(
    "/{plan_id}", operation_id="get_plan", summary="A plan as it stands", openapi_extra={"parameters": [_PREFER_WAIT]},
    responses={
        **plan_answers("The plan; `status` says how far it is; its lists are empty before the first one", 200, "Preference-Applied"),
        **problem_answers(UNKNOWN_PLAN, STORE),
    },
)
async def get_plan(plan_id: PlanId, engine: EngineOf, preferences: PreferencesOf) -> Response:
    """Answer the plan with its status; with `Prefer: wait=20` once that is an end state, or after 20 seconds."""
    if preferences.wait is None:
        return await _plan(await engine.status(plan_id), 200)
    state = await _followed(engine, plan_id, preferences.wait)
    return await _plan(state, 200, Preferences(wait=preferences.wait).applied())


@router.post(
    "/{plan_id}/stop", operation_id="stop_plan", summary="Stop, and keep the best plan", status_code=202,
    responses={**plan_answers("The solve is told to stop", 202), **problem_answers(UNKNOWN_PLAN, ALREADY_ENDED, STORE)},
)
async def stop_plan(plan_id: PlanId, engine: EngineOf) -> Response:
    """End the solve: its best plan so far becomes `ready`; one with no plan yet becomes `stopped`. A body is not read."""
    await engine.stop(plan_id)
    return await _plan(await engine.status(plan_id), 202)


@router.delete(
    "/{plan_id}", operation_id="delete_plan", summary="Forget a plan", status_code=204, responses=problem_answers(UNKNOWN_PLAN, STORE),
    response_class=Response, response_description="The plan is forgotten",
)
async def delete_plan(plan_id: PlanId, engine: EngineOf) -> None:
    """Forget the plan; a solve that runs ends."""
    await engine.cancel(plan_id)


async def _followed(engine: Engine, plan_id: str, seconds: float | None) -> PlanState:
    """The plan's end state, or how it stands after `seconds` (None: however long it takes)."""
    state = await engine.status(plan_id)
    try:
        async with asyncio.timeout(seconds):
            async for state in engine.events(plan_id):  # noqa: B007 - the last one is the answer
                pass
    except TimeoutError:
        state = await engine.status(plan_id)
    return state


async def _plan(state: PlanState, status: int, headers: Mapping[str, str] | None = None) -> Response:
    body = await asyncio.to_thread(plan_answer, state)
    return Response(body, status_code=status, headers=dict(headers or {}), media_type="application/json")
