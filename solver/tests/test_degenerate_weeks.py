"""Weeks that no shop has, and that a slip of the pen makes: each ends with a plan that the audit passes, or is refused, in words.

`test_solving.py` holds the strange weeks of a single row; these are the large, the long and the empty ones, and what is said of them.
"""

from __future__ import annotations

import pytest

from platerota_shared import RequestRefused, read_request
from platerota_shared.audit import audit
from platerota_shared.plan import Plan
from platerota_solver import due_date_plan, solve

from .shops import DAY, HOUR, Raw, add_part, at, mill, order, plate, shift, tiny_shop

HORIZON = "cannot be finished before the horizon ends (Mon 2027-03-08 06:00)"


def plans(raw: Raw, solve_seconds: float = 0.05) -> tuple[Plan, Plan]:
    """The optimiser's plan and the one by due dates, once the audit has passed both."""
    raw["settings"]["solve_seconds"] = solve_seconds
    request = read_request(raw)
    found = solve(request), due_date_plan(request)
    assert [audit(request, plan) for plan in found] == [[], []]
    return found


def refusal(raw: Raw) -> tuple[str, str, str, str]:
    """Where, what kind, what is wrong and what to change, of the one fault."""
    with pytest.raises(RequestRefused) as caught:
        read_request(raw)
    (fault,) = caught.value.faults
    return fault.pointer, fault.code, fault.detail, fault.mend


def placed(plan: Plan) -> int:
    """How many orders have a place."""
    return sum(result.placed for result in plan.orders)


def why(plan: Plan, name: str = "O") -> str | None:
    """What is said of an order."""
    return next(result.why for result in plan.orders if result.id == name)


def test_work_of_no_length_everywhere_costs_nothing_and_that_is_proved() -> None:
    raw = tiny_shop()
    add_part(raw, "V", "G", cut=0)
    raw["shop"]["operations"][0]["cut_seconds"] = 0
    for fixture in raw["shop"]["fixtures"]:
        fixture.update(load_seconds=0, unload_seconds=0)
    nothing = {"place_seconds": 0, "pull_seconds": 0}
    raw["shop"]["machines"] = [mill("M1", **nothing), mill("M2", **nothing, exchange="automatic", positions=2, exchange_seconds=0)]
    raw["orders"] = [order(f"O{number}", 1 + number % 4, part="WV"[number % 2]) for number in range(30)]
    for plan in plans(raw):
        assert (placed(plan), plan.score.total, plan.quality) == (30, 0, "optimal")
        assert {task.end for task in plan.tasks} == {plan.now}


@pytest.mark.parametrize(("load_seconds", "placed_orders"), [(1, 1), (2, 0)])
def test_shifts_of_one_second_hold_work_of_one_second(load_seconds: int, placed_orders: int) -> None:
    """A minute's shift each hour, all of it but the first second taken away; a load of two seconds never fits."""
    raw = tiny_shop(quantity=3)
    raw["shop"]["fixtures"] = [{"id": "F", "load_seconds": load_seconds}]
    raw["shop"]["machines"] = [mill("M1", place_seconds=0, pull_seconds=0)]
    raw["shop"]["shifts"] = [shift("Ana", f"{hour:02}:00", f"{hour:02}:01") for hour in range(24)]
    raw["shop"]["closures"] = [{"operator": "Ana", "start": at(hour * HOUR + 1), "end": at((hour + 1) * HOUR)} for hour in range(7 * 24)]
    for plan in plans(raw):
        assert placed(plan) == placed_orders
        if not placed_orders:
            assert why(plan) == f"{HORIZON}: Ana is away for 167 h 57 min in that time; without that it would finish Mon 09:00"


def test_a_horizon_of_120_days_is_filled_to_its_last_week() -> None:
    raw = tiny_shop()
    raw["settings"]["horizon_days"] = 120
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "14:00")]
    raw["orders"] = [order(f"O{number}", 8, due=(3 * number + 2) * DAY, release=at(3 * number * DAY)) for number in range(39)]
    plan, plain = plans(raw)
    assert placed(plan) == placed(plain) == 39
    assert max(task.end for task in plan.tasks) > plan.now + 114 * DAY
    assert all(result.late_seconds == 0 for result in plan.orders)


def test_500_orders_on_one_mill_follow_each_other() -> None:
    raw = tiny_shop()
    raw["settings"]["horizon_days"] = 28
    raw["orders"] = [order(f"O{number}", due=number * HOUR) for number in range(500)]
    plan, plain = plans(raw)
    assert placed(plan) == placed(plain) == 500
    alone = "even alone in the empty shop it needs at least 55 min, and it is due at once (Mon 06:00)"
    assert why(plan, "O0") == f"{alone}; its own work takes 55 min"
    assert (why(plan, "O1") or "").endswith("to finish sooner it would take another plate with fixture F")


def test_of_300_orders_that_do_not_fit_each_says_so() -> None:
    """A week has room for 182 runs of 3,320 s after each other; the reasons of all but the first fifty left out are in short."""
    raw = tiny_shop()
    raw["orders"] = [order(f"O{number}", due=number * HOUR) for number in range(300)]
    for plan in plans(raw):
        left = [result for result in plan.orders if not result.placed]
        assert placed(plan) in (181, 182)
        assert all(result.why and "before the horizon ends (Mon 2027-03-08 06:00)" in result.why for result in left)


def test_500_plates_of_one_fixture_feed_one_mill() -> None:
    raw = tiny_shop(quantity=40)
    raw["shop"]["plates"] = [plate(f"P{number}") for number in range(500)]
    for plan in plans(raw):
        assert (placed(plan), len(plan.runs)) == (1, 40)


def test_a_shop_in_which_everything_is_closed_is_refused() -> None:
    raw = tiny_shop()
    raw["shop"]["closures"] = [{"start": at(-HOUR), "end": at(8 * DAY)}]
    assert refusal(raw) == (
        "/shop/shifts", "nobody",
        "the orders need load, exchange and unload, and nobody who can do it has a shift between now and the end of the horizon",
        "add a shift, shorten closures, or widen horizon_days",
    )


def test_mill_plate_and_operator_closed_are_named_together() -> None:
    raw = tiny_shop(quantity=3)
    raw["shop"]["closures"] = [
        {"machine": "M1", "start": at(-HOUR), "end": at(8 * DAY)}, {"plate": "P1", "start": at(-HOUR), "end": at(8 * DAY)},
        {"operator": "Ana", "start": at(HOUR), "end": at(8 * DAY)},
    ]
    plan, plain = plans(raw)
    words = "M1, P1 and Ana are closed or away for 503 h altogether in that time; without that it would finish Mon 08:46"
    assert why(plan) == why(plain) == f"{HORIZON}: {words}"
    assert plan.quality == "optimal"  # nothing can be placed, and the bound knows it


def test_orders_that_were_all_due_yesterday_say_what_they_wait_for() -> None:
    raw = tiny_shop()
    raw["orders"] = [order(f"O{number}", number + 1, due=-DAY) for number in range(12)]
    plan, _ = plans(raw)
    assert placed(plan) == 12
    assert why(plan, "O0") == "it was due Sun 2027-02-28 06:00, before this plan begins; its own work takes 55 min"
    assert sum(warning.code == "due-before-now" for warning in plan.warnings) == 12


def test_an_order_of_too_many_runs_is_refused_and_one_of_many_pieces_a_run_is_left_out() -> None:
    pointer, code, detail, mend = refusal(tiny_shop(quantity=100_000))
    assert (pointer, code) == ("/orders", "too-many-runs")
    assert detail == "the orders need about 100,000 runs of a plate, 100,000 of them for part W; the most is 30,000"
    assert mend == "correct the quantities and the nests, or plan fewer orders at once"
    raw = tiny_shop(quantity=1_000_000)
    raw["shop"]["nests"][0]["count"] = 1_000
    raw["shop"]["operations"][0]["cut_seconds"] = 1
    for plan in plans(raw):
        assert (placed(plan), plan.runs) == (0, ())
        words = "the horizon is too short for its ops one after the other (cuts of 277 h 47 min on M1)"
        assert (why(plan) or "").startswith(f"{HORIZON}: {words}")


def test_one_operator_without_a_skill_that_is_needed_is_refused() -> None:
    raw = tiny_shop()
    raw["shop"]["operators"] = [{"id": "Ana", "skills": ["bench"]}]
    assert refusal(raw) == (
        "/shop/operators", "nobody", "the orders need load, exchange and unload, and no operator has that skill",
        "add it to the skills of an operator; an empty list means all skills",
    )


def test_material_after_the_horizon_leaves_its_order_out_and_no_other() -> None:
    raw = tiny_shop()
    raw["orders"] = [order("O", release=at(30 * DAY)), order("B")]
    for plan in plans(raw):
        assert [result.placed for result in plan.orders] == [False, True]
        assert why(plan) == f"{HORIZON}: its material comes Wed 2027-03-31 06:00; without that it would finish Mon 06:55"
