"""The calls about webhooks."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Path, Request, Response
from sqlalchemy.orm import Session

from platerota_service.access.callers import Administrator
from platerota_service.answers import guarded_answers, not_changed
from platerota_service.bodies import read_body
from platerota_service.calls import PartsOf, SettingsOf, StoreOf
from platerota_service.cursors import Cursor, PageLimit, Place, page
from platerota_service.etags import already_seen, check_may_replace
from platerota_service.idempotency import GivenBefore, IdempotencyKey, Once, once_of
from platerota_service.kinds import (
    BAD_CURSOR,
    BAD_HEADER,
    CHANGED,
    FAULTS,
    IF_MATCH_MISSING,
    KEY_REUSED,
    KEY_SPENT,
    TOO_LARGE,
    TOO_MANY_WEBHOOKS,
    UNKNOWN_DELIVERY,
    UNKNOWN_WEBHOOK,
    UNREADABLE,
    WEBHOOK_DISABLED,
    WRONG_MEDIA_TYPE,
)
from platerota_service.problems import ProblemError, ProblemFault
from platerota_service.store import IdempotencyRow, WebhookEndpointRow
from platerota_service.webhooks.addresses import AddressRefused, check_address
from platerota_service.webhooks.answers import (
    DeliveryEntry,
    DeliveryList,
    NewWebhook,
    WebhookEntry,
    WebhookList,
    WebhookSettings,
    delivery_entry,
    utc,
    webhook_answer,
    webhook_body,
)
from platerota_service.webhooks.book import MOST, TooManyWebhooks, WebhookBook, WebhookDisabled
from platerota_shared.document import duplicate_keys, read_document
from platerota_shared.faults import RequestRefused
from platerota_shared.records import read_row
from platerota_shared.suggestions import Suggestions

router = APIRouter(prefix="/v1/webhooks", tags=["webhooks"])

HookId = Annotated[str, Path(description="The id of a webhook.", examples=["5b1c7d0e3a754a0e9d4e0f3f3b1f9d52"])]
DeliveryId = Annotated[str, Path(description="The id of a message.", examples=["0f4a3f6e5c554a398a466f8c1d0a8a0e"])]

_BODY = (UNREADABLE, TOO_LARGE, WRONG_MEDIA_TYPE, FAULTS)
_CREATING = (*_BODY, BAD_HEADER, KEY_REUSED, KEY_SPENT, TOO_MANY_WEBHOOKS)
_LONGEST_BODY = 16_384


@router.get(
    "", operation_id="list_webhooks", summary="The webhooks", response_description="A page of webhooks",
    responses=guarded_answers(BAD_CURSOR, FAULTS),
)
async def list_webhooks(caller: Administrator, store: StoreOf, cursor: Cursor = None, limit: PageLimit = 50) -> WebhookList:
    """Answer the addresses that are told of plans and questions, the newest first; no secret is shown."""
    rows = await asyncio.to_thread(WebhookBook(store, caller.tenant).page, cursor, limit)
    shown, here, following = page("/v1/webhooks", {}, rows, cursor, limit, lambda row: Place(row.created_ms, row.id))
    return WebhookList(items=[_entry(row) for row in shown], self=here, next=following)


@router.post(
    "", operation_id="create_webhook", summary="Set up a webhook", status_code=201, openapi_extra={"requestBody": webhook_body()},
    responses={**webhook_answer(201, "The webhook, and its secret, this once", "NewWebhook"), **guarded_answers(*_CREATING)},
)
async def create_webhook(
    call: Request, caller: Administrator, store: StoreOf, settings: SettingsOf, idempotency_key: IdempotencyKey = None,
) -> Response:
    """Let an address be told when plans end or are released and when questions end, by messages signed after Standard Webhooks 1.0.

    What each message holds is described under `webhooks` of this description.

    A message is sent until it is answered 2xx within 15 seconds: at once, and after about 5 s, 5 min, 30 min, 2 h, 5 h, 10 h, 14 h,
    20 h and 24 h. Redirects are not followed. A message that waits is given up where its webhook is disabled when it is its turn.
    Only public addresses are told, unless the service allows its own network. There may be 20 webhooks.
    """
    body = await read_body(call, _LONGEST_BODY)
    once = once_of(call, store, caller.tenant, idempotency_key, body)
    book = WebhookBook(store, caller.tenant)
    if once is not None and (earlier := await asyncio.to_thread(once.earlier)) is not None:
        return await _again(book, earlier)
    given = _read(body, settings.webhooks_inside)
    try:
        row = await asyncio.to_thread(book.add, given, _noting(once) if once is not None else None)
    except TooManyWebhooks:
        raise ProblemError(TOO_MANY_WEBHOOKS, f"there are {MOST} webhooks already, as many as there may be") from None
    except GivenBefore:
        assert once is not None
        earlier = await asyncio.to_thread(once.earlier)
        assert earlier is not None, "it was faster a moment ago"
        return await _again(book, earlier)
    return _shown_once(row, 201)


@router.get(
    "/{hook_id}", operation_id="get_webhook", summary="A webhook",
    responses={
        **webhook_answer(200, "The webhook, without its secret", "WebhookEntry"), **not_changed(),
        **guarded_answers(UNKNOWN_WEBHOOK, BAD_HEADER),
    },
)
async def get_webhook(call: Request, hook_id: HookId, caller: Administrator, store: StoreOf) -> Response:
    """Answer one address that is told of plans and questions."""
    row = await _existing(WebhookBook(store, caller.tenant), hook_id)
    if already_seen(call, _tag(row)):
        return Response(status_code=304, headers={"ETag": _tag(row)})
    return _answer(_entry(row), 200, row)


@router.put(
    "/{hook_id}", operation_id="put_webhook", summary="Change a webhook", openapi_extra={"requestBody": webhook_body()},
    responses={
        **webhook_answer(200, "The webhook as it is now", "WebhookEntry"),
        **guarded_answers(*_BODY, UNKNOWN_WEBHOOK, BAD_HEADER, CHANGED, IF_MATCH_MISSING),
    },
)
async def put_webhook(call: Request, hook_id: HookId, caller: Administrator, store: StoreOf, settings: SettingsOf) -> Response:
    """Change where messages go and of what, not the secret. Send the ETag in `If-Match`, or `If-Match: *`."""
    given = _read(await read_body(call, _LONGEST_BODY), settings.webhooks_inside)
    book = WebhookBook(store, caller.tenant)
    row = await _existing(book, hook_id)
    check_may_replace(call, _tag(row))
    if not await asyncio.to_thread(book.replace, row, given):
        raise _meanwhile(hook_id)
    return _answer(_entry(row), 200, row)


@router.delete(
    "/{hook_id}", operation_id="delete_webhook", summary="Forget a webhook", status_code=204, response_class=Response,
    response_description="The webhook and its messages are forgotten",
    responses=guarded_answers(UNKNOWN_WEBHOOK, BAD_HEADER, CHANGED, IF_MATCH_MISSING),
)
async def delete_webhook(call: Request, hook_id: HookId, caller: Administrator, store: StoreOf) -> None:
    """Forget the webhook and its messages, those still to be sent included. Send the ETag in `If-Match`, or `If-Match: *`."""
    book = WebhookBook(store, caller.tenant)
    row = await _existing(book, hook_id)
    check_may_replace(call, _tag(row))
    if not await asyncio.to_thread(book.delete, row):
        raise _meanwhile(hook_id)


@router.post(
    "/{hook_id}/secret", operation_id="renew_webhook_secret", summary="Give a webhook a new secret",
    responses={
        **webhook_answer(200, "The webhook, and its new secret, this once", "NewWebhook"), **guarded_answers(UNKNOWN_WEBHOOK, CHANGED),
    },
)
async def renew_webhook_secret(hook_id: HookId, caller: Administrator, store: StoreOf) -> Response:
    """Sign with a new secret from now on, messages that are still to be sent included. A body is not read."""
    book = WebhookBook(store, caller.tenant)
    row = await _existing(book, hook_id)
    if await asyncio.to_thread(book.renew_secret, row) is None:
        raise _meanwhile(hook_id)
    return _shown_once(row, 200)


@router.get(
    "/{hook_id}/deliveries", operation_id="list_deliveries", summary="The messages to a webhook", response_description="A page of messages",
    responses=guarded_answers(UNKNOWN_WEBHOOK, BAD_CURSOR, FAULTS),
)
async def list_deliveries(
    hook_id: HookId, caller: Administrator, store: StoreOf, cursor: Cursor = None, limit: PageLimit = 50,
) -> DeliveryList:
    """Answer what was sent and what became of it, the newest first; what ended a month ago is forgotten."""
    book = WebhookBook(store, caller.tenant)
    row = await _existing(book, hook_id)
    rows = await asyncio.to_thread(book.deliveries, row.id, cursor, limit)
    shown, here, following = page(
        f"{_address(row.id)}/deliveries", {}, rows, cursor, limit, lambda one: Place(one.created_ms, one.id),
    )
    return DeliveryList(items=[delivery_entry(one) for one in shown], self=here, next=following)


@router.post(
    "/{hook_id}/deliveries/{delivery_id}/resend", operation_id="resend_delivery", summary="Send a message again", status_code=202,
    response_description="The message is sent again", responses=guarded_answers(UNKNOWN_WEBHOOK, UNKNOWN_DELIVERY, WEBHOOK_DISABLED),
)
async def resend_delivery(hook_id: HookId, delivery_id: DeliveryId, caller: Administrator, parts: PartsOf) -> DeliveryEntry:
    """Send a message that arrived or was given up again, with as many attempts as a new one. A body is not read."""
    book = WebhookBook(parts.store, caller.tenant)
    hook = await _existing(book, hook_id)
    try:
        row = await asyncio.to_thread(book.resend, hook.id, delivery_id.replace("\0", ""), parts.outbox)
    except WebhookDisabled:
        raise ProblemError(WEBHOOK_DISABLED, f"the webhook '{hook.id}' is disabled, so nothing is sent to it") from None
    if row is None:
        raise ProblemError(UNKNOWN_DELIVERY, f"the webhook '{hook_id}' has no message '{delivery_id[:64]}'")
    return delivery_entry(row)


def _noting(once: Once) -> Callable[[Session, str], None]:
    """Keeps, beside a webhook, that a call with a key made it."""
    return lambda session, hook_id: once.note(session, 201, location=_address(hook_id))


async def _again(book: WebhookBook, earlier: IdempotencyRow) -> Response:
    """The first answer once more: whoever sends the call again has lost it, and with it the secret."""
    hook_id = json.loads(earlier.headers or "{}")["Location"].removeprefix(_address(""))
    row = await asyncio.to_thread(book.find, hook_id)
    if row is None:
        raise ProblemError(KEY_SPENT, "the webhook that this Idempotency-Key made is deleted")
    return _shown_once(row, 201)


def _address(hook_id: str) -> str:
    return f"/v1/webhooks/{hook_id}"


def _read(body: bytes, inside: bool) -> WebhookSettings:
    """The webhook in a body.

    Raises
    ------
    RequestRefused, ProblemError
        With every fault.
    """
    document = read_document(body)
    record, found = read_row(WebhookSettings, document, "", "the webhook", ZoneInfo("UTC"), Suggestions())
    faults = [*duplicate_keys(document), *found]
    if faults or record.row is None:
        raise RequestRefused(faults)
    try:
        check_address(record.row.url, inside=inside)
    except AddressRefused as error:
        public = " and is on the public internet; for one in your own network whoever runs the service sets PLATEROTA_WEBHOOKS_INSIDE=true"
        mend = "give the https address of a program that takes webhooks" + ("" if inside else public)
        fault = ProblemFault(pointer="/url", code="bad-address", detail=f"url: {error}", mend=mend)
        raise ProblemError(FAULTS, "the request has 1 fault; nothing was stored", errors=[fault]) from None
    return record.row


async def _existing(book: WebhookBook, hook_id: str) -> WebhookEndpointRow:
    row = await asyncio.to_thread(book.find, hook_id)
    if row is None:
        raise ProblemError(UNKNOWN_WEBHOOK, f"there is no webhook with the id '{hook_id[:64]}'")
    return row


def _entry(row: WebhookEndpointRow) -> WebhookEntry:
    return WebhookEntry(**_shown(row))


def _shown(row: WebhookEndpointRow) -> dict[str, Any]:
    return {"id": row.id, "url": row.url, "events": json.loads(row.events), "enabled": row.enabled, "created": utc(row.created_ms) or ""}


def _shown_once(row: WebhookEndpointRow, status: int) -> Response:
    headers = {"Location": _address(row.id)} if status == 201 else {}
    return _answer(NewWebhook(**_shown(row), secret=row.secret), status, row, headers)


def _answer(entry: WebhookEntry, status: int, row: WebhookEndpointRow, headers: dict[str, str] | None = None) -> Response:
    told = {"ETag": _tag(row), **(headers or {})}
    return Response(entry.model_dump_json(), status_code=status, headers=told, media_type="application/json")


def _tag(row: WebhookEndpointRow) -> str:
    return f'"{row.version}-{"on" if row.enabled else "off"}"'


def _meanwhile(hook_id: str) -> ProblemError:
    return ProblemError(CHANGED, f"somebody else changed the webhook '{hook_id[:64]}' at the same moment")
