"""The call that makes signed links."""

from __future__ import annotations

import asyncio
import time
from typing import Annotated, Any, Final
from urllib.parse import parse_qsl, urlsplit
from zoneinfo import ZoneInfo

from fastapi import APIRouter, FastAPI, Request
from pydantic import BaseModel, Field
from starlette.routing import compile_path

from platerota_service.access.callers import LINK_SCHEME, Reader
from platerota_service.access.links import EXPIRES, KEY, LONGEST_HOURS, SIGNATURE, sign
from platerota_service.answers import guarded_answers, reference, with_example
from platerota_service.bodies import read_body
from platerota_service.kinds import FAULTS, TOO_LARGE, UNREADABLE, WRONG_MEDIA_TYPE
from platerota_service.parameters import unknown_parameters
from platerota_service.problems import ProblemError, ProblemFault
from platerota_shared.document import duplicate_keys, read_document
from platerota_shared.faults import RequestRefused
from platerota_shared.fields import Whole
from platerota_shared.instants import local_text
from platerota_shared.records import read_row
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import Row

router = APIRouter(prefix="/v1/links", tags=["service"])

_LONGEST_BODY: Final = 16_384
_PLAN: Final = "/v1/plans/3f2b8a4c9d5e4f60a1b2c3d4e5f60718"


class LinkRequest(Row):
    """What a signed link shall lead to."""

    path: str
    """The address, with its query where it has one, such as `/v1/plans/{id}`; its call must accept links."""
    hours: Annotated[Whole, Field(ge=1, le=LONGEST_HOURS)] = 24
    """Hours that it lives; a calendar that subscribes needs months."""


class Link(BaseModel):
    """A link that may be given to a program or a person."""

    model_config = with_example({
        "href": f"{_PLAN}?key=0123456789abcdef&expires=1803873600&signature={'9f86d081884c7d65' * 4}",
        "expires": "2027-03-01T04:00:00+00:00",
    })

    href: str = Field(description="The address; whoever has it may GET what is there.")
    expires: str | None = Field(description="When it ends, UTC, if its key is not revoked before; null where no keys exist.")


_BODY: Final[dict[str, Any]] = {
    "required": True, "description": "What the link shall lead to, and for how long.",
    "content": {"application/json": {
        "schema": reference("LinkRequest"), "examples": {"plan": {"summary": "A plan, for a day", "value": {"path": _PLAN, "hours": 24}}},
    }},
}


@router.post(
    "", operation_id="create_link", summary="Make a signed link", response_description="The link", openapi_extra={"requestBody": _BODY},
    responses=guarded_answers(UNREADABLE, TOO_LARGE, WRONG_MEDIA_TYPE, FAULTS),
)
async def create_link(call: Request, caller: Reader) -> Link:
    """Sign an address with the caller's key, for programs that can send no header, such as a calendar or a spreadsheet's web query.

    The link allows GET of that one address until it ends or its key is revoked. Calls that accept links say so in their `security`.
    Where no keys exist an address needs no signature.
    """
    wanted = await asyncio.to_thread(_read, await read_body(call, _LONGEST_BODY), call.app)
    if caller.key is None:
        return Link(href=wanted.path, expires=None)
    parts, ends = urlsplit(wanted.path), int(time.time()) + wanted.hours * 3_600
    href = sign(parts.path, parts.query, caller.key.id, caller.key.hash, ends)
    return Link(href=href, expires=local_text(ends, ZoneInfo("UTC")))


def _read(body: bytes, app: FastAPI) -> LinkRequest:
    document = read_document(body)
    record, found = read_row(LinkRequest, document, "", "the link", ZoneInfo("UTC"), Suggestions())
    faults = [*duplicate_keys(document), *found]
    if faults or record.row is None:
        raise RequestRefused(faults)
    if not _linkable(app, record.row.path):
        fault = ProblemFault(
            pointer="/path", code="not-linkable", detail="path: no call that accepts signed links is there",
            mend="give the path of a call whose `security` names `link`, with its query, without host and fragment",
        )
        raise ProblemError(FAULTS, "the request has 1 fault; nothing was stored", errors=[fault])
    unknown = _unknown(app, record.row.path)
    if unknown:
        raise ProblemError(FAULTS, "the address has parameters that its call does not; nothing was stored", errors=unknown)
    return record.row


def _unknown(app: FastAPI, path: str) -> list[ProblemFault]:
    """The parameters in an address that its call does not have; a link to it would be answered as if they were not there."""
    parts = urlsplit(path)
    given = [name for name, _ in parse_qsl(parts.query, keep_blank_values=True)]
    known = {
        one["name"] for call in _gets(app, parts.path) for one in call.get("parameters", ()) if one["in"] == "query"
    }
    return unknown_parameters(given, known, "/path")


def _linkable(app: FastAPI, path: str) -> bool:
    """Whether a call that accepts links is there, and the address could not be taken for one that is signed already."""
    if not path.startswith("/") or path.startswith("//") or not path.isascii() or any(char <= " " for char in path) or len(path) > 2_000:
        return False
    parts = urlsplit(path)
    if parts.fragment or any(name in parts.query for name in (f"{KEY}=", f"{EXPIRES}=", f"{SIGNATURE}=")):
        return False
    return takes(app, parts.path, LINK_SCHEME)


def takes(app: FastAPI, path: str, scheme: str) -> bool:
    """Whether GET of that address may be allowed by a security scheme of the API description."""
    return any(scheme in allowed for call in _gets(app, path) for allowed in call.get("security", ()))


def _gets(app: FastAPI, path: str) -> list[dict[str, Any]]:
    """The described calls that GET of that address may be."""
    return [
        calls["get"] for template, calls in app.openapi()["paths"].items() if "get" in calls and compile_path(template)[0].match(path)
    ]
