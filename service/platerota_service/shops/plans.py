"""Planning a stored shop: the request brings orders, floor and settings alone."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Any

from fastapi import APIRouter, Request, Response

from platerota_service.access.callers import Reader
from platerota_service.answers import guarded_answers, not_changed, plan_answers
from platerota_service.bodies import read_body
from platerota_service.calls import EngineOf, PartsOf, SettingsOf, StoreOf
from platerota_service.engine import Submission
from platerota_service.kinds import BAD_HEADER, UNKNOWN_PLAN, UNKNOWN_SHOP
from platerota_service.plan_making import MakingOf, answer_plan
from platerota_service.plans import MADE, MAKING_REFUSED, PREFER_ASYNC
from platerota_service.problems import ProblemError
from platerota_service.shops.answers import plan_body
from platerota_service.shops.book import ShopBook, tables, written
from platerota_service.shops.editing import existing
from platerota_service.shops.routes import ShopId
from platerota_service.store import ShopRow
from platerota_shared.document import duplicate_keys, read_document
from platerota_shared.faults import Fault, RequestRefused
from platerota_shared.reading import read_request

router = APIRouter(prefix="/v1/shops/{shop_id}", tags=["shops"])


@router.post(
    "/plans", operation_id="create_shop_plan", summary="Plan a week of a stored shop", status_code=201,
    openapi_extra={"requestBody": plan_body(), "parameters": [PREFER_ASYNC]},
    responses={**MADE, **guarded_answers(UNKNOWN_SHOP, *MAKING_REFUSED)},
)
async def create_shop_plan(call: Request, shop_id: ShopId, making: MakingOf, store: StoreOf, settings: SettingsOf) -> Response:
    """Plan as `POST /v1/plans` does, with the tables of the stored shop.

    The plan's `shop` names the version it was made from, and says `stale` once the shop has changed since. A fault that lies in the
    stored shop has a pointer that begins with `/shop`.
    """
    body = await read_body(call, settings.max_body_bytes)
    shop = await asyncio.to_thread(existing, ShopBook(store, making.caller.tenant), shop_id)
    return await making.make(body, lambda: _submission(body, shop))


@router.get(
    "/plan", operation_id="get_released_plan", summary="The plan that the shop works by",
    responses={
        **plan_answers("The released plan; its own address is in `Content-Location`", 200, "ETag"), **not_changed(),
        **guarded_answers(UNKNOWN_SHOP, UNKNOWN_PLAN, BAD_HEADER),
    },
)
async def get_released_plan(call: Request, shop_id: ShopId, caller: Reader, engine: EngineOf, parts: PartsOf) -> Response:
    """Answer the plan that was released last, whichever that is by now."""
    shop = await asyncio.to_thread(existing, ShopBook(parts.store, caller.tenant), shop_id)
    if shop.released_plan_id is None:
        raise ProblemError(UNKNOWN_PLAN, f"no plan of the shop '{shop_id}' is released")
    state = await engine.status(shop.released_plan_id, caller.tenant)
    return await answer_plan(parts, caller, state, 200, {"Content-Location": f"/v1/plans/{state.id}"}, call)


def _submission(body: bytes, shop: ShopRow) -> Submission:
    """The request in `body` with the stored shop in it; every fault at once."""
    given = read_document(body)
    document: dict[str, Any] = {**given, "shop": tables(shop)}
    faults = list(duplicate_keys(given))
    if "shop" in given:
        mend = "leave it out; change the stored shop where it is wrong"
        faults.append(Fault("/shop", "unknown-field", f"the shop '{shop.id}' is stored already", mend))
    try:
        request = read_request(document)
    except RequestRefused as error:
        known = {(fault.pointer, fault.code) for fault in faults}
        raise type(error)([*faults, *(fault for fault in error.faults if (fault.pointer, fault.code) not in known)]) from None
    if faults:
        raise RequestRefused(faults)
    return replace(Submission(written(document).encode(), request), shop_id=shop.id, shop_version=shop.version)
