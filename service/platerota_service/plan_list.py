"""The list of a tenant's plans."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from platerota_service.access.callers import Reader
from platerota_service.answers import guarded_answers, with_example
from platerota_service.calls import StoreOf
from platerota_service.cursors import Cursor, PageLimit, Place, newest_first, page
from platerota_service.kinds import BAD_CURSOR, FAULTS
from platerota_service.shops.facts import PlanShop, shops_of
from platerota_service.shops.ids import ShopName
from platerota_service.store import PlanRow, Store
from platerota_shared.instants import local_text
from platerota_shared.plan import Quality, Status

router = APIRouter(prefix="/v1/plans", tags=["plans"])

_ENTRY: Final = {
    "id": "3f2b8a4c9d5e4f60a1b2c3d4e5f60718", "status": "ready", "quality": "optimal", "created": "2027-03-01T05:58:12+00:00",
    "started": "2027-03-01T05:58:12+00:00", "ended": "2027-03-01T05:58:14+00:00", "score": 12.5, "bound": 12.5, "gap": 0.0,
    "rush": False, "base": None, "question": None, "shop": {"id": "main", "version": 3, "stale": False, "released": True},
}


class PlanEntry(BaseModel):
    """A plan without its tasks."""

    model_config = with_example(_ENTRY)

    id: str = Field(description="Its id; the plan itself is at `/v1/plans/{id}`.")
    status: Status = Field(description="How far it is.")
    quality: Quality | None = Field(description="Whether it is proved to be the best; null before the first plan.")
    created: str = Field(description="When it was asked for, UTC.")
    started: str | None = Field(description="When its solve began, the last of several, UTC; null where it waits.")
    ended: str | None = Field(description="When it ended, UTC; null where it has not.")
    score: float | None = Field(description="Points of the best plan so far; null before the first one.")
    bound: float | None = Field(description="Points that no plan can beat; null before the first plan.")
    gap: float | None = Field(description="(score − bound) ÷ score, 0 where score is 0; null before the first plan.")
    rush: bool = Field(description="Whether it goes before every plan that is not in a rush.")
    base: str | None = Field(description="The plan that it varies; null where there is none, or it was deleted.")
    question: str | None = Field(description="The question that it was made for, at `/v1/questions/{id}`; null where there is none.")
    shop: PlanShop | None = Field(description="The stored shop it was made from; null where the request brought its own.")


class PlanList(BaseModel):
    """A page of plans, the newest first."""

    model_config = with_example({"items": [_ENTRY], "self": "/v1/plans?limit=50", "next": None})

    items: list[PlanEntry] = Field(description="The plans of this page.")
    self_: str = Field(alias="self", description="The address of this page.")
    next: str | None = Field(description="The address of the next page; null on the last one.")


_SHOWN: Final[Sequence[Any]] = (
    PlanRow.id, PlanRow.state, PlanRow.quality, PlanRow.created_ms, PlanRow.started_ms, PlanRow.ended_ms, PlanRow.score, PlanRow.bound,
    PlanRow.rush, PlanRow.base_id, PlanRow.parent_id,
)


StatusAsked = Annotated[Status | None, Query(description="Only plans in this state.")]
ShopAsked = Annotated[ShopName | None, Query(description="Only plans made from this stored shop.")]


@router.get(
    "", operation_id="list_plans", summary="Plans", response_description="A page of plans", responses=guarded_answers(BAD_CURSOR, FAULTS),
)
async def list_plans(
    caller: Reader, store: StoreOf,
    status: StatusAsked = None, shop: ShopAsked = None, cursor: Cursor = None, limit: PageLimit = 50,
) -> PlanList:
    """Answer plans without their tasks, the newest first; follow `next` for older ones."""
    return await asyncio.to_thread(listed, store, caller.tenant, "/v1/plans", status, shop, cursor, limit)


def listed(store: Store, tenant: str, path: str, status: Status | None, shop: str | None, cursor: str | None, limit: int) -> PlanList:
    """A page of the list at the address `path`; work for a thread."""
    rows = _read(store, plans_page(tenant, status, shop, cursor, limit))
    shown, here, following = page(path, {"status": status, "shop": shop}, rows, cursor, limit, lambda row: Place(row.created_ms, row.id))
    shops = shops_of(store, tenant, [row.id for row in shown])
    return PlanList(items=[_entry(row, shops.get(row.id)) for row in shown], self=here, next=following)


def plans_page(tenant: str, status: str | None, shop: str | None, cursor: str | None, limit: int) -> sa.Select[*tuple[Any, ...]]:
    """The query of a page of plans: in the order of an index, of which it reads no more than the page where nothing else is asked."""
    query = sa.select(*_SHOWN).where(PlanRow.tenant == tenant)
    if shop is not None:
        query = query.where(PlanRow.shop_id == shop)
    if status is not None:
        query = query.where(PlanRow.state == status)
    return newest_first(query, PlanRow.created_ms, PlanRow.id, cursor, limit)


def _read(store: Store, query: sa.Select[Any]) -> Any:
    with store.reading() as session:
        return session.execute(query).all()


def _entry(row: Any, shop: PlanShop | None) -> PlanEntry:
    gap = None if row.score is None or row.bound is None else ((row.score - row.bound) / row.score if row.score else 0.0)
    return PlanEntry(
        id=row.id, status=row.state, quality=row.quality, created=_utc(row.created_ms) or "", started=_utc(row.started_ms),
        ended=_utc(row.ended_ms), score=row.score, bound=row.bound, gap=gap, rush=row.rush,
        base=row.base_id, question=row.parent_id, shop=shop,
    )


def _utc(instant_ms: int | None) -> str | None:
    return local_text(instant_ms // 1000, ZoneInfo("UTC")) if instant_ms is not None else None
