"""Money: orders, pieces and overtime add up to what the plan costs."""

from __future__ import annotations

from math import isclose

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platerota_shared.audit.book import Book
from platerota_shared.audit.kpis import recomputed
from platerota_shared.costs import plan_costs
from platerota_shared.plan import RunPieces

from .audit_drafts import Draft
from .audit_plans import NOW
from .audit_weeks import WEEKS


def priced(week: str, mill: float = 60.0, hand: float = 36.0) -> Draft:
    """A week in which every mill and everybody costs something."""
    draft = Draft.of(week)
    for machine in draft.request.shop.machines:
        draft = draft.row("machines", machine.id, hour_cost=mill)
    for operator in draft.request.shop.operators:
        draft = draft.row("operators", operator.id, hour_cost=hand)
    return draft


@pytest.mark.parametrize("week", WEEKS)
def test_the_orders_costs_add_up_to_the_plans(week: str) -> None:
    draft = priced(week)
    found, kpis = plan_costs(draft.request, draft.plan), recomputed(Book(draft.request, draft.plan))
    assert kpis.shop is not None
    assert found.cost is not None
    assert isclose(found.cost, kpis.shop.ratios["planned_cost"] or 0.0)
    assert isclose(sum(order.cost or 0.0 for order in found.orders), found.cost)
    assert found.spindle_seconds == sum(row.seconds["cutting"] for row in kpis.machines)
    assert found.operator_seconds == sum(row.elements["APWT"] for row in kpis.operators)
    unloaded = {task.run for task in draft.plan.tasks if task.kind == "unload"}
    if all(run.id in unloaded for run in draft.plan.runs):
        assert sum(order.pieces for order in found.orders) == kpis.shop.pieces


@given(st.sampled_from(sorted(WEEKS)), st.integers(-100, 100_000))
def test_before_and_after_an_instant_add_up_to_all_of_it(week: str, instant: int) -> None:
    draft = priced(week)
    whole, rest = plan_costs(draft.request, draft.plan), plan_costs(draft.request, draft.plan, NOW + instant)
    spent = sum(max(0, min(task.end, NOW + instant) - task.start) for task in draft.plan.tasks if task.kind == "cut")
    assert whole.spindle_seconds == rest.spindle_seconds + spent
    assert (rest.cost or 0.0) <= (whole.cost or 0.0) + 1e-9
    assert isclose(sum(order.cost or 0.0 for order in rest.orders), rest.cost or 0.0, abs_tol=1e-9)


def test_two_orders_on_one_plate_share_by_pieces_and_by_what_they_cut() -> None:
    # By hand: the cut is 600 s for each piece of A op 10; one piece of O1 and three of O2 share 120 + 60 + 20 s by hand and 2400 s.
    draft = priced("night")
    request = draft.request.model_copy(update={"orders": (*draft.request.orders, draft.request.orders[0].model_copy(update={"id": "O2"}))})
    pieces = tuple(RunPieces(order=name, part="A", op=10, pieces=count) for name, count in (("O1", 1), ("O2", 3)))
    plan = draft.run("R1", pieces=pieces).with_plan(
        orders=(*draft.plan.orders, draft.plan.orders[0].model_copy(update={"id": "O2"})),
    ).plan
    first, second = plan_costs(request, plan).orders
    assert (first.spindle_seconds, first.operator_seconds, first.pieces) == (600, 50, 1)
    assert (second.spindle_seconds, second.operator_seconds, second.pieces) == (1800, 150, 3)
    assert (first.cost, first.piece_cost) == (10.0 + 0.5, 10.5)
    assert (second.cost, second.piece_cost) == (31.5, 10.5)


def test_overtime_is_bought_by_the_shift_and_worked_by_the_task() -> None:
    # By hand: the shift is 14:00-16:00; Ann works 120 + 10 + 10 + 60 s in it.
    draft = priced("overtime")
    row, = plan_costs(draft.request, draft.plan).overtime
    assert (row.operator, row.worked_seconds, row.bought_seconds) == ("Ann", 200, 7200)
    assert (row.worked_cost, row.bought_cost, row.worked_hour_cost) == (2.0, 72.0, 1296.0)
    assert plan_costs(draft.request, draft.plan, NOW + 36_000).overtime == ()


@pytest.mark.parametrize("week", ["two_plates", "overtime"])
def test_without_hour_costs_there_are_hours_and_no_money(week: str) -> None:
    draft = Draft.of(week)
    found = plan_costs(draft.request, draft.plan)
    assert found.spindle_seconds > 0
    assert found.cost is None
    assert {order.cost for order in found.orders} | {row.bought_cost for row in found.overtime} == {None}


def test_an_order_that_finishes_no_piece_has_no_cost_a_piece() -> None:
    draft = priced("two_plates")
    none = draft.with_plan(runs=(), tasks=()).plan
    order, = plan_costs(draft.request, none).orders
    assert (order.cost, order.piece_cost, order.pieces) == (0.0, None, 0)
