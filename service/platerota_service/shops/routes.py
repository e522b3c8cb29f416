"""The calls about stored shops as a whole."""

from __future__ import annotations

import asyncio
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response

from platerota_service.access.callers import Reader, ShopKeeper
from platerota_service.answers import guarded_answers, not_changed
from platerota_service.bodies import read_body
from platerota_service.calls import SettingsOf, StoreOf
from platerota_service.cursors import Cursor, PageLimit, Place, page
from platerota_service.etags import already_seen, check_may_replace, may_create
from platerota_service.kinds import (
    BAD_CURSOR,
    BAD_HEADER,
    CHANGED,
    FAULTS,
    IF_MATCH_MISSING,
    TOO_LARGE,
    UNKNOWN_SHOP,
    UNREADABLE,
    WRONG_MEDIA_TYPE,
)
from platerota_service.problems import ProblemError
from platerota_service.shops.answers import ENTRY_EXAMPLE, ShopList, entry, shop_body, shop_example, tagged
from platerota_service.shops.book import ShopBook, tag
from platerota_service.shops.editing import existing
from platerota_service.shops.ids import ShopName
from platerota_service.store import ShopRow
from platerota_shared.document import read_document
from platerota_shared.shop_reading import read_shop

router = APIRouter(prefix="/v1/shops", tags=["shops"])

ShopId = Annotated[str, Path(description="The id of a stored shop.", examples=["main"])]
NewShopId = Annotated[ShopName, Path(
    description="The id of a shop, chosen by whoever stores it: letters, digits, `.`, `_` and `-`, at most 64.", examples=["main"],
)]


@router.get(
    "", operation_id="list_shops", summary="The stored shops", response_description="A page of shops",
    responses=guarded_answers(BAD_CURSOR, FAULTS),
)
async def list_shops(caller: Reader, store: StoreOf, cursor: Cursor = None, limit: PageLimit = 50) -> ShopList:
    """Answer the stored shops without their tables, the newest first."""
    rows = await asyncio.to_thread(ShopBook(store, caller.tenant).page, cursor, limit)
    shown, here, following = page("/v1/shops", {}, rows, cursor, limit, lambda row: Place(row.created_ms, row.id))
    return ShopList(items=await asyncio.to_thread(lambda: [entry(row) for row in shown]), self=here, next=following)


@router.get(
    "/{shop_id}", operation_id="get_shop", summary="A stored shop",
    responses={
        **tagged(200, "The tables, as they were stored", "Shop", shop_example()), **not_changed(),
        **guarded_answers(UNKNOWN_SHOP, BAD_HEADER),
    },
)
async def get_shop(call: Request, shop_id: ShopId, caller: Reader, store: StoreOf) -> Response:
    """Answer the shop's tables: change them and PUT them back with the ETag in `If-Match`."""
    row = await asyncio.to_thread(existing, ShopBook(store, caller.tenant), shop_id)
    if already_seen(call, tag(row)):
        return Response(status_code=304, headers={"ETag": tag(row)})
    return Response(row.tables, headers={"ETag": tag(row)}, media_type="application/json")


@router.put(
    "/{shop_id}", operation_id="put_shop", summary="Store a shop", openapi_extra={"requestBody": shop_body()},
    responses={
        **tagged(200, "The shop is replaced", "ShopEntry", ENTRY_EXAMPLE),
        **tagged(201, "The shop is stored", "ShopEntry", ENTRY_EXAMPLE),
        **guarded_answers(UNREADABLE, BAD_HEADER, CHANGED, TOO_LARGE, WRONG_MEDIA_TYPE, FAULTS, IF_MATCH_MISSING),
    },
)
async def put_shop(call: Request, shop_id: NewShopId, caller: ShopKeeper, store: StoreOf, settings: SettingsOf) -> Response:
    """Store the tables that change seldom once; `POST /v1/shops/{shop_id}/plans` then takes orders and floor alone.

    The tables are checked as far as tables without orders can be, and every fault is answered at once. To replace a stored shop
    send its ETag in `If-Match`; `If-Match: *` replaces whatever is there.
    """
    body = await read_body(call, settings.max_body_bytes)
    document = await asyncio.to_thread(_read, body)
    book = ShopBook(store, caller.tenant)
    row = await asyncio.to_thread(book.find, shop_id)
    if row is not None:
        check_may_replace(call, tag(row))
        return _stored(await asyncio.to_thread(book.replace, row, document), 200, shop_id)
    if not may_create(call):
        raise ProblemError(CHANGED, f"there is no shop with the id '{shop_id}' any more")
    return _stored(await asyncio.to_thread(book.add, shop_id, document), 201, shop_id)


@router.delete(
    "/{shop_id}", operation_id="delete_shop", summary="Forget a shop", status_code=204, response_class=Response,
    response_description="The shop is forgotten", responses=guarded_answers(UNKNOWN_SHOP, BAD_HEADER, CHANGED, IF_MATCH_MISSING),
)
async def delete_shop(call: Request, shop_id: ShopId, caller: ShopKeeper, store: StoreOf) -> None:
    """Forget the shop; plans that were made from it stay. Send its ETag in `If-Match`, or `If-Match: *`."""
    book = ShopBook(store, caller.tenant)
    row = await asyncio.to_thread(existing, book, shop_id)
    check_may_replace(call, tag(row))
    if not await asyncio.to_thread(book.delete, row):
        raise _meanwhile(shop_id)


def _read(body: bytes) -> dict[str, Any]:
    """The tables in a body, once they have no fault."""
    document = read_document(body)
    read_shop(document)
    return dict(document)


def _stored(row: ShopRow | None, status: int, shop_id: str) -> Response:
    if row is None:
        raise _meanwhile(shop_id)
    headers = {"ETag": tag(row)} | ({"Location": f"/v1/shops/{shop_id}"} if status == 201 else {})
    return Response(entry(row).model_dump_json(), status_code=status, headers=headers, media_type="application/json")


def _meanwhile(shop_id: str) -> ProblemError:
    return ProblemError(CHANGED, f"somebody else changed the shop '{shop_id}' at the same moment")
