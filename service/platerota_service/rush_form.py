"""Asking for a rush order by form: what a planner types in a browser becomes a what-if, and its board the answer."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from platerota_service.access.callers import Caller, FormPlanner, PagePlanner
from platerota_service.answers import Answers, guarded_answers
from platerota_service.board import Asked, Page, Standing, rush_page
from platerota_service.board.rush_page import FIELDS
from platerota_service.bodies import FORM, read_form
from platerota_service.browser_problems import by_browser
from platerota_service.calls import EngineOf, PartsOf, PlanId
from platerota_service.engine import Engine
from platerota_service.etags import FRESHNESS
from platerota_service.kinds import BUSY, FAULTS, FOREIGN_FORM, NO_FORM, NOT_READY, TOO_LARGE, UNKNOWN_PLAN, UNREADABLE, WRONG_MEDIA_TYPE
from platerota_service.looking import viewer_of
from platerota_service.plan_making import plan_of
from platerota_service.problems import ProblemError
from platerota_service.what_ifs import what_if_submission
from platerota_shared.faults import RequestRefused
from platerota_shared.tables import PlanRequest

router = APIRouter(prefix="/v1/plans/{plan_id}/board", tags=["pages"])

ANSWER_SECONDS: Final = 10.0
"""What a form's what-if is solved for at most: somebody looks at the screen."""
_LONGEST_FORM: Final = 32_768
_NUMBER: Final = re.compile(r"[0-9]{1,9}([.,][0-9]{1,6})?")

_HTML: Final[dict[str, Any]] = {"text/html": {"schema": {"type": "string"}, "examples": {
    "beginning": {"summary": "How it begins", "value": "<!doctype html>\n<html lang=\"en\">…"},
}}}
_PAGE: Final[Answers] = {200: {"description": "The form, one HTML page", "content": _HTML}}
_ASKED: Final[Answers] = {
    303: {"description": "It is asked; the answer is a plan of its own", "headers": {
        "Location": {"description": "The board of that plan.", "schema": {"type": "string"}},
    }},
}
_BODY: Final[dict[str, Any]] = {
    "required": True, "description": "The form of the page.",
    "content": {FORM: {
        "schema": {
            "type": "object", "required": ["id", "part", "quantity", "due"],
            "properties": {name: {"type": "string", "description": f"The order's `{name}`."} for name in FIELDS}
            | {"token": {"type": "string", "description": "What the page put there: it proves that the form is one of the session."}},
        },
        "examples": {"rush": {"summary": "Eight in a hurry", "value": {
            "id": "rush 1", "part": "bracket", "quantity": "8", "due": "2027-03-01T07:15", "release": "", "weight": "5", "token": "",
        }}},
    }},
}


@router.get(
    "/rush-order", operation_id="get_rush_form", summary="The form to ask for a rush order", response_class=Response,
    responses={**_PAGE, **guarded_answers(UNKNOWN_PLAN, NOT_READY)},
)
async def get_rush_form(plan_id: PlanId, caller: PagePlanner, engine: EngineOf) -> Response:
    """Show the form: which part, how many, due when. A key for planning is needed, given at `/v1/sign-in`."""
    standing, request = await _base(engine, caller, plan_id)
    return await _form(standing, request, caller, {}, {}, 200)


@router.post(
    "/rush-order", operation_id="ask_by_form", summary="Ask for a rush order by form", status_code=303, response_class=Response,
    openapi_extra={"requestBody": _BODY},
    responses={
        **_ASKED,
        **guarded_answers(
            UNKNOWN_PLAN, NOT_READY, FAULTS, FOREIGN_FORM, TOO_LARGE, NO_FORM, WRONG_MEDIA_TYPE, UNREADABLE, BUSY,
        ),
    },
)
async def ask_by_form(call: Request, plan_id: PlanId, caller: FormPlanner, engine: EngineOf, parts: PartsOf) -> Response:
    """Ask what one more order would do to a ready plan, and go on to the board of the what-if. A browser is shown faults in the form.

    Programs ask by `POST /v1/plans/{id}/what-ifs`.
    """
    given = await read_form(call, _LONGEST_FORM)
    _check_token(caller, given.get("token", ""))
    standing, request = await _base(engine, caller, plan_id)
    body = json.dumps({"changes": [_order(given)], **_settings(request)}).encode()
    try:
        submission = await asyncio.to_thread(what_if_submission, parts.store, caller.tenant, plan_id, body)
    except RequestRefused as refused:
        if not by_browser(call.headers):
            raise
        return await _form(standing, request, caller, given, _by_field(refused), 422)
    asked = await engine.submit(replace(submission, tenant=caller.tenant))
    return Response(status_code=303, headers={"Location": f"/v1/plans/{asked}/board"})


async def _base(engine: Engine, caller: Caller, plan_id: str) -> tuple[Standing, PlanRequest]:
    """The plan to which the order would come, and its request; refused while there is none."""
    state = await plan_of(engine, caller, plan_id)
    if state.status != "ready":
        raise ProblemError(NOT_READY, f"the plan '{plan_id}', to which the order would come, is {state.status}")
    return Standing(await asyncio.to_thread(lambda: state.plan)), await engine.request(plan_id, caller.tenant)


async def _form(
    standing: Standing, request: PlanRequest, caller: Caller, values: Mapping[str, str], wrong: Mapping[str, tuple[str, ...]], status: int,
) -> Response:
    session, key = caller.session, caller.key
    token = session.form_token(key.hash) if session is not None and key is not None else ""
    shown = {name: values[name] for name in FIELDS if name in values}
    page: Page = await asyncio.to_thread(rush_page, standing, request, Asked(token, shown, wrong), viewer_of(caller))
    headers = {**page.headers, **FRESHNESS, "Cache-Control": "no-store"}
    return Response(page.html, status_code=status, headers=headers, media_type="text/html")


def _check_token(caller: Caller, token: str) -> None:
    if caller.session is not None and caller.key is not None and not caller.session.carries(caller.key.hash, token):
        raise ProblemError(FOREIGN_FORM, "the form was made for another session")


def _order(given: Mapping[str, str]) -> dict[str, Any]:
    """The change that the form asks for; what it does not understand stays as it was typed, for the checks to name."""
    fields: dict[str, Any] = {name: given[name].strip() for name in FIELDS if given.get(name, "").strip()}
    for name in ("quantity", "weight"):
        if name in fields and _NUMBER.fullmatch(fields[name]):
            number = float(fields[name].replace(",", "."))
            fields[name] = int(number) if number.is_integer() else number
    return {"kind": "add_order", **fields}


def _settings(request: PlanRequest) -> dict[str, Any]:
    return {"settings": {"solve_seconds": ANSWER_SECONDS}} if request.settings.solve_seconds > ANSWER_SECONDS else {}


def _by_field(refused: RequestRefused) -> dict[str, tuple[str, ...]]:
    """What is wrong by the field of the form where it lies; what lies in none under an empty name."""
    found: dict[str, tuple[str, ...]] = {}
    for fault in refused.faults:
        name = fault.pointer.removeprefix("/changes/0/")
        name = name if name in FIELDS else ""
        found[name] = (*found.get(name, ()), f"{fault.detail}; {fault.mend}")
    return found
