"""Planning a stored shop: the request brings orders, floor and settings alone."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass, replace
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request, Response

from platerota_service.access.callers import Caller, LinkReader
from platerota_service.answers import guarded_answers, not_changed, plan_answers
from platerota_service.bodies import read_json_or_sheets, sheets_submission
from platerota_service.calendar_calls import CALENDAR_ANSWER, OperatorAsked, answer_calendar
from platerota_service.calls import Parts, PartsOf, SettingsOf, StoreOf
from platerota_service.engine import Submission
from platerota_service.formats import CSV_BODY, SHEET_BODIES, DecimalOf, PlanFormatOf, body_kind, csv_content
from platerota_service.kinds import BAD_HEADER, FAULTS, NO_SUCH_TABLE, NONE_RELEASED, UNKNOWN_OPERATOR, UNKNOWN_PLAN, UNKNOWN_SHOP
from platerota_service.plan_files import PLAN_FILES, SHEETS_BODY, WORKBOOK_ANSWER
from platerota_service.plan_making import MakingOf, answer_wanted
from platerota_service.plans import MADE, MAKING_REFUSED, PREFER_ASYNC
from platerota_service.problems import ProblemError, ProblemFault
from platerota_service.shops.answers import plan_body
from platerota_service.shops.book import ShopBook, tables, written
from platerota_service.shops.editing import existing
from platerota_service.shops.routes import ShopId
from platerota_service.store import ShopRow
from platerota_service.workbook import StoredShop, read_orders, read_sheets
from platerota_shared.document import duplicate_keys, read_document
from platerota_shared.faults import Fault, RequestRefused
from platerota_shared.instants import local_text
from platerota_shared.reading import read_request

router = APIRouter(prefix="/v1/shops/{shop_id}", tags=["shops"])

_ORDERS: Final = "id,part,quantity,due\r\nA-1042,bracket,8,2027-03-02T14:00:00\r\n"
_BODY: Final = plan_body() | {"content": plan_body()["content"] | SHEETS_BODY | csv_content(_ORDERS)}
Now = Annotated[
    str | None,
    Query(
        max_length=60, examples=["2027-03-01T06:00:00"],
        description="When the plan begins, where the body is a CSV file; this minute, by the service's clock, where not given.",
    ),
]


@dataclass(frozen=True, slots=True)
class _Sheets:
    """A body in sheets: its media type, its bytes, how decimals are parted, when the plan begins where it cannot say so itself, and
    whether the call waits for the plan.
    """

    kind: str
    body: bytes
    decimal_comma: bool
    now: str | None
    waits: bool

    def submission(self, shop: ShopRow) -> Submission:
        """The request with the stored shop in it; every fault at once."""
        stored = StoredShop(shop.id, tables(shop))
        if self.kind == CSV_BODY:
            minute = local_text(int(time.time()) // 60 * 60, ZoneInfo(stored.tables["timezone"]))
            read = read_orders(self.body, self.now if self.now is not None else minute, stored, decimal_comma=self.decimal_comma)
        else:
            read = read_sheets(self.body, decimal_comma=self.decimal_comma, shop=stored)
        return replace(sheets_submission(read, waits=self.waits), shop_id=shop.id, shop_version=shop.version)


@router.post(
    "/plans", operation_id="create_shop_plan", summary="Plan a week of a stored shop", status_code=201,
    openapi_extra={"requestBody": _BODY, "parameters": [PREFER_ASYNC]},
    responses={**WORKBOOK_ANSWER, **MADE, **guarded_answers(UNKNOWN_SHOP, NO_SUCH_TABLE, *MAKING_REFUSED)},
)
async def create_shop_plan(
    call: Request, shop_id: ShopId, making: MakingOf, store: StoreOf, settings: SettingsOf, wanted: PlanFormatOf, decimal: DecimalOf,
    now: Now = None,
) -> Response:
    """Plan as `POST /v1/plans` does, with the tables of the stored shop.

    The plan's `shop` names the version it was made from, and says `stale` once the shop has changed since. A fault that lies in the
    stored shop has a pointer that begins with `/shop`.

    The body may be the list of orders alone, as CSV. Then `now` is given in the address, settings are as if nothing was said, but
    for solve_seconds, which is 10, and the floor is empty: every mill and plate is taken to be free, and no piece to be made yet.
    In the middle of a week send JSON or a workbook with `floor`, or ask for a replan. Or a workbook, or a zip of CSV files, with
    the sheets orders, settings and floor; a sheet of the shop's own tables is a fault. Such a body is answered as `POST /v1/plans`
    answers one, a CSV file with the table `plan`.
    """
    body = await read_json_or_sheets(call, settings.max_body_bytes, csv=True)
    kind = body_kind(call)
    if now is not None and kind != CSV_BODY:
        fault = ProblemFault(pointer="/query/now", code="parameter", detail="now is given in the address", mend="say it in the body alone")
        raise ProblemError(FAULTS, "the call has faults", errors=[fault])
    shop = await asyncio.to_thread(existing, ShopBook(store, making.caller.tenant), shop_id)
    if kind != CSV_BODY and kind not in SHEET_BODIES:
        return await making.make(body, lambda: _submission(body, shop), wanted)
    sheets = _Sheets(kind, body, decimal == "comma", now, making.waits)
    # Another `now` is another request, whatever Idempotency-Key it has.
    return await making.make(body + (now or "").encode(), lambda: sheets.submission(shop), wanted)


_RELEASED: Final = plan_answers("The released plan; its own address is in `Content-Location`", 200, "ETag")
_RELEASED[200]["content"] |= PLAN_FILES


@router.get(
    "/plan", operation_id="get_released_plan", summary="The plan that the shop works by",
    responses={
        **_RELEASED, **not_changed(), **guarded_answers(UNKNOWN_SHOP, NONE_RELEASED, UNKNOWN_PLAN, BAD_HEADER, NO_SUCH_TABLE, FAULTS),
    },
)
async def get_released_plan(call: Request, shop_id: ShopId, caller: LinkReader, parts: PartsOf, wanted: PlanFormatOf) -> Response:
    """Answer the plan that was released last, whichever that is by now, in any form that `GET /v1/plans/{id}` answers.

    A web query or a macro that fetches this address, by a signed link where keys exist, has the new week once it is released.
    """
    state = await parts.engine.status(await _released_id(parts, caller, shop_id), caller.tenant)
    return await answer_wanted(call, parts, caller, state, wanted, {"Content-Location": f"/v1/plans/{state.id}"})


@router.get(
    "/plan/load-windows.ics", operation_id="get_released_calendar", summary="The shop's load windows as a calendar",
    responses={
        **CALENDAR_ANSWER, **not_changed(),
        **guarded_answers(UNKNOWN_SHOP, NONE_RELEASED, UNKNOWN_PLAN, UNKNOWN_OPERATOR, BAD_HEADER, FAULTS),
    },
    response_class=Response,
)
async def get_released_calendar(
    call: Request, shop_id: ShopId, caller: LinkReader, parts: PartsOf, operator: OperatorAsked = None,
) -> Response:
    """Answer the loads of the plan that was released last, as `GET /v1/plans/{id}/load-windows.ics` does.

    Subscribe to it once, by a signed link where keys exist: once another plan is released its loads take the place of those before.
    """
    return await answer_calendar(call, parts, caller, await _released_id(parts, caller, shop_id), operator)


async def _released_id(parts: Parts, caller: Caller, shop_id: str) -> str:
    """The id of the plan that the shop works by."""
    shop = await asyncio.to_thread(existing, ShopBook(parts.store, caller.tenant), shop_id)
    if shop.released_plan_id is None:
        raise ProblemError(NONE_RELEASED, f"no plan of the shop '{shop_id}' is released")
    return shop.released_plan_id


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
