"""Which plan a shop works by."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, Request, Response
from sqlalchemy.exc import IntegrityError

from platerota_service.access.callers import Planner
from platerota_service.answers import guarded_answers, plan_answers
from platerota_service.calls import EngineOf, Parts, PartsOf, PlanId, StoreOf
from platerota_service.engine import Guard, PlanState, UnknownPlan
from platerota_service.etags import IF_MATCH
from platerota_service.kinds import BAD_HEADER, CHANGED, NOT_RELEASABLE, UNKNOWN_PLAN
from platerota_service.plan_making import answer_plan, plan_of, unless_changed
from platerota_service.problems import ProblemError
from platerota_service.shops.book import ShopBook

router = APIRouter(prefix="/v1/plans/{plan_id}", tags=["plans"])


@router.put(
    "/release", operation_id="release_plan", summary="Make it the plan that the shop works by",
    openapi_extra={"parameters": [IF_MATCH]},
    responses={
        **plan_answers("The plan is released", 200, "ETag"), **guarded_answers(UNKNOWN_PLAN, NOT_RELEASABLE, BAD_HEADER, CHANGED),
    },
)
async def release_plan(call: Request, plan_id: PlanId, caller: Planner, engine: EngineOf, parts: PartsOf) -> Response:
    """Make a `ready` plan of a stored shop the one that the shop works by, in place of the one before. A body is not read.

    A stale plan may be released: `stale` says that somebody should look whether it still fits the shop. With the ETag that was seen in
    `If-Match` only the plan that was seen is released: one that became stale since is answered 412.
    """
    state = await plan_of(engine, caller, plan_id)
    await asyncio.to_thread(_release, parts, caller.tenant, state, unless_changed(call, caller, plan_id))
    # Its release counts as a change of the plan: the state before would be answered with an ETag that is the plan's no more.
    return await answer_plan(parts, caller, await engine.status(plan_id, caller.tenant), 200)


@router.delete(
    "/release", operation_id="take_back_plan", summary="Take a release back", status_code=204, response_class=Response,
    response_description="The shop works by no plan", openapi_extra={"parameters": [IF_MATCH]},
    responses=guarded_answers(UNKNOWN_PLAN, NOT_RELEASABLE, BAD_HEADER, CHANGED),
)
async def take_back_plan(call: Request, plan_id: PlanId, caller: Planner, engine: EngineOf, store: StoreOf) -> None:
    """Let the shop work by no plan, where this is the one that is released."""
    state, guard = await plan_of(engine, caller, plan_id), unless_changed(call, caller, plan_id)
    if state.shop_id is None or not await asyncio.to_thread(ShopBook(store, caller.tenant).take_back, state.shop_id, plan_id, guard):
        raise ProblemError(NOT_RELEASABLE, f"the plan '{plan_id}' is not released")


def _release(parts: Parts, tenant: str, state: PlanState, guard: Guard | None) -> None:
    if state.shop_id is None:
        raise ProblemError(NOT_RELEASABLE, f"the plan '{state.id}' was made for no stored shop")
    if state.status != "ready":
        raise ProblemError(NOT_RELEASABLE, f"the plan '{state.id}' is {state.status}")
    try:
        released = ShopBook(parts.store, tenant).release(state.shop_id, state.id, parts.outbox, guard)
    except IntegrityError:
        raise UnknownPlan(state.id) from None  # it was deleted at the same moment
    if not released:
        raise ProblemError(NOT_RELEASABLE, f"the shop '{state.shop_id}' is gone")
