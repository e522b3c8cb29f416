"""Who calls, and what that allows: a key with its tenant and scopes, a signed link, the session of a browser, or, without any keys,
whoever is on this computer.
"""

from __future__ import annotations

import asyncio
import ipaddress
import time
from dataclasses import dataclass
from typing import Annotated, Final

import structlog
from fastapi import Request, Security
from fastapi.security import APIKeyCookie, APIKeyHeader, APIKeyQuery, HTTPBearer, SecurityScopes

from platerota_service.access.keys import ALL_SCOPES, SCOPES, Scope, scopes_of
from platerota_service.access.links import Link, read_link
from platerota_service.access.sessions import COOKIE, Session, check_own_form
from platerota_service.access.tokens import Token, token_text
from platerota_service.calls import parts_of
from platerota_service.kinds import KEY_MISSING, KEY_REFUSED, SCOPE_MISSING
from platerota_service.parameters import check_parameters
from platerota_service.problems import ProblemError
from platerota_service.store import LOCAL_TENANT, KeyRow

_CHALLENGE = {"WWW-Authenticate": 'Bearer realm="platerota"'}
_FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip")

LINK_SCHEME: Final = "link"
"""How the API description names signed links; a call that accepts them says so there."""
SESSION_SCHEME: Final = "session"
"""How it names sessions of browsers."""

_NOBODYS = (".localhost", ".test")
"""Names that nobody can own (RFC 6761)."""

_BEARER = HTTPBearer(auto_error=False, scheme_name="bearer", description="A key, made by `platerota keys create`.")
_ALIAS = APIKeyHeader(name="X-API-Key", auto_error=False, scheme_name="header", description="The same key, for spreadsheets.")
_LINK = APIKeyQuery(
    name="signature", auto_error=False, scheme_name=LINK_SCHEME,
    description="A signed link, made by `POST /v1/links`; it holds `key`, `expires` and `signature`, and nothing of the key itself.",
)
_SESSION = APIKeyCookie(
    name=COOKIE, auto_error=False, scheme_name=SESSION_SCHEME,
    description="The cookie of a browser whose user gave a key at `/v1/sign-in`; it holds nothing of the key itself.",
)


@dataclass(frozen=True, slots=True)
class Caller:
    """Who calls: the tenant whose plans and shops are seen, what the caller may do, and with which key (None: none exist).

    `link` is the signed link by which the caller came, `session` the browser's session.
    """

    tenant: str
    scopes: frozenset[Scope]
    key: KeyRow | None = None
    link: Link | None = None
    session: Session | None = None


async def _known(
    call: Request, needed: SecurityScopes, _bearer: Annotated[object, Security(_BEARER)], _alias: Annotated[object, Security(_ALIAS)],
) -> Caller:
    return await _allowed(call, await _by_key(call), needed)


async def _known_or_linked(
    call: Request, needed: SecurityScopes, _bearer: Annotated[object, Security(_BEARER)], _alias: Annotated[object, Security(_ALIAS)],
    _link: Annotated[object, Security(_LINK)], _session: Annotated[object, Security(_SESSION)],
) -> Caller:
    link = read_link(call.url.path, call.url.query)
    if link is None or token_text(call.headers) is not None:
        return await _allowed(call, await _by_session_or_key(call), needed)
    row = await asyncio.to_thread(parts_of(call).keys.by_id, link.key_id)
    if row is None or not link.valid(row.hash, time.time()):
        raise ProblemError(KEY_REFUSED, "the link is past its time, was changed, or its key is revoked", headers=_CHALLENGE)
    return await _allowed(call, Caller(row.tenant, scopes_of(row) & {"read"}, row, link), needed)


async def _known_or_signed_in(
    call: Request, needed: SecurityScopes, _bearer: Annotated[object, Security(_BEARER)], _alias: Annotated[object, Security(_ALIAS)],
    _session: Annotated[object, Security(_SESSION)],
) -> Caller:
    return await _allowed(call, await _by_session_or_key(call), needed)


async def _by_form(
    call: Request, needed: SecurityScopes, _bearer: Annotated[object, Security(_BEARER)], _alias: Annotated[object, Security(_ALIAS)],
    _session: Annotated[object, Security(_SESSION)],
) -> Caller:
    # A key in a header is proof enough; what a browser adds by itself, a cookie or its place on this computer, is not.
    if token_text(call.headers) is None:
        check_own_form(call)
    return await _allowed(call, await _by_session_or_key(call), needed)


async def _by_session_or_key(call: Request) -> Caller:
    caller = await _by_session(call) if token_text(call.headers) is None else None
    return caller if caller is not None else await _by_key(call)


async def _by_session(call: Request) -> Caller | None:
    """Who signed in; None where nobody did, or not for so long that the session has ended."""
    session = Session.read(call.cookies.get(COOKIE, ""))
    row = await asyncio.to_thread(parts_of(call).keys.by_id, session.key_id) if session is not None else None
    if session is None or row is None or not session.valid(row.hash, time.time()):
        return None
    return Caller(row.tenant, scopes_of(row), row, session=session)


async def _by_key(call: Request) -> Caller:
    keys = parts_of(call).keys
    given = token_text(call.headers)
    if given is None:
        if not direct(call) or await asyncio.to_thread(keys.any):
            raise ProblemError(KEY_MISSING, "this call needs a key", headers=_CHALLENGE)
        return Caller(LOCAL_TENANT, ALL_SCOPES)
    token = Token.read(given)
    row = await asyncio.to_thread(keys.find, token) if token is not None else None
    call.state.let_in = row is not None
    if row is None:
        raise ProblemError(KEY_REFUSED, "the key is not one that is valid now", headers=_CHALLENGE)
    return Caller(row.tenant, scopes_of(row), row)


async def _allowed(call: Request, caller: Caller, needed: SecurityScopes) -> Caller:
    missing = [scope for scope in needed.scopes if scope not in caller.scopes]
    if missing:
        what = " and ".join(f"'{scope}' ({SCOPES[scope]})" for scope in SCOPES if scope in missing)
        raise ProblemError(SCOPE_MISSING, f"the key lacks the scope {what}")
    if caller.link is None:  # what a link asks was looked at when it was signed, and nothing was added since
        await check_parameters(call)
    structlog.contextvars.bind_contextvars(tenant=caller.tenant, key=caller.key.id if caller.key is not None else None)
    return caller


def direct(call: Request) -> bool:
    """Whether a call comes from this computer itself, by a name of its own.

    Not through a proxy, which would make everybody look as if they were here; and not by a name that somebody out there can point
    at this computer (DNS rebinding), so that a page of theirs in a browser here could read and delete plans.
    """
    if call.client is None or any(name in call.headers for name in _FORWARDED):
        return False
    name = call.url.hostname or ""
    return loopback(call.client.host) and (loopback(name) or name.endswith(_NOBODYS))


def loopback(host: str) -> bool:
    """Whether an address is this computer's own."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


Reader = Annotated[Caller, Security(_known, scopes=["read"])]
LinkReader = Annotated[Caller, Security(_known_or_linked, scopes=["read"])]
"""A reader, whoever signed in with a browser, or whoever holds a signed link to the address."""
Watcher = Annotated[Caller, Security(_known_or_signed_in, scopes=["read"])]
"""A reader, or whoever signed in with a browser."""
PagePlanner = Annotated[Caller, Security(_known_or_signed_in, scopes=["plan"])]
"""A planner, or one who signed in with a browser: sees a form."""
FormPlanner = Annotated[Caller, Security(_by_form, scopes=["plan"])]
"""A planner, or one who signed in with a browser: sends a form, which must be one of our own pages'."""
Planner = Annotated[Caller, Security(_known, scopes=["plan"])]
ShopKeeper = Annotated[Caller, Security(_known, scopes=["shop"])]
Administrator = Annotated[Caller, Security(_known, scopes=["admin"])]
MetricsReader = Annotated[Caller, Security(_known, scopes=["watch"])]
"""Whoever runs the service: the numbers of all tenants together are for no tenant."""
