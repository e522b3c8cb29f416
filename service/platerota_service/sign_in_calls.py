"""Signing in with a browser, once, with a key; and out again."""

from __future__ import annotations

import asyncio
import re
import time
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request, Response

from platerota_service.access.callers import direct
from platerota_service.access.keys import scopes_of
from platerota_service.access.sessions import COOKIE, LIFE_SECONDS, Session, check_own_form
from platerota_service.access.tokens import Token
from platerota_service.answers import Answers, problem_answers
from platerota_service.board import Page, sign_in_page
from platerota_service.bodies import read_form
from platerota_service.browser_problems import HOURS, by_browser
from platerota_service.calls import Parts, PartsOf
from platerota_service.kinds import (
    FAULTS,
    FOREIGN_FORM,
    KEY_REFUSED,
    NO_FORM,
    STORE,
    TOO_LARGE,
    TOO_MANY_CALLS,
    UNREADABLE,
    WRONG_MEDIA_TYPE,
)
from platerota_service.problems import ProblemError
from platerota_service.store import KeyRow

router = APIRouter(prefix="/v1", tags=["pages"])

FIRST_PAGE: Final = "/v1/board"
_LONGEST_FORM: Final = 8_192
_OURS: Final = re.compile(r"/v1/[!-~]*")

Next = Annotated[str, Query(alias="next", max_length=2_000, description="The page to go on to.", examples=[FIRST_PAGE])]

_PAGE: Final[Answers] = {
    200: {
        "description": "The page, HTML", "content": {"text/html": {"schema": {"type": "string"}, "examples": {
            "beginning": {"summary": "How it begins", "value": "<!doctype html>\n<html lang=\"en\">…"},
        }}},
    },
}
_GONE_ON: Final[Answers] = {
    303: {"description": "Go on there", "headers": {
        name: {"description": words, "schema": {"type": "string"}} for name, words in (
            ("Location", "The page to go on to."), ("Set-Cookie", "The session, or its end."),
        )
    }},
}
_FORM: Final[dict[str, Any]] = {
    "required": True, "description": "The form of the page.",
    "content": {"application/x-www-form-urlencoded": {
        "schema": {
            "type": "object", "required": ["key"], "properties": {
                "key": {"type": "string", "description": "A key, as `platerota keys create` shows it."},
                "next": {"type": "string", "description": "The page to go on to."},
            },
        },
        "examples": {"key": {"summary": "A key", "value": {"key": "plr_…", "next": FIRST_PAGE}}},
    }},
}


@router.get(
    "/sign-in", operation_id="get_sign_in_page", summary="The page that asks for a key", response_class=Response,
    responses={**_PAGE, **problem_answers(FAULTS, STORE)},
)
async def get_sign_in_page(call: Request, parts: PartsOf, following: Next = FIRST_PAGE) -> Response:
    """Ask for a key, for browsers, which cannot send one with an address. Pages ask for it by themselves where it is missing."""
    needless = direct(call) and not await asyncio.to_thread(parts.keys.any)
    return _page(sign_in_page(_ours(following), HOURS, needless=needless), 200)


@router.post(
    "/sign-in", operation_id="sign_in", summary="Sign in with a browser", status_code=303, response_class=Response,
    openapi_extra={"requestBody": _FORM},
    responses={
        **_GONE_ON,
        **problem_answers(KEY_REFUSED, FOREIGN_FORM, TOO_LARGE, NO_FORM, WRONG_MEDIA_TYPE, UNREADABLE, TOO_MANY_CALLS, STORE),
    },
)
async def sign_in(call: Request, parts: PartsOf) -> Response:
    """Take a key and answer with a cookie that stands for it: twelve hours long, or until the key ends.

    The cookie opens every page, picture and file that a signed link can open, and sends the forms of the pages. No other call takes it.
    """
    check_own_form(call)
    given = await read_form(call, _LONGEST_FORM)
    following = _ours(given.get("next", FIRST_PAGE))
    row = await asyncio.to_thread(_key, parts, given.get("key", ""))
    if row is None or "read" not in scopes_of(row):
        wrong = "this key is not one that is valid now" if row is None else "this key may not read plans: it lacks the scope 'read'"
        if not by_browser(call.headers):
            raise ProblemError(KEY_REFUSED, wrong)
        return _page(sign_in_page(following, HOURS, wrong=f"{wrong[:1].upper()}{wrong[1:]}."), 401)
    answer = Response(status_code=303, headers={"Location": following, "Cache-Control": "no-store"})
    _set_cookie(call, answer, str(Session.new(row.id, row.hash, time.time())), LIFE_SECONDS)
    return answer


@router.post(
    "/sign-out", operation_id="sign_out", summary="Sign out of a browser", status_code=303, response_class=Response,
    responses={**_GONE_ON, **problem_answers(FOREIGN_FORM)},
)
async def sign_out(call: Request) -> Response:
    """End the browser's session. A cookie that was copied elsewhere ends with its time or its key."""
    check_own_form(call)
    answer = Response(status_code=303, headers={"Location": "/v1/sign-in", "Cache-Control": "no-store"})
    _set_cookie(call, answer, "", 0)
    return answer


def _set_cookie(call: Request, answer: Response, text: str, seconds: int) -> None:
    # Lax, not Strict: an address of a board in a mail or an ERP opens, and no GET of ours changes anything.
    answer.set_cookie(COOKIE, text, max_age=seconds, path="/", secure=call.url.scheme == "https", httponly=True, samesite="lax")


def _key(parts: Parts, text: str) -> KeyRow | None:
    token = Token.read(text)
    return parts.keys.find(token) if token is not None else None


def _ours(address: str) -> str:
    """An address of this service's own; the list of plans where somebody else put another one there."""
    return address if _OURS.fullmatch(address) else FIRST_PAGE


def _page(page: Page, status: int) -> Response:
    return Response(page.html, status_code=status, headers={**page.headers, "Cache-Control": "no-store"}, media_type="text/html")
