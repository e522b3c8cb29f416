"""The calls that tell what two plans differ in, and what one costs."""

from __future__ import annotations

import asyncio
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Response

from platerota_service.access.callers import Caller, LinkReader
from platerota_service.answers import example_reference, guarded_answers, reference
from platerota_service.calls import EngineOf, PartsOf, PlanId
from platerota_service.engine import Engine, PlanState
from platerota_service.formats import RowsFormatOf, csv_content
from platerota_service.kinds import FAULTS, NOT_READY, UNKNOWN_PLAN
from platerota_service.plan_files import file_answer
from platerota_service.plan_making import plan_of
from platerota_service.problems import ProblemError
from platerota_service.workbook import rows_csv
from platerota_shared.costs import plan_costs
from platerota_shared.differences import COLUMNS, Differences, difference_rows

router = APIRouter(prefix="/v1/plans", tags=["decisions"])

_ROWS: Final = (
    "section,id,what,base,plan,change,detail\r\n"
    "order,A-1042,later,2027-03-01T06:45:30+00:00,2027-03-01T07:31:00+00:00,2730,\r\n"
)
_DIFFERENCES: Final[dict[str, Any]] = {
    "description": "What the plan does differently",
    "content": {
        "application/json": {"schema": reference("Differences"), "examples": {"rush-order": example_reference("differences")}},
        **csv_content(_ROWS),
    },
}
_COSTS: Final[dict[str, Any]] = {
    "description": "Hours and money",
    "content": {"application/json": {"schema": reference("PlanCosts"), "examples": {"one-plate": example_reference("costs")}}},
}

Against = Annotated[str, Query(description="The plan to compare with, the base.", examples=["9d5e4f60a1b2c3d43f2b8a4c9d5e4f60"])]


@router.get(
    "/{plan_id}/differences", operation_id="get_differences", summary="What a plan does differently from another",
    responses={200: _DIFFERENCES, **guarded_answers(UNKNOWN_PLAN, NOT_READY, FAULTS)},
)
async def get_differences(
    plan_id: PlanId, against: Against, caller: LinkReader, parts: PartsOf, wanted: RowsFormatOf,
) -> Response:
    """Answer score by parts, orders that get later or earlier, tasks that moved, hours, setups and money, from `against` to the plan.

    Both are ready; they need not be of one shop, nor made one from the other. The `compare` of a what-if is the same against its base.
    As one table with `?format=csv`, or `Accept: text/csv`.
    """
    plan, base = await _ready(parts.engine, caller, plan_id), await _ready(parts.engine, caller, against)
    if wanted.format == "json":
        return Response(await parts.comparisons.text(base, plan, caller.tenant), media_type="application/json")
    found = await parts.comparisons.between(base, plan, caller.tenant)
    return file_answer(await asyncio.to_thread(_csv, found), wanted, f"differences-{plan_id}")


@router.get(
    "/{plan_id}/costs", operation_id="get_costs", summary="What a plan costs",
    responses={200: _COSTS, **guarded_answers(UNKNOWN_PLAN, NOT_READY)},
)
async def get_costs(plan_id: PlanId, caller: LinkReader, engine: EngineOf) -> Response:
    """Answer hours and money of the plan, of each order and piece, and of the overtime bought.

    A mill costs its `hour_cost` for each cutting hour, an operator for each hour of tasks; an order bears the hours of its runs, shared
    by pieces where a run holds several. Money is null where the request gives no hour costs.
    """
    state = await _ready(engine, caller, plan_id)
    request = await engine.request(plan_id, caller.tenant)
    return Response(await asyncio.to_thread(lambda: plan_costs(request, state.plan).model_dump_json()), media_type="application/json")


async def _ready(engine: Engine, caller: Caller, plan_id: str) -> PlanState:
    state = await plan_of(engine, caller, plan_id)
    if state.status != "ready":
        raise ProblemError(NOT_READY, f"the plan '{plan_id}' is {state.status}")
    return state


def _csv(found: Differences) -> bytes:
    return rows_csv(COLUMNS, difference_rows(found))
