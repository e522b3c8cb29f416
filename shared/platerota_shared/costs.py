"""Money: what a plan, an order, a piece and an overtime hour cost, from the hour costs of mills and operators.

A mill costs its `hour_cost` for each cutting hour, an operator for each hour of tasks, as the key figures have it
(:mod:`platerota_shared.kpi_formulas`). An order bears the hours of its runs: bench work and first articles its own; a cut by its
formula (F1), each piece its cutting seconds and the rest by pieces; load, place, pull, unload and the setup by pieces; a
build by the pieces of all runs on that plate. The orders' costs add up to the plan's.
"""

from __future__ import annotations

from platerota_shared.plan import Out, Plan
from platerota_shared.tables import PlanRequest


class OrderCost(Out):
    """What one order costs in this plan; work done before `now` is not in it."""

    id: str
    """The order."""
    spindle_seconds: int
    """Its share of cutting seconds, rounded."""
    operator_seconds: int
    """Its share of hand work, seconds, rounded."""
    pieces: int
    """Pieces that the plan unloads from their last op."""
    cost: float | None
    """Money; null where the request gives no hour costs."""
    piece_cost: float | None
    """cost ÷ pieces; null where the plan finishes none, or no hour costs are given."""


class OvertimeCost(Out):
    """Overtime that the plan buys from one operator."""

    operator: str
    """Who works it."""
    worked_seconds: int
    """Seconds of tasks in time that only overtime shifts cover, as the score counts them."""
    bought_seconds: int
    """Overtime working time, breaks left out, of the overtime shifts that are called in, whole."""
    worked_cost: float | None
    """worked hours × hour_cost; part of the plan's cost. null where the request gives no hour costs."""
    bought_cost: float | None
    """bought hours × hour_cost: what it costs where a shift called in is paid whole."""
    worked_hour_cost: float | None
    """bought_cost ÷ worked hours: what an hour of overtime work costs then; null where none is worked."""


class PlanCosts(Out):
    """Hours and money of a plan."""

    spindle_seconds: int
    """Cutting seconds of all machines."""
    operator_seconds: int
    """Seconds of tasks of all operators."""
    cost: float | None
    """Money: planned_cost of the key figures; null where the request gives no hour costs."""
    orders: tuple[OrderCost, ...]
    """Each order of the request, in its order."""
    overtime: tuple[OvertimeCost, ...]
    """Each operator with overtime in the plan, in the order of the request."""


def plan_costs(request: PlanRequest, plan: Plan, since: int | None = None) -> PlanCosts:
    """Hours and money of a plan that the audit passed.

    Parameters
    ----------
    since
        Count from this instant on only (UTC seconds); None: all of it. Bought overtime is that of shifts with a task after it.
    """
    raise NotImplementedError
