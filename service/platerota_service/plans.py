"""The calls about plans."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from math import ceil

from fastapi import APIRouter, Request, Response

from platerota_service.answers import plan_answers, problem_answers, request_body
from platerota_service.bodies import read_json_or_sheets, submission_of
from platerota_service.calls import EngineOf, PlanId, PreferencesOf, SettingsOf
from platerota_service.engine import Engine, PlanState
from platerota_service.formats import DecimalOf, PlanFormatOf, Wanted, body_kind
from platerota_service.plan_answers import plan_answer, remarked
from platerota_service.plan_files import PLAN_FILES, SHEETS_BODY, WORKBOOK_ANSWER, plan_file
from platerota_service.preferences import LONGEST_WAIT, Preferences
from platerota_service.problems import (
    ALREADY_ENDED,
    BUSY,
    FAULTS,
    NO_SUCH_TABLE,
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

router = APIRouter(prefix="/v1/plans", tags=["plans"])

_JSON = Wanted("json")
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


_GET_ANSWER = plan_answers("The plan; `status` says how far it is; its lists are empty before the first one", 200, "Preference-Applied")
_GET_ANSWER[200]["content"] |= PLAN_FILES


@router.post(
    "", operation_id="create_plan", summary="Plan a week", status_code=201,
    openapi_extra={"requestBody": request_body() | {"content": request_body()["content"] | SHEETS_BODY}, "parameters": [_PREFER_ASYNC]},
    responses={
        **WORKBOOK_ANSWER,
        **plan_answers("The plan, in an end state; one that failed says why in `problem`", 201, "Location", "Preference-Applied"),
        **plan_answers("The request is taken; its plan waits", 202, "Location", "Retry-After", "Preference-Applied"),
        **problem_answers(UNREADABLE, NO_SUCH_TABLE, TOO_LONG_TO_WAIT, UNKNOWN_PLAN, TOO_LARGE, WRONG_MEDIA_TYPE, FAULTS, BUSY, WARMING),
    },
)
async def create_plan(
    call: Request, engine: EngineOf, settings: SettingsOf, preferences: PreferencesOf, wanted: PlanFormatOf, decimal: DecimalOf,
) -> Response:
    """Check the request, plan it, and answer with the plan.

    Waits for the plan (then settings.solve_seconds is 25 at most), in the queue too, unless the caller prefers otherwise; a
    caller that hangs up loses only the answer. A refused request leaves nothing behind. 503 where too many plans wait, or where
    a call that waits comes while the optimiser gets ready after a start. 404 only where the plan was deleted while this call
    waited for it.

    The body may be a workbook (`GET /v1/workbook-template` gives one to fill) or a zip of CSV files named after its sheets. Then
    settings.solve_seconds is 10 where it is not given, so that the answer comes within about 20 seconds, and the answer is such a
    file too, with status 200. Where a workbook has faults the answer is a workbook as well, again with status 200, because macros
    throw away the body of any other: its first sheet `Problems` lists every fault with its place, the caller's cells are marked, and
    the header `Platerota-Faults` counts them (a plan has none). Whoever asks for JSON, CSV or a zip gets them as a problem, 422.
    """
    body = await read_json_or_sheets(call, settings.max_body_bytes)
    submission, remarks = await asyncio.to_thread(submission_of, body_kind(call), body, decimal_comma=decimal == "comma")
    seconds = submission.request.settings.solve_seconds
    if seconds > LONGEST_SOLVE and not preferences.respond_async:
        words = f"the optimiser is asked to take {seconds:g} seconds; a call that waits allows {LONGEST_SOLVE}"
        raise ProblemError(TOO_LONG_TO_WAIT, words)
    if not preferences.respond_async:
        await engine.check_ready(WARM_PATIENCE)
    plan_id = await engine.submit(submission)
    headers = {"Location": f"/v1/plans/{plan_id}"}
    if not preferences.respond_async:
        return await _plan(engine, remarked(await _followed(engine, plan_id, None), remarks), wanted, 201, headers)
    state = remarked(await _followed(engine, plan_id, preferences.wait or 0), remarks)
    if state.ended:
        return await _plan(engine, state, wanted, 201, headers | Preferences(wait=preferences.wait).applied())
    return await _plan(engine, state, _JSON, 202, headers | {"Retry-After": str(ceil(seconds))} | preferences.applied())


@router.get(
    "/{plan_id}", operation_id="get_plan", summary="A plan as it stands", openapi_extra={"parameters": [_PREFER_WAIT]},
    responses={**_GET_ANSWER, **problem_answers(UNKNOWN_PLAN, NO_SUCH_TABLE, FAULTS)},
)
async def get_plan(plan_id: PlanId, engine: EngineOf, preferences: PreferencesOf, wanted: PlanFormatOf) -> Response:
    """Answer the plan with its status; with `Prefer: wait=20` once that is an end state, or after 20 seconds.

    As a workbook with `?format=xlsx`, one table as CSV with `?format=csv&table=load_windows`, all tables with `?format=zip`.
    """
    if preferences.wait is None:
        return await _plan(engine, await engine.status(plan_id), wanted, 200)
    state = await _followed(engine, plan_id, preferences.wait)
    return await _plan(engine, state, wanted, 200, Preferences(wait=preferences.wait).applied())


@router.post(
    "/{plan_id}/stop", operation_id="stop_plan", summary="Stop, and keep the best plan", status_code=202,
    responses={**plan_answers("The solve is told to stop", 202), **problem_answers(UNKNOWN_PLAN, ALREADY_ENDED)},
)
async def stop_plan(plan_id: PlanId, engine: EngineOf) -> Response:
    """End the solve: its best plan so far becomes `ready`; one with no plan yet becomes `stopped`. A body is not read."""
    await engine.stop(plan_id)
    return await _plan(engine, await engine.status(plan_id), _JSON, 202)


@router.delete(
    "/{plan_id}", operation_id="delete_plan", summary="Forget a plan", status_code=204, responses=problem_answers(UNKNOWN_PLAN),
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


async def _plan(
    engine: Engine, state: PlanState, wanted: Wanted, status: int, headers: Mapping[str, str] | None = None,
) -> Response:
    """The plan in the format that is wanted; a file has status 200."""
    if wanted.format != "json":
        answer = await asyncio.to_thread(plan_file, state, await engine.request(state.plan.id), wanted)
        answer.headers.update(headers or {})
        return answer
    body = await asyncio.to_thread(plan_answer, state)
    return Response(body, status_code=status, headers=dict(headers or {}), media_type="application/json")
