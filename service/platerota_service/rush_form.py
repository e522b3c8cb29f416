"""Asking for a rush order by form: what a planner types in a browser becomes a question, and its page the answer."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Mapping
from importlib.metadata import version
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from platerota_service.access.callers import Caller, FormPlanner, LinkReader, PagePlanner
from platerota_service.answers import Answers, guarded_answers, not_changed
from platerota_service.bases import read_base
from platerota_service.board import Asked, AskedRush, Page, Standing, rush_answer_page, rush_page
from platerota_service.board.rush_page import FIELDS
from platerota_service.bodies import FORM, read_form
from platerota_service.browser_problems import by_browser
from platerota_service.calls import EngineOf, PartsOf, PlanId, QuestionId, QuestionsOf
from platerota_service.engine import ENDED, Engine, UnknownPlan
from platerota_service.etags import FRESHNESS, already_seen
from platerota_service.kinds import (
    BAD_HEADER,
    BUSY,
    FAULTS,
    FOREIGN_FORM,
    NO_FORM,
    NO_SUCH_PART,
    NOT_READY,
    TOO_LARGE,
    UNKNOWN_PLAN,
    UNKNOWN_QUESTION,
    UNREADABLE,
    WRONG_MEDIA_TYPE,
)
from platerota_service.looking import viewer_of, way_in
from platerota_service.plan_making import plan_of
from platerota_service.problems import ProblemError
from platerota_service.questions.book import QuestionState
from platerota_service.questions.rush_orders import RUSH_ORDER, read_rush
from platerota_shared.faults import RequestRefused
from platerota_shared.tables import PlanRequest

router = APIRouter(prefix="/v1", tags=["pages"])

_LONGEST_FORM: Final = 32_768
_NUMBER: Final = re.compile(r"[0-9]{1,9}([.,][0-9]{1,6})?")

_HTML: Final[dict[str, Any]] = {"text/html": {"schema": {"type": "string"}, "examples": {
    "beginning": {"summary": "How it begins", "value": "<!doctype html>\n<html lang=\"en\">…"},
}}}
_PAGE: Final[Answers] = {200: {"description": "The form, one HTML page", "content": _HTML}}
_ASKED: Final[Answers] = {
    303: {"description": "It is asked", "headers": {
        "Location": {"description": "The page of the answer.", "schema": {"type": "string"}},
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
    "/plans/{plan_id}/board/rush-order", operation_id="get_rush_form", summary="The form to ask for a rush order", response_class=Response,
    responses={**_PAGE, **guarded_answers(UNKNOWN_PLAN, NOT_READY)},
)
async def get_rush_form(plan_id: PlanId, caller: PagePlanner, engine: EngineOf) -> Response:
    """Show the form: which part, how many, due when. A key for planning is needed, given at `/v1/sign-in`."""
    standing, request = await _base(engine, caller, plan_id)
    return await _form(standing, request, caller, {}, {}, 200)


@router.post(
    "/plans/{plan_id}/board/rush-order", operation_id="ask_by_form", summary="Ask for a rush order by form", status_code=303,
    response_class=Response,
    openapi_extra={"requestBody": _BODY},
    responses={
        **_ASKED,
        **guarded_answers(
            UNKNOWN_PLAN, NOT_READY, FAULTS, FOREIGN_FORM, TOO_LARGE, NO_FORM, WRONG_MEDIA_TYPE, UNREADABLE, BUSY,
        ),
    },
)
async def ask_by_form(call: Request, plan_id: PlanId, caller: FormPlanner, engine: EngineOf, parts: PartsOf) -> Response:
    """Ask what one more order would cost in a ready plan, and go on to the page of the answer. A browser is shown faults in the form.

    Programs ask by `POST /v1/plans/{id}/rush-orders`.
    """
    given = await read_form(call, _LONGEST_FORM)
    _check_token(caller, given.get("token", ""))
    standing, request = await _base(engine, caller, plan_id)
    body = json.dumps({"order": _order(given)}).encode()
    try:
        question = await asyncio.to_thread(lambda: read_rush(body, read_base(parts.store, caller.tenant, plan_id)))
    except RequestRefused as refused:
        if not by_browser(call.headers):
            raise
        return await _form(standing, request, caller, given, _by_field(refused), 422)
    # Somebody looks at the screen: it goes before what waits.
    asked = await asyncio.to_thread(parts.questions.ask, question, caller.tenant, rush=True)
    return Response(status_code=303, headers={"Location": f"/v1/questions/{asked}/board"})


@router.get(
    "/questions/{question_id}/board", operation_id="get_rush_answer_page", summary="The answer to a rush order, to read",
    response_class=Response,
    responses={
        200: {"description": "The answer so far, one HTML page", "content": _HTML}, **not_changed(),
        **guarded_answers(UNKNOWN_QUESTION, NO_SUCH_PART, BAD_HEADER),
    },
)
async def get_rush_answer_page(
    call: Request, question_id: QuestionId, caller: LinkReader, engine: EngineOf, questions: QuestionsOf,
) -> Response:
    """Show what can be done for a rush order in words: when it would be done, who pays, what it takes, and the way to each plan."""
    state = await asyncio.to_thread(questions.read, question_id, caller.tenant)
    if state.row.kind != RUSH_ORDER:
        words = f"the question '{question_id}' is of the kind {state.row.kind}; its answer is at /v1/questions/{question_id}"
        raise ProblemError(NO_SUCH_PART, words)
    base_there = await _is_there(engine, caller, state.row.base_id)
    tag = f'W/"{state.tag.strip(chr(34))}{way_in(caller)}{"-base" if base_there else ""}-{version("platerota")}"'
    headers = {"ETag": tag, **FRESHNESS}
    if already_seen(call, tag):
        return Response(status_code=304, headers=headers)
    page = await asyncio.to_thread(rush_answer_page, _asked(state, base_there), viewer_of(caller))
    return Response(page.html, headers={**page.headers, **headers}, media_type="text/html")


async def _is_there(engine: Engine, caller: Caller, plan_id: str) -> bool:
    try:
        await engine.status(plan_id, caller.tenant)
    except UnknownPlan:
        return False
    return True


def _asked(state: QuestionState, base_there: bool) -> AskedRush:
    row = state.row
    ends = [plan.state in ENDED for plan in state.plans.values()]
    done = sum(ends) + len(state.children) - len(ends)
    return AskedRush(
        row.id, state.status, row.base_id, base_there, json.loads(row.asked)["order"], row.problem, done, len(state.children),
        json.loads(row.answer) if row.answer is not None else None,
    )


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
    """The order that the form asks for; what it does not understand stays as it was typed, for the checks to name."""
    fields: dict[str, Any] = {name: given[name].strip() for name in FIELDS if given.get(name, "").strip()}
    for name in ("quantity", "weight"):
        if name in fields and _NUMBER.fullmatch(fields[name]):
            number = float(fields[name].replace(",", "."))
            fields[name] = int(number) if number.is_integer() else number
    return fields


def _by_field(refused: RequestRefused) -> dict[str, tuple[str, ...]]:
    """What is wrong by the field of the form where it lies; what lies in none under an empty name."""
    found: dict[str, tuple[str, ...]] = {}
    for fault in refused.faults:
        name = fault.pointer.removeprefix("/order/")
        name = name if name in FIELDS else ""
        found[name] = (*found.get(name, ()), f"{fault.detail}; {fault.mend}")
    return found
