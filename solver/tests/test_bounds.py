"""Bounds: never above what a plan reaches, and as high as the simple cases allow."""

from typing import Any

import pytest

from benchmarks.generator import make_request, read_features
from benchmarks.job_shops import job_shop_request
from platerota_shared.reading import read_request
from platerota_solver.bounds import Bound, lower_bound
from platerota_solver.bounds.finishing import Finishing
from platerota_solver.bounds.multipliers import best_bound
from platerota_solver.bounds.profiles import bounding_shop
from platerota_solver.bounds.whole import whole_bound
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
    assert found.by in {"mills and people", "whole orders"}
    assert 2 * 3_320 / HOUR < found.points <= (3_320 + 5_740) / HOUR


def test_work_that_does_not_fit_before_the_evening_ends_the_next_morning() -> None:
    """From 06:00 to 06:50 the load, place and most of the cut; the pull and the unload wait until 06:00 of the next day."""
    raw = tiny_shop()
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "06:50")]
    assert bound_of(raw).points >= 24


def one_of_two_by_the_evening() -> dict[str, Any]:
    """One mill from 06:00 to 12:30, two orders due then, each six runs on a plate of its own: 5.5 h alone, 8 h of the mill together.

    So one of them ends the next day, 17.5 h late at least.
    """
    raw = tiny_shop(quantity=6, due=23_400)
    add_part(raw, "V", "G")
    raw["orders"].append(order("Q", quantity=6, due=23_400, part="V"))
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "12:30")]
    return raw


def test_no_order_is_half_this_evening_and_half_tomorrow() -> None:
    raw = one_of_two_by_the_evening()
    problem = problem_of(raw)
    found = lower_bound(problem, 5.0, repeatable=True)
    finishing = Finishing(problem, bounding_shop(problem), instants=100, buckets=100)
    assert found.by == "whole orders"
    assert 1_750 <= found.points <= dispatched(problem).points
    assert best_bound(finishing, 60, lambda: False)[0] < 0.8 * found.points


def test_orders_that_share_a_plate_are_whole_and_wait_for_each_other() -> None:
    """Two orders of three runs on one plate, six runs of 3,320 s: one ends the next day, though the mill alone has time for both."""
    raw = tiny_shop(quantity=3, due=18_000)
    raw["orders"].append(order("Q", quantity=3, due=18_000))
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "11:00")]
    problem = problem_of(raw)
    finishing = Finishing(problem, bounding_shop(problem), instants=100, buckets=100)
    assert 1_900 <= whole_bound(finishing, 5.0, repeatable=True) <= dispatched(problem).points


@pytest.mark.parametrize("effort", [0.0, 0.001, 0.01, 0.1])
def test_a_search_for_whole_finishes_that_ends_early_proves_less(effort: float) -> None:
    problem = problem_of(make_request("small", 2, ("plain",)))
    finishing = Finishing(problem, bounding_shop(problem), instants=60, buckets=60)
    assert whole_bound(finishing, effort, repeatable=True) <= whole_bound(finishing, 1.0, repeatable=True) + 1e-6


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
