"""The call for the calendar of load windows."""

from __future__ import annotations

import asyncio
import datetime as dt
from typing import Annotated, Final

from fastapi import APIRouter, Query, Request, Response

from platerota_service.access.callers import Caller, LinkReader
from platerota_service.answers import Answers, guarded_answers, not_changed
from platerota_service.calendar_file import load_windows_calendar
from platerota_service.calls import Parts, PartsOf, PlanId
from platerota_service.etags import FRESHNESS, already_seen, file_tag
from platerota_service.kinds import BAD_HEADER, FAULTS, UNKNOWN_OPERATOR, UNKNOWN_PLAN
from platerota_service.plan_making import plan_of
from platerota_service.problems import ProblemError
from platerota_service.shops.facts import shops_of

router = APIRouter(prefix="/v1/plans", tags=["sheets"])

CALENDAR: Final = "text/calendar; charset=utf-8"
_EXAMPLE: Final = (
    "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//platerota//load windows//EN\r\nBEGIN:VEVENT\r\n"
    "UID:0b0a5b7e-6f0c-5d3b-9d5e-1f6f1d2a7c55\r\nDTSTAMP:20270301T055500Z\r\nSEQUENCE:0\r\nSTATUS:TENTATIVE\r\n"
    "DTSTART;TZID=Europe/Lisbon:20270301T060000\r\nDTEND;TZID=Europe/Lisbon:20270301T060200\r\nSUMMARY:Load P1 for mill-1\r\n"
    "END:VEVENT\r\nEND:VCALENDAR\r\n"
)
CALENDAR_ANSWER: Final[Answers] = {
    200: {
        "description": "The calendar; without events before the first plan",
        "content": {"text/calendar": {"schema": {"type": "string"}, "examples": {"one": {"summary": "One load", "value": _EXAMPLE}}}},
    },
}
OperatorAsked = Annotated[str | None, Query(description="Whose loads, by id; everybody's where not given.", examples=["ana"])]
"""The operator whose loads are asked for."""


@router.get(
    "/{plan_id}/load-windows.ics", operation_id="get_load_windows_calendar", summary="Load windows as a calendar",
    responses={**CALENDAR_ANSWER, **not_changed(), **guarded_answers(UNKNOWN_PLAN, UNKNOWN_OPERATOR, BAD_HEADER, FAULTS)},
    response_class=Response,
)
async def get_load_windows_calendar(
    call: Request, plan_id: PlanId, caller: LinkReader, parts: PartsOf, operator: OperatorAsked = None,
) -> Response:
    """Answer one event for each load: the plan's own time, in the description the window around it, the pieces, the notes and the cautions.

    Subscribe to it, by a signed link where keys exist: an event keeps its UID for as long as the plan lives, and its SEQUENCE rises
    with each change of the plan or its release. Events are CONFIRMED while the plan is the one its shop works by, else TENTATIVE.
    `/v1/shops/{id}/plan/load-windows.ics` is that of whichever plan the shop works by.
    """
    return await answer_calendar(call, parts, caller, plan_id, operator)


async def answer_calendar(call: Request, parts: Parts, caller: Caller, plan_id: str, operator: str | None) -> Response:
    """The calendar of a plan; 304 where `call` has seen it already."""
    engine = parts.engine
    state = await plan_of(engine, caller, plan_id)
    shop = (await asyncio.to_thread(shops_of, parts.store, caller.tenant, [plan_id])).get(plan_id)
    released = shop is not None and shop.released
    headers = {"ETag": file_tag(state, more="-released" if released else ""), **FRESHNESS}
    if already_seen(call, headers["ETag"]):
        return Response(status_code=304, headers=headers)
    request = await engine.request(plan_id, caller.tenant)
    known = [person.id for person in request.shop.operators]
    if operator is not None and operator not in known:
        raise ProblemError(UNKNOWN_OPERATOR, f"there is no operator '{operator[:60]}'; there are {', '.join(known) or 'none'}")
    content = await asyncio.to_thread(lambda: load_windows_calendar(
        state.plan, stamp=dt.datetime.now(dt.UTC), operator=operator, released=released, revision=state.revision,
        request=request,
    ))
    return Response(content, media_type=CALENDAR, headers={"Content-Disposition": 'inline; filename="load-windows.ics"', **headers})
