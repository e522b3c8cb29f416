"""A solve that starts from a plan: what still holds of it is kept, moves are counted, and an order may be wished for early."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmarks.generator import make_request
from benchmarks.mixes import Mix, mix_of
from platerota_shared import Plan, PlanRequest, RequestRefused, read_request
from platerota_shared.audit import audit
from platerota_shared.instants import local_text
from platerota_shared.moves import moved_tasks
from platerota_shared.replanning import floor_at
from platerota_shared.starts import Aim, Start
from platerota_solver import due_date_plan, solve

from .shops import DAY, HOUR, NOW, at, finish, order, plate, shift, tasks, tiny_shop

Raw = dict[str, Any]
EXAMPLES, NIGHTLY = 60, 600
QUIET = (HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example)
mixes = st.integers(1, 2**31 - 1).map(mix_of)


def planned(raw: Raw) -> tuple[PlanRequest, Plan] | None:
    """The request and its plan by due date; None where a change has made it no request any more."""
    try:
        request = read_request(raw)
    except RequestRefused:
        return None
    return request, due_date_plan(request)


def lateness(plan: Plan) -> dict[str, int]:
    """Seconds late of each placed order."""
    return {result.id: result.late_seconds or 0 for result in plan.orders if result.placed}


def hour(plan: Plan, name: str) -> float:
    """Hours from `now` to an order's finish."""
    finish = next(result.finish for result in plan.orders if result.id == name)
    assert finish is not None
    return (finish - plan.now) / HOUR


def check_kept(mix: Mix) -> None:
    """Any plan can be kept as a whole: started from, it is not worse, and where moves cost more than they bring nothing moves.

    But for work of 0 seconds between other work of the same person: no free time shows that it fits there.
    """
    found = planned(mix.request())
    if found is None:
        return
    request, base = found
    again = solve(request, start=Start(base, counts_moves=True))
    assert audit(request, again, base) == []
    if any(task.start == task.end for task in base.tasks):
        return
    assert again.score.total <= base.score.total + 1e-6
    dear = request.model_copy(update={"settings": request.settings.model_copy(update={
        "score": request.settings.score.model_copy(update={"moved_task": 1e9})})})
    assert moved_tasks(base, solve(dear, start=Start(base, counts_moves=True))) == []


def check_changed(mix: Mix) -> None:
    """What a changed request still allows of a plan is kept, what it does not is planned anew, and all of it is valid."""
    before = planned(replace(mix, changes=0).request())
    after = planned(mix.request())
    if before is None or after is None:
        return
    request, base = after[0], before[1]
    for counts in (False, True):
        again = solve(request, start=Start(base, counts_moves=counts, frozen_until=base.now + 4 * HOUR))
        assert audit(request, again, base if counts else None) == []


def check_later(mix: Mix, share: float) -> None:
    """A plan replanned at a later instant, though all went as planned: valid, moves counted to the task."""
    raw = mix.request()
    found = planned(raw)
    if found is None:
        return
    request, base = found
    last = max((task.end for task in base.tasks), default=base.now + HOUR)
    now = base.now + int(share * (min(last, base.horizon_end - 1) - base.now))
    replan = floor_at(raw, base, local_text(now, request.shop.zone))
    again = solve(replan.request, start=Start(base, counts_moves=True, frozen_until=now + HOUR))
    assert audit(replan.request, again, base) == []


def check_harmless(mix: Mix) -> None:
    """An order put in without harm makes no other one later, in any week; at any price the plan is valid too."""
    raw = mix.request()
    found = planned(raw)
    if found is None or not raw["orders"]:
        return
    base = found[1]
    rush = copy.deepcopy(raw)
    rush["orders"].append({**rush["orders"][0], "id": "rush", "quantity": 1})
    request = read_request(rush)
    calm = solve(request, start=Start(base, aim=Aim("rush", 1e5, harmless=True)))
    fast = solve(request, start=Start(base, aim=Aim("rush", 1e6)))
    for plan in (calm, fast):
        assert audit(request, plan) == []
    if any(task.start == task.end for task in base.tasks):
        return  # the plan may not be kept as a whole (see check_kept)
    before, after = lateness(base), lateness(calm)
    assert all(after.get(name, DAY * 999) <= late for name, late in before.items())


@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=QUIET, derandomize=True)
@given(mixes)
def test_any_plan_can_be_kept(mix: Mix) -> None:
    check_kept(mix)


@settings(max_examples=EXAMPLES // 2, deadline=None, suppress_health_check=QUIET, derandomize=True)
@given(mixes)
def test_a_changed_week_keeps_what_still_holds(mix: Mix) -> None:
    check_changed(mix)


@settings(max_examples=EXAMPLES // 2, deadline=None, suppress_health_check=QUIET, derandomize=True)
@given(mixes, st.floats(0, 1))
def test_a_plan_under_way_is_replanned(mix: Mix, share: float) -> None:
    check_later(mix, share)


@settings(max_examples=EXAMPLES // 4, deadline=None, suppress_health_check=QUIET, derandomize=True)
@given(mixes)
def test_a_harmless_order_harms_nobody(mix: Mix) -> None:
    check_harmless(mix)


@pytest.mark.nightly
@settings(max_examples=NIGHTLY, deadline=None, suppress_health_check=QUIET)
@given(mixes, st.floats(0, 1))
def test_starts_of_any_mix(mix: Mix, share: float) -> None:
    check_kept(mix)
    check_changed(mix)
    check_later(mix, share)
    check_harmless(mix)


def two_orders() -> Raw:
    """A and B, two runs each of 3,320 s on one mill with one plate, A first; both due when they end."""
    raw = tiny_shop()
    raw["orders"] = [order("A", 2, due=2 * 3_320), order("B", 2, due=4 * 3_320)]
    return raw


def test_a_rush_order_without_harm_waits_for_those_that_are_due() -> None:
    """One plate, one mill: only behind A and B nobody is later. At any price it is first, 3,320 s, and both pay."""
    raw = two_orders()
    base = solve(read_request(raw))
    raw["orders"].append(order("rush", 1, due=HOUR))
    request = read_request(raw)
    calm = solve(request, start=Start(base, aim=Aim("rush", 1e5, harmless=True)))
    fast = solve(request, start=Start(base, aim=Aim("rush", 1e6)))
    assert hour(calm, "rush") * HOUR == 5 * 3_320
    assert lateness(calm) == {**lateness(base), "rush": 5 * 3_320 - HOUR}
    assert hour(fast, "rush") * HOUR == 3_320
    assert lateness(fast) == {"A": 3_320, "B": 3_320, "rush": 0}


def test_a_rush_order_uses_the_slack_of_others_without_harm() -> None:
    """B is due a run later than it ends: the rush order goes between A and B, and B is on time still."""
    raw = two_orders()
    raw["orders"][1] = order("B", 2, due=5 * 3_320)
    base = solve(read_request(raw))
    raw["orders"].append(order("rush", 1, due=HOUR))
    calm = solve(read_request(raw), start=Start(base, aim=Aim("rush", 1e5, harmless=True)))
    assert hour(calm, "rush") * HOUR == 3 * 3_320
    assert lateness(calm) == {"A": 0, "B": 0, "rush": 3 * 3_320 - HOUR}


def test_what_starts_in_the_frozen_window_stays() -> None:
    """A much more urgent order comes in, but the run that starts within the hour is not touched: it goes second."""
    raw = two_orders()
    base = solve(read_request(raw))
    raw["orders"].append(order("rush", 1, due=HOUR, weight=50))
    request = read_request(raw)
    free = solve(request, start=Start(base, counts_moves=True))
    frozen = solve(request, start=Start(base, counts_moves=True, frozen_until=NOW + HOUR // 2))
    assert hour(free, "rush") * HOUR == 3_320
    assert hour(frozen, "rush") * HOUR == 2 * 3_320
    assert audit(request, frozen, base) == []


def test_a_dear_move_is_not_made() -> None:
    """A due date moved by an hour asks for A and B to change places; every task that moves costs more than that is worth."""
    raw = two_orders()
    base = solve(read_request(raw))
    raw["orders"][0]["due"], raw["orders"][1]["due"] = at(4 * 3_320), at(2 * 3_320)
    swapped = solve(read_request(raw), start=Start(base, counts_moves=True))
    assert moved_tasks(base, swapped)
    raw["settings"]["score"] = {"moved_task": 1_000}
    request = read_request(raw)
    kept = solve(request, start=Start(base, counts_moves=True))
    assert moved_tasks(base, kept) == []
    assert kept.score.parts.moved_task == 0
    assert audit(request, kept, base) == []


def test_a_second_plate_that_comes_in_is_used() -> None:
    """A what-if starts from the plan and yet finds what a new plate is good for."""
    raw = two_orders()
    base = solve(read_request(raw))
    raw["shop"]["plates"].append(plate("P2"))
    request = read_request(raw)
    better = solve(request, start=Start(base))
    assert audit(request, better) == []
    assert better.score.total < base.score.total
    assert {run.plate for run in better.runs} == {"P1", "P2"}


def test_a_start_is_written_and_read_again() -> None:
    """The document of a start gives the same start."""
    raw = make_request("tiny", 3, (), solve_seconds=0.02)
    plan = due_date_plan(read_request(raw))
    start = Start(plan, counts_moves=True, frozen_until=plan.now + 60, aim=Aim("A", 5.0, harmless=True))
    assert Start.from_document(start.document()) == start


def test_a_run_whose_stock_became_too_heavy_for_its_mill_is_planned_anew() -> None:
    """Two pieces of 20 kg on a plate of 10 kg are 50 kg: one run. From 45 kg on, the mill takes one piece at a time."""
    raw = tiny_shop(quantity=2)
    raw["shop"]["nests"][0]["count"] = 2
    raw["shop"]["operations"][0]["stock_mass"] = 20
    base = solve(read_request(raw))
    assert len(base.runs) == 1
    raw["shop"]["machines"][0]["max_mass"] = 45
    request = read_request(raw)
    again = solve(request, start=Start(base, counts_moves=True))
    assert audit(request, again, base) == []
    assert [sum(row.pieces for row in run.pieces) for run in again.runs] == [1, 1]


def test_bench_work_of_somebody_who_may_not_do_it_any_more_is_planned_anew() -> None:
    raw = tiny_shop()
    raw["shop"]["operators"] = [{"id": "Ana"}]
    raw["shop"]["operations"][0]["bench_seconds"] = 600
    base = solve(read_request(raw))
    assert [task.operator for task in tasks(base, "bench")] == ["Ana"]
    raw["shop"]["operators"] = [{"id": "Ana", "skills": ["load", "unload", "exchange"]}, {"id": "Ben", "skills": ["bench"]}]
    raw["shop"]["shifts"].append(shift("Ben"))
    request = read_request(raw)
    again = solve(request, start=Start(base, counts_moves=True))
    assert audit(request, again, base) == []
    assert [task.operator for task in tasks(again, "bench")] == ["Ben"]


def test_a_cut_that_ends_later_than_was_thought_moves_what_follows_it() -> None:
    raw = tiny_shop()
    raw["floor"]["running"] = [{"plate": "P1", "machine": "M1", "order": "O", "op": 10, "pieces": 1, "cut_end": at(600)}]
    base = solve(read_request(raw))
    assert finish(base) == 600 + 10 + 300
    raw["floor"]["running"][0]["cut_end"] = at(1_200)
    request = read_request(raw)
    again = solve(request, start=Start(base, counts_moves=True))
    assert audit(request, again, base) == []
    assert finish(again) == 1_200 + 10 + 300
