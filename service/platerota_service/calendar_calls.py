"""The call for the calendar of load windows."""

from __future__ import annotations

import asyncio
import datetime as dt
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Query, Response

from platerota_service.answers import Answers, problem_answers
from platerota_service.calendar_file import load_windows_calendar
from platerota_service.calls import EngineOf, PlanId
from platerota_service.engine import PlanState
from platerota_service.problems import FAULTS, UNKNOWN_OPERATOR, UNKNOWN_PLAN, ProblemError

router = APIRouter(prefix="/v1/plans", tags=["sheets"])

CALENDAR: Final = "text/calendar; charset=utf-8"
_EXAMPLE: Final = (
    "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//platerota//load windows//EN\r\nBEGIN:VEVENT\r\n"
    "UID:0b0a5b7e-6f0c-5d3b-9d5e-1f6f1d2a7c55\r\nDTSTAMP:20270301T055500Z\r\nSEQUENCE:0\r\nSTATUS:TENTATIVE\r\n"
    "DTSTART;TZID=Europe/Lisbon:20270301T060000\r\nDTEND;TZID=Europe/Lisbon:20270301T060200\r\nSUMMARY:Load P1 for mill-1\r\n"
    "END:VEVENT\r\nEND:VCALENDAR\r\n"
)
_ANSWER: Final[Answers] = {
    200: {
        "description": "The calendar; without events before the first plan",
        "content": {"text/calendar": {"schema": {"type": "string"}, "examples": {"one": {"summary": "One load", "value": _EXAMPLE}}}},
    },
}


async def _calendar_link() -> None:
    """Who may read a calendar without sending a header: the place for the check of the signed link, as nobody is asked for a key yet."""


CalendarLink = Depends(_calendar_link)
"""Stands before the call, so that the check of an expiring signed link is put in one place."""


@router.get(
    "/{plan_id}/load-windows.ics", operation_id="get_load_windows_calendar", summary="Load windows as a calendar",
    responses={**_ANSWER, **problem_answers(UNKNOWN_PLAN, UNKNOWN_OPERATOR, FAULTS)}, response_class=Response, dependencies=[CalendarLink],
)
async def get_load_windows_calendar(
    plan_id: PlanId, engine: EngineOf,
    operator: Annotated[str | None, Query(description="Whose loads, by id; everybody's where not given.", examples=["ana"])] = None,
) -> Response:
    """Answer one event for each load: the plan's own time, in the description the window around it, the pieces and the cautions.

    Subscribe to it: an event keeps its UID for as long as the plan lives. Events are TENTATIVE until the plan is released.
    """
    state, request = await engine.status(plan_id), await engine.request(plan_id)
    known = [person.id for person in request.shop.operators]
    if operator is not None and operator not in known:
        raise ProblemError(UNKNOWN_OPERATOR, f"there is no operator '{operator[:60]}'; there are {', '.join(known) or 'none'}")
    released, revision = _release_of(state)
    content = await asyncio.to_thread(
        load_windows_calendar, state.plan, stamp=dt.datetime.now(dt.UTC), operator=operator, released=released, revision=revision,
        request=request,
    )
    return Response(content, media_type=CALENDAR, headers={"Content-Disposition": 'inline; filename="load-windows.ics"'})


def _release_of(state: PlanState) -> tuple[bool, int]:
    """Whether a plan is released and how often that or the plan changed: never, as an ended plan stays and none can be released yet."""
    return False, 1 if state.ended else 0
