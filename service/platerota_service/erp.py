"""The call that gives a plan to an ERP under the names of IEC 62264."""

from __future__ import annotations

import asyncio
import json
from typing import Any, Final

from fastapi import APIRouter, Response

from platerota_service.access.callers import LinkReader
from platerota_service.answers import example_reference, guarded_answers, reference
from platerota_service.calls import EngineOf, PlanId, StoreOf
from platerota_service.engine import PlanState
from platerota_service.kinds import NOT_READY, UNKNOWN_PLAN
from platerota_service.operations_schedule import ScheduleState, operations_schedule
from platerota_service.plan_making import plan_of
from platerota_service.problems import ProblemError
from platerota_service.shops.facts import PlanShop, shops_of
from platerota_shared.tables import PlanRequest

router = APIRouter(prefix="/v1/plans", tags=["plans"])

_ANSWER: Final[dict[str, Any]] = {
    "description": "Orders and ops, runs and tasks, and working time; every instant UTC; what is null is left out",
    "content": {
        "application/json": {
            "schema": reference("ScheduleDocument"), "examples": {"one-plate": example_reference("operations-schedule")},
        },
    },
}


@router.get(
    "/{plan_id}/operations-schedule", operation_id="get_operations_schedule", summary="A plan under the names of IEC 62264 (ISA-95)",
    responses={200: _ANSWER, **guarded_answers(UNKNOWN_PLAN, NOT_READY)},
)
async def get_operations_schedule(plan_id: PlanId, caller: LinkReader, engine: EngineOf, store: StoreOf) -> Response:
    """Answer the plan for an ERP.

    Orders are operations requests, ops segment requirements, runs work requests, tasks job orders, operators personnel, machines
    equipment, plates and fixtures physical assets, shifts work calendar entries. Nothing of orders, runs, tasks and operators is
    lost; names and shapes follow B2MML. `/docs/erp-exchange` has the whole mapping. 409 until the plan is ready.
    """
    state = await plan_of(engine, caller, plan_id)
    shop = (await asyncio.to_thread(shops_of, store, caller.tenant, [plan_id])).get(plan_id)
    schedule_state = exportable(state, shop)
    request = await engine.request(plan_id, caller.tenant)
    return Response(await asyncio.to_thread(_text, request, state, schedule_state), media_type="application/json")


def exportable(state: PlanState, shop: PlanShop | None) -> ScheduleState:
    """Whether a plan may be exported, and as what: the one that its shop works by is released, every other a forecast.

    Raises
    ------
    ProblemError
        409 where the plan is not ready.
    """
    if state.status != "ready":
        raise ProblemError(NOT_READY, f"the plan '{state.id}' is {state.status}")
    return "Released" if shop is not None and shop.released else "Forecast"


def _text(request: PlanRequest, state: PlanState, schedule_state: ScheduleState) -> bytes:
    document = operations_schedule(request, state.plan, schedule_state)
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
