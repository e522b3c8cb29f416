"""Asking by form: what a planner types in a browser becomes a question, and its page the answer."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from platerota_service.access.callers import Caller, FormPlanner, PagePlanner
from platerota_service.answer_pages import HTML
from platerota_service.answers import Answers, guarded_answers
from platerota_service.bases import Base, read_base
from platerota_service.board import (
    EVERY_KIND,
    LEVERS_FIELDS,
    PROMISE_FIELDS,
    RUSH_FIELDS,
    Asked,
    Page,
    Standing,
    Viewer,
    levers_page,
    promise_page,
    rush_page,
)
from platerota_service.bodies import FORM, read_form
from platerota_service.browser_problems import by_browser
from platerota_service.calls import EngineOf, Parts, PartsOf, PlanId
from platerota_service.engine import Engine
from platerota_service.etags import FRESHNESS
from platerota_service.kinds import (
    BUSY,
    FAULTS,
    FOREIGN_FORM,
    NO_FORM,
    NOT_READY,
    TOO_LARGE,
    UNKNOWN_PLAN,
    UNREADABLE,
    WRONG_MEDIA_TYPE,
)
from platerota_service.looking import viewer_of
from platerota_service.plan_making import plan_of
from platerota_service.problems import ProblemError
from platerota_service.questions.asking import NewQuestion
from platerota_service.questions.begun import begun_caution
from platerota_service.questions.levers import read_levers
from platerota_service.questions.promises import read_promise
from platerota_service.questions.rush_orders import read_rush
from platerota_service.store import now_ms
from platerota_shared.faults import RequestRefused
from platerota_shared.tables import PlanRequest

router = APIRouter(prefix="/v1", tags=["pages"])

_LONGEST_FORM: Final = 32_768
_NUMBER: Final = re.compile(r"[0-9]{1,9}([.,][0-9]{1,6})?")
_NUMBERS: Final = ("quantity", "weight", "certainty")

Fields = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class _Form:
    """A form.

    Attributes
    ----------
    fields
        Its fields, named as those of the body that they become.
    place
        Where in that body they stand, as the beginning of a pointer.
    body
        Makes that body of them.
    read
        Reads the question in it.
    page
        Shows it.
    """

    fields: tuple[str, ...]
    place: str
    body: Callable[[Fields], Fields]
    read: Callable[[bytes, Base], NewQuestion]
    page: Callable[[Standing, PlanRequest, Asked, Viewer], Page]


_RUSH: Final = _Form(RUSH_FIELDS, "/order/", lambda fields: {"order": fields}, read_rush, rush_page)
_PROMISE: Final = _Form(PROMISE_FIELDS, "/", lambda fields: fields, read_promise, promise_page)
_LEVERS: Final = _Form(LEVERS_FIELDS, "/", lambda fields: _kinds(**fields), read_levers, levers_page)

_PAGE: Final[Answers] = {200: {"description": "The form, one HTML page", "content": HTML}}
_ASKED: Final[Answers] = {
    303: {"description": "It is asked", "headers": {
        "Location": {"description": "The page of the answer.", "schema": {"type": "string"}},
    }},
}
_REFUSED: Final = guarded_answers(UNKNOWN_PLAN, NOT_READY, FAULTS, FOREIGN_FORM, TOO_LARGE, NO_FORM, WRONG_MEDIA_TYPE, UNREADABLE, BUSY)


_OTHER_WORDS: Final = {
    "certainty": "How sure the date should be, 0.5 to 0.999.",
    "kinds": f"What may change: `{EVERY_KIND}`, or one of the `kinds` of `POST /v1/plans/{{id}}/levers`.",
}
"""What the fields are that are none of an order."""


def _kinds(kinds: str = EVERY_KIND) -> Fields:
    """The body of the question for levers."""
    return {} if kinds == EVERY_KIND else {"kinds": [kinds]}


def _described(form: _Form, required: list[str], summary: str, example: Mapping[str, str]) -> dict[str, Any]:
    """The described body of a form."""
    token = {"type": "string", "description": "What the page put there: it proves that the form is one of the session."}
    properties = {name: {"type": "string", "description": f"The order's `{name}`."} for name in form.fields} | {"token": token}
    properties |= {name: {"type": "string", "description": words} for name, words in _OTHER_WORDS.items() if name in properties}
    return {"required": True, "description": "The form of the page.", "content": {FORM: {
        "schema": {"type": "object", "required": required, "properties": properties},
        "examples": {"asked": {"summary": summary, "value": {**example, "token": ""}}},
    }}}


_RUSH_BODY: Final = _described(_RUSH, ["id", "part", "quantity", "due"], "Eight in a hurry", {
    "id": "rush 1", "part": "bracket", "quantity": "8", "due": "2027-03-01T07:15", "release": "", "weight": "5",
})
_PROMISE_BODY: Final = _described(_PROMISE, ["part", "quantity"], "Eight, nearly surely", {
    "part": "bracket", "quantity": "8", "certainty": "0.95", "due": "", "release": "",
})
_LEVERS_BODY: Final = _described(_LEVERS, [], "One more plate", {"kinds": "plate"})


@router.get(
    "/plans/{plan_id}/board/rush-order", operation_id="get_rush_form", summary="The form to ask for a rush order", response_class=Response,
    responses={**_PAGE, **guarded_answers(UNKNOWN_PLAN, NOT_READY)},
)
async def get_rush_form(plan_id: PlanId, caller: PagePlanner, engine: EngineOf) -> Response:
    """Show the form: which part, how many, due when. A key for planning is needed, given at `/v1/sign-in`."""
    return await _shown(_RUSH, plan_id, caller, engine)


@router.post(
    "/plans/{plan_id}/board/rush-order", operation_id="ask_by_form", summary="Ask for a rush order by form", status_code=303,
    response_class=Response, openapi_extra={"requestBody": _RUSH_BODY}, responses={**_ASKED, **_REFUSED},
)
async def ask_by_form(call: Request, plan_id: PlanId, caller: FormPlanner, parts: PartsOf) -> Response:
    """Ask what one more order would cost in a ready plan, and go on to the page of the answer. A browser is shown faults in the form.

    Programs ask by `POST /v1/plans/{id}/rush-orders`.
    """
    return await _taken(_RUSH, call, plan_id, caller, parts)


@router.get(
    "/plans/{plan_id}/board/promise", operation_id="get_promise_form", summary="The form to ask what date can be promised",
    response_class=Response, responses={**_PAGE, **guarded_answers(UNKNOWN_PLAN, NOT_READY)},
)
async def get_promise_form(plan_id: PlanId, caller: PagePlanner, engine: EngineOf) -> Response:
    """Show the form: which part, how many, how sure. A key for planning is needed, given at `/v1/sign-in`."""
    return await _shown(_PROMISE, plan_id, caller, engine)


@router.post(
    "/plans/{plan_id}/board/promise", operation_id="ask_promise_by_form", summary="Ask by form what date can be promised", status_code=303,
    response_class=Response, openapi_extra={"requestBody": _PROMISE_BODY}, responses={**_ASKED, **_REFUSED},
)
async def ask_promise_by_form(call: Request, plan_id: PlanId, caller: FormPlanner, parts: PartsOf) -> Response:
    """Ask what date can be promised beside a ready plan, and go on to the page of the answer. A browser is shown faults in the form.

    Programs ask by `POST /v1/plans/{id}/promises`.
    """
    return await _taken(_PROMISE, call, plan_id, caller, parts)


@router.get(
    "/plans/{plan_id}/board/levers", operation_id="get_levers_form", summary="The form to ask which single change helps most",
    response_class=Response, responses={**_PAGE, **guarded_answers(UNKNOWN_PLAN, NOT_READY)},
)
async def get_levers_form(plan_id: PlanId, caller: PagePlanner, engine: EngineOf) -> Response:
    """Show the form: what might change. A key for planning is needed, given at `/v1/sign-in`."""
    return await _shown(_LEVERS, plan_id, caller, engine)


@router.post(
    "/plans/{plan_id}/board/levers", operation_id="ask_levers_by_form", summary="Ask by form which single change helps most",
    status_code=303, response_class=Response, openapi_extra={"requestBody": _LEVERS_BODY}, responses={**_ASKED, **_REFUSED},
)
async def ask_levers_by_form(call: Request, plan_id: PlanId, caller: FormPlanner, parts: PartsOf) -> Response:
    """Ask which single change helps a ready plan most, and go on to the page of the answer. A browser is shown faults in the form.

    Programs ask by `POST /v1/plans/{id}/levers`.
    """
    return await _taken(_LEVERS, call, plan_id, caller, parts)


async def _shown(form: _Form, plan_id: str, caller: Caller, engine: Engine) -> Response:
    standing, request = await _base(engine, caller, plan_id)
    return await _page(form, standing, request, caller, {}, {}, 200)


async def _taken(form: _Form, call: Request, plan_id: str, caller: Caller, parts: Parts) -> Response:
    """Ask what the form asks, or show its faults."""
    given = await read_form(call, _LONGEST_FORM)
    _check_token(caller, given.get("token", ""))
    standing, request = await _base(parts.engine, caller, plan_id)
    body = json.dumps(form.body(_fields(form, given))).encode()
    try:
        question = await asyncio.to_thread(lambda: form.read(body, read_base(parts.store, caller.tenant, plan_id)))
    except RequestRefused as refused:
        if not by_browser(call.headers):
            raise
        return await _page(form, standing, request, caller, given, _by_field(form, refused), 422)
    # Somebody looks at the screen: it goes before what waits.
    asked = await asyncio.to_thread(parts.questions.ask, question, caller.tenant, rush=True)
    return Response(status_code=303, headers={"Location": f"/v1/questions/{asked}/board"})


async def _base(engine: Engine, caller: Caller, plan_id: str) -> tuple[Standing, PlanRequest]:
    """The plan that is asked about, and its request; refused while there is none."""
    state = await plan_of(engine, caller, plan_id)
    if state.status != "ready":
        raise ProblemError(NOT_READY, f"the plan '{plan_id}', from which it starts, is {state.status}")
    return Standing(await asyncio.to_thread(lambda: state.plan)), await engine.request(plan_id, caller.tenant)


async def _page(
    form: _Form, standing: Standing, request: PlanRequest, caller: Caller, values: Mapping[str, str],
    wrong: Mapping[str, tuple[str, ...]], status: int,
) -> Response:
    session, key = caller.session, caller.key
    token = session.form_token(key.hash) if session is not None and key is not None else ""
    shown = {name: values[name] for name in form.fields if name in values}
    asked = Asked(token, shown, wrong, begun_caution(standing.plan, now_ms() // 1_000) or "")
    page = await asyncio.to_thread(form.page, standing, request, asked, viewer_of(caller))
    headers = {**page.headers, **FRESHNESS, "Cache-Control": "no-store"}
    return Response(page.html, status_code=status, headers=headers, media_type="text/html")


def _check_token(caller: Caller, token: str) -> None:
    if caller.session is not None and caller.key is not None and not caller.session.carries(caller.key.hash, token):
        raise ProblemError(FOREIGN_FORM, "the form was made for another session")


def _fields(form: _Form, given: Mapping[str, str]) -> Fields:
    """What the form asks for; what it does not understand stays as it was typed, for the checks to name."""
    fields: dict[str, Any] = {name: given[name].strip() for name in form.fields if given.get(name, "").strip()}
    for name in _NUMBERS:
        if name in fields and _NUMBER.fullmatch(fields[name]):
            number = float(fields[name].replace(",", "."))
            fields[name] = int(number) if number.is_integer() else number
    return fields


def _by_field(form: _Form, refused: RequestRefused) -> dict[str, tuple[str, ...]]:
    """What is wrong by the field of the form where it lies; what lies in none under an empty name."""
    found: dict[str, tuple[str, ...]] = {}
    for fault in refused.faults:
        name = fault.pointer.removeprefix(form.place)
        name = name if name in form.fields else ""
        found[name] = (*found.get(name, ()), f"{fault.detail}; {fault.mend}")
    return found
