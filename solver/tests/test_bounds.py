"""Bounds: never above what a plan reaches, and as high as the simple cases allow."""

from typing import Any

import pytest

from benchmarks.generator import make_request, read_features
from benchmarks.job_shops import job_shop_request
from platerota_shared.reading import read_request
from platerota_solver.bounds import Bound, lower_bound
from platerota_solver.constructing import sequences
from platerota_solver.decoding import Decoder, fitting
from platerota_solver.exact import prove
from platerota_solver.kernel.state import first_choices
from platerota_solver.problem import Problem, build_problem
from platerota_solver.schedule import Schedule

from .shops import HOUR, add_part, at, order, plate, shift, tiny_shop


def problem_of(raw: dict[str, Any]) -> Problem:
    return build_problem(read_request(raw))


def bound_of(raw: dict[str, Any]) -> Bound:
    return lower_bound(problem_of(raw), 5.0, repeatable=True)


def dispatched(problem: Problem) -> Schedule:
    """The plan of the due-date sequence."""
    decoder = Decoder(problem)
    return decoder.schedule(fitting(decoder, first_choices(problem, sequences(problem)["due"])))


@pytest.mark.parametrize("features", ["plain", "routed", "mixed", "basic"])
@pytest.mark.parametrize("seed", range(1, 6))
def test_no_proved_optimum_lies_below_the_bound(features: str, seed: int) -> None:
    problem = problem_of(make_request("tiny", seed, read_features(features)))
    start = dispatched(problem)
    proof = prove(problem, start, start.points, 0.0, 0.3, repeatable=True, should_stop=lambda: False)
    bound = lower_bound(problem, 5.0, repeatable=True)
    assert bound.points <= proof.points + 1e-6
    assert bound.points >= 0.05 * proof.bound


@pytest.mark.parametrize("family", ["tiny", "small"])
@pytest.mark.parametrize("seed", range(1, 6))
def test_no_plan_with_every_feature_lies_below_the_bound(family: str, seed: int) -> None:
    problem = problem_of(make_request(family, seed, read_features("full")))
    assert lower_bound(problem, 5.0, repeatable=True).points <= dispatched(problem).points


def test_one_run_alone_is_bounded_exactly() -> None:
    """600 + 10 + 2,400 + 10 + 300 seconds, at 1 point an hour."""
    assert bound_of(tiny_shop()).points == pytest.approx(3_320 / HOUR)


def test_an_order_alone_counts_its_lateness() -> None:
    raw = tiny_shop(due=2_000)
    assert bound_of(raw).points == pytest.approx(3_320 / HOUR + 100 * 1_320 / HOUR)


def test_runs_on_one_plate_take_turns() -> None:
    assert bound_of(tiny_shop(quantity=3)).points == pytest.approx(3 * 3_320 / HOUR)


def test_orders_that_share_a_plate_wait_for_each_other() -> None:
    """Finishes at 3,320 and 6,640 s at least; the grid of instants costs a little."""
    raw = tiny_shop()
    raw["orders"].append(order("Q"))
    found = bound_of(raw)
    assert 0.97 * 3 * 3_320 / HOUR < found.points <= 3 * 3_320 / HOUR


def test_orders_that_share_a_mill_wait_for_each_other() -> None:
    """Plates of their own: 2,420 s of the mill each, after the first load of 600 s; so 3,320 and 5,740 s at least."""
    raw = tiny_shop()
    add_part(raw, "V", "G")
    raw["orders"].append(order("Q", part="V"))
    found = bound_of(raw)
    assert found.by == "mills and people"
    assert 2 * 3_320 / HOUR < found.points <= (3_320 + 5_740) / HOUR


def test_work_that_does_not_fit_before_the_evening_ends_the_next_morning() -> None:
    """From 06:00 to 06:50 the load, place and most of the cut; the pull and the unload wait until 06:00 of the next day."""
    raw = tiny_shop()
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "06:50")]
    assert bound_of(raw).points >= 24


def test_an_order_may_be_left_out_for_its_points() -> None:
    raw = tiny_shop(quantity=3)
    raw["settings"]["score"] = {"unplaced_order": 1}
    assert bound_of(raw).points == pytest.approx(1.0)


def test_an_order_that_nothing_can_finish_in_time_counts_as_left_out() -> None:
    raw = tiny_shop(quantity=30)
    raw["settings"]["horizon_days"] = 1
    assert bound_of(raw).points == pytest.approx(1_000_000)


def test_an_order_with_nothing_left_is_late_if_it_was_due() -> None:
    raw = tiny_shop(due=-HOUR)
    raw["floor"]["pieces"] = [{"order": "O", "op": 10, "pieces": 1}]
    assert bound_of(raw) == Bound(pytest.approx(100.0), "orders")


def test_nothing_to_do_is_no_points() -> None:
    raw = tiny_shop()
    raw["orders"] = []
    assert bound_of(raw).points == 0


def test_makespan_is_the_busiest_mill_of_a_job_shop() -> None:
    request = job_shop_request([[(0, 5), (1, 9)], [(0, 7), (1, 2)], [(0, 6)]], 1.0)
    assert bound_of(request).points == pytest.approx(18)


@pytest.mark.parametrize("change", ["plate", "operator", "later due date"])
def test_what_helps_never_raises_the_bound(change: str) -> None:
    raw = tiny_shop(quantity=4, due=2 * HOUR)
    before = bound_of(raw).points
    if change == "plate":
        raw["shop"]["plates"].append(plate("P2"))
    elif change == "operator":
        raw["shop"]["operators"].append({"id": "Ben"})
        raw["shop"]["shifts"].append(shift("Ben"))
    else:
        raw["orders"][0]["due"] = at(3 * HOUR)
    assert bound_of(raw).points <= before + 1e-6


def test_the_same_bound_every_time() -> None:
    problem = problem_of(make_request("small", 1, ("plain",)))
    assert lower_bound(problem, 5.0, repeatable=True) == lower_bound(problem, 5.0, repeatable=True)
