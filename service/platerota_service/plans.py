"""The calls about plans."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter, Request, Response

from platerota_service.access.callers import LinkReader, Planner
from platerota_service.answers import guarded_answers, not_changed, plan_answers, request_body
from platerota_service.bodies import read_json_or_sheets, submission_of
from platerota_service.calls import EngineOf, PartsOf, PlanId, PreferencesOf, SettingsOf
from platerota_service.etags import IF_MATCH
from platerota_service.formats import DecimalOf, PlanFormatOf, body_kind
from platerota_service.kinds import (
    ALREADY_ENDED,
    BAD_HEADER,
    BUSY,
    CHANGED,
    FAULTS,
    KEY_REUSED,
    KEY_SPENT,
    NO_SUCH_TABLE,
    NO_WORKER,
    STILL_ANSWERING,
    TAKEN,
    TOO_LARGE,
    TOO_LONG_TO_WAIT,
    UNKNOWN_PLAN,
    UNREADABLE,
    WARMING,
    WRONG_MEDIA_TYPE,
)
from platerota_service.plan_files import PLAN_FILES, SHEETS_BODY, WORKBOOK_ANSWER
from platerota_service.plan_making import MakingOf, answer_plan, answer_wanted, followed, plan_of, unless_changed
from platerota_service.preferences import LONGEST_WAIT, Preferences

router = APIRouter(prefix="/v1/plans", tags=["plans"])

PREFER_ASYNC = {
    "name": "Prefer", "in": "header", "required": False,
    "schema": {"type": "string", "examples": ["respond-async", "respond-async, wait=10"]},
    "description": "`respond-async`: answer 202 at once. With `wait=N` as well: only if the plan is not there within N seconds"
    f" (at most {LONGEST_WAIT}).",
}
"""The described preferences of a call that makes a plan."""
PREFER_WAIT = {
    "name": "Prefer", "in": "header", "required": False,
    "schema": {"type": "string", "examples": ["wait=20"]},
    "description": f"`wait=N`: hold the answer until the plan is in an end state, at most N (at most {LONGEST_WAIT}) seconds.",
}
"""The described preferences of a call that reads something which ends."""

MADE = {
    **plan_answers("The plan, in an end state; one that failed says why in `problem`", 201, "Location", "ETag", "Preference-Applied"),
    **plan_answers("The request is taken; its plan waits", 202, "Location", "Retry-After", "ETag", "Preference-Applied"),
}
"""The described answers of a call that makes a plan."""
MAKING_REFUSED = (
    UNREADABLE, BAD_HEADER, TOO_LONG_TO_WAIT, UNKNOWN_PLAN, STILL_ANSWERING, TOO_LARGE, WRONG_MEDIA_TYPE, FAULTS, KEY_REUSED, BUSY, WARMING,
    TAKEN, KEY_SPENT, NO_WORKER,
)
"""Why such a call may be refused."""


_GOT: Final = plan_answers(
    "The plan; `status` says how far it is; its lists are empty before the first one", 200, "ETag", "Preference-Applied",
)
_GOT[200]["content"] |= PLAN_FILES
_BODY: Final = request_body() | {"content": request_body()["content"] | SHEETS_BODY}


@router.post(
    "", operation_id="create_plan", summary="Plan a week", status_code=201,
    openapi_extra={"requestBody": _BODY, "parameters": [PREFER_ASYNC]},
    responses={**WORKBOOK_ANSWER, **MADE, **guarded_answers(NO_SUCH_TABLE, *MAKING_REFUSED)},
)
async def create_plan(call: Request, making: MakingOf, settings: SettingsOf, wanted: PlanFormatOf, decimal: DecimalOf) -> Response:
    """Check the request, plan it, and answer with the plan.

    Waits for the plan (then settings.solve_seconds is 25 at most), in the queue too, unless the caller prefers otherwise; a
    caller that hangs up loses only the answer. A refused request leaves nothing behind. 503 where too many plans wait, or where
    a call that waits comes while the optimiser gets ready after a start; 503 with a `Location` (`taken-not-answered`) where the plan
    is stored, but something keeps the call from being answered: GET it there. 404 only where the plan was deleted while this call
    waited for it, or before it was sent again.

    With an `Idempotency-Key` the call may be sent again within 24 hours: it makes no second plan, and answers with the first
    one's status and Location and the plan as it stands. While the first call is still being answered that is 409.

    The body may be a workbook (`GET /v1/workbook-template` gives one to fill) or a zip of CSV files named after its sheets.
    Then settings.solve_seconds is 10 where it is not given, so that the answer comes within about 20 seconds, and the answer is
    such a file too, with status 200. Where a workbook has faults, or a longer solve than the call may wait for, the answer is a
    workbook as well, again with status 200, because macros throw away the body of any other: its first sheet `Problems` lists
    every fault with its place, the caller's cells are marked, and the header `Platerota-Faults` counts them (a plan has none).
    Whoever asks for JSON, CSV or a zip gets them as a problem, 422, and too long a solve as 400.
    """
    body = await read_json_or_sheets(call, settings.max_body_bytes)
    kind, comma = body_kind(call), decimal == "comma"
    return await making.make(body, lambda: submission_of(kind, body, decimal_comma=comma, waits=making.waits), wanted)


@router.get(
    "/{plan_id}", operation_id="get_plan", summary="A plan as it stands", openapi_extra={"parameters": [PREFER_WAIT]},
    responses={**_GOT, **not_changed(), **guarded_answers(UNKNOWN_PLAN, BAD_HEADER, NO_SUCH_TABLE, FAULTS)},
)
async def get_plan(
    call: Request, plan_id: PlanId, caller: LinkReader, engine: EngineOf, parts: PartsOf, preferences: PreferencesOf, wanted: PlanFormatOf,
) -> Response:
    """Answer the plan with its status; with `Prefer: wait=20` once that is an end state, or after 20 seconds.

    Send the ETag in `If-None-Match`, and a plan that has not changed is answered 304 without a body.

    As a workbook with `?format=xlsx`, one table as CSV with `?format=csv&table=load_windows`, all tables with `?format=zip`; a file's
    ETag is a weak one.
    """
    state = await plan_of(engine, caller, plan_id)
    if preferences.wait is not None:
        state = await followed(engine, caller, plan_id, preferences.wait)
    return await answer_wanted(call, parts, caller, state, wanted, Preferences(wait=preferences.wait).applied())


@router.post(
    "/{plan_id}/stop", operation_id="stop_plan", summary="Stop, and keep the best plan", status_code=202,
    openapi_extra={"parameters": [IF_MATCH]},
    responses={
        **plan_answers("The solve is told to stop", 202, "ETag"), **guarded_answers(UNKNOWN_PLAN, ALREADY_ENDED, BAD_HEADER, CHANGED),
    },
)
async def stop_plan(call: Request, plan_id: PlanId, caller: Planner, engine: EngineOf, parts: PartsOf) -> Response:
    """End the solve: its best plan so far becomes `ready`; one with no plan yet becomes `stopped`. A body is not read."""
    await plan_of(engine, caller, plan_id)
    await engine.stop(plan_id, caller.tenant, unless_changed(call, caller, plan_id))
    return await answer_plan(parts, caller, await engine.status(plan_id, caller.tenant), 202)


@router.delete(
    "/{plan_id}", operation_id="delete_plan", summary="Forget a plan", status_code=204,
    openapi_extra={"parameters": [IF_MATCH]}, responses=guarded_answers(UNKNOWN_PLAN, BAD_HEADER, CHANGED), response_class=Response,
    response_description="The plan is forgotten",
)
async def delete_plan(call: Request, plan_id: PlanId, caller: Planner, engine: EngineOf) -> None:
    """Forget the plan; a solve that runs ends."""
    await plan_of(engine, caller, plan_id)
    await engine.cancel(plan_id, caller.tenant, unless_changed(call, caller, plan_id))
