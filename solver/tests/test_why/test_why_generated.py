"""Generated weeks with every feature of the floor on: the hours of every order add up, and every sentence names a resource."""

from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from benchmarks.generator import FULL, make_request
from platerota_shared.tables import PlanRequest
from platerota_solver import due_date_plan
from platerota_solver.problem import build_problem
from platerota_solver.why import Obstacles, late_reasons, order_waits, unplaced_reasons


def request(seed, days):
    raw = make_request("small", seed, FULL, 1)
    raw["settings"]["horizon_days"] = days
    return PlanRequest.model_validate(raw, context={"zone": ZoneInfo(raw["shop"]["timezone"])})


def ids(wanted):
    shop = wanted.shop
    return {row.id for row in (*shop.machines, *shop.plates, *shop.operators, *wanted.orders)} | {"op 10", "op 20", "op 30"}


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_the_time_of_every_order_adds_up(seed):
    wanted = request(seed, 28)
    plan = due_date_plan(wanted)
    for order in plan.orders:
        waits = order_waits(wanted, plan.runs, plan.tasks, order.id)
        assert (waits[0].start, waits[-1].end) == (wanted.now, order.finish)
        assert all(a.end == b.start for a, b in pairwise(waits))
        assert {name for wait in waits for name in wait.resource.split(", ")} <= ids(wanted)
        assert {wait.task for wait in waits} <= {task.id for task in plan.tasks} | {None}


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_what_waits_for_its_turn_is_little(seed):
    # A wait without a resource in the way is one that the explanation could not explain.
    wanted = request(seed, 28)
    plan = due_date_plan(wanted)
    waits = [wait for order in plan.orders for wait in order_waits(wanted, plan.runs, plan.tasks, order.id)]
    assert sum(wait.seconds for wait in waits if wait.cause == "turn") <= 0.05 * sum(wait.seconds for wait in waits)


@pytest.mark.parametrize("seed", [1, 2])
def test_every_late_order_has_its_sentence(seed):
    wanted = request(seed, 28)
    plan = due_date_plan(wanted)
    late = [order.id for order in plan.orders if order.late_seconds]
    reasons = late_reasons(wanted, plan.runs, plan.tasks, late)
    assert list(reasons) == late
    for sentence in reasons.values():
        assert any(name in sentence for name in ids(wanted))
        assert "{" not in sentence
        assert "  " not in sentence


@pytest.mark.parametrize("seed", [2, 3])
def test_every_order_left_out_has_its_obstacle(seed):
    wanted = request(seed, 1)
    plan = due_date_plan(wanted)
    left_out = [order.id for order in plan.orders if not order.placed]
    assert left_out
    problem = build_problem(wanted)
    obstacles = Obstacles(problem, plan.runs, plan.tasks)
    for order, sentence in unplaced_reasons(problem, plan.runs, plan.tasks, left_out).items():
        found = obstacles.of(order)
        assert found.resources
        assert all(name in sentence for name in found.resources[:4])
        assert found.finish is None or wanted.now < found.finish <= wanted.horizon_end
