"""The described plan as a whole: score, results, lanes, floats and windows of a shop checked by hand."""

from typing import Any

import pytest

NOW = 1_803_880_800


def test_score_and_results(two_plates):
    # finish 5940 s = 1.65 h after now, not late
    plan = two_plates.plan(bound=1.0)
    assert plan.score.parts.finish_hour == pytest.approx(1.65)
    assert plan.score.total == pytest.approx(1.65)
    assert plan.score.gap == pytest.approx(0.65 / 1.65)
    (order,) = plan.orders
    assert (order.start, order.finish, order.late_seconds, order.placed, order.runs, order.why) == (NOW, NOW + 5_940, 0, True, 2, None)


def test_every_part_of_the_score(two_plates):
    # O due 2340: late 3600 s = 1 h at weight 2; finish 1.65 h; a second order cannot be placed; makespan 1.65 h
    two_plates.orders[0] |= {"due": "2027-03-01T06:39:00Z", "weight": 2}
    two_plates.order("X", 4, due=0, weight=3)
    two_plates.unplaced = {"X": "nobody is on shift"}
    two_plates.settings["score"] = {"makespan_hour": 10, "unplaced_order": 1000, "finish_hour": 2, "late_hour": 50}
    plan = two_plates.plan(why={"O": "waited for plate P1", "X": "not used"})
    parts = plan.score.parts
    assert (parts.late_hour, parts.finish_hour, parts.makespan_hour) == pytest.approx((100, 6.6, 16.5))
    assert (parts.unplaced_order, parts.setup, parts.overtime_hour, parts.moved_task) == (3000, 0, 0, 0)
    late, unplaced = plan.orders
    assert (late.late_seconds, late.why) == (3_600, "waited for plate P1")
    assert (unplaced.start, unplaced.finish, unplaced.late_seconds, unplaced.placed) == (None, None, None, False)
    assert (unplaced.runs, unplaced.why) == (0, "nobody is on shift")


@pytest.mark.parametrize(
    ("bound", "quality", "kept", "claimed"),
    [
        (1.2, "optimal", 1.2, "feasible"), (1.65, "optimal", 1.65, "optimal"), (9.0, "optimal", 1.65, "optimal"),
        (1.65 - 1e-8, "optimal", 1.65, "optimal"), (9.0, "feasible", 1.65, "feasible"), (-3.0, "feasible", 0.0, "feasible"),
    ],
)
def test_optimal_needs_a_bound_that_meets_the_score(two_plates, bound, quality, kept, claimed):
    plan = two_plates.plan(bound=bound, quality=quality)
    assert plan.score.bound == pytest.approx(kept)
    assert plan.quality == claimed
    assert (plan.score.bound == plan.score.total) == (kept == 1.65)


def test_a_week_without_orders_is_described(week):
    plan = week.plan(quality="optimal")
    assert (plan.quality, plan.score.total, plan.score.gap, plan.tasks, plan.warnings) == ("optimal", 0, 0, (), ())
    assert plan.kpis.shop.seconds == 0
    assert plan.kpis.shop.on_time_share is None
    assert [lane.tasks for lane in plan.lanes] == [()] * 4


def test_an_order_with_nothing_left_finishes_now(week):
    week.order("O", 4, due=-60)
    week.floor = {"pieces": [{"order": "O", "op": 10, "pieces": 4}]}
    (order,) = week.plan().orders
    assert (order.start, order.finish, order.late_seconds, order.runs) == (None, NOW, 60, 0)


def test_lanes_are_machines_then_plates_then_operators(two_plates):
    lanes = {(lane.resource, lane.id): list(lane.tasks) for lane in two_plates.plan().lanes}
    assert lanes == {
        ("machine", "M1"): ["R1.place", "R1.cut", "R1.pull", "R2.place", "R2.cut", "R2.pull"],
        ("plate", "P1"): ["R1.load", "R1.place", "R1.cut", "R1.pull", "R1.unload"],
        ("plate", "P2"): ["R2.load", "R2.place", "R2.cut", "R2.pull", "R2.unload"],
        ("operator", "A"): ["R1.load", "R1.place", "R2.load", "R1.pull", "R2.place", "R1.unload", "R2.pull", "R2.unload"],
    }
    assert list(lanes) == [("machine", "M1"), ("plate", "P1"), ("plate", "P2"), ("operator", "A")]


def test_float_stops_at_the_operators_next_task(two_plates, floats):
    # R2.load may end when A pulls R1 at 3060: 2460 - 660; R1.unload when A pulls R2 at 5580: 5280 - 3180
    found = floats(two_plates.plan())
    assert {name: seconds for name, seconds in found.items() if seconds} == {"R2.load": 1_800, "R1.unload": 2_100}


def test_windows_lie_between_the_operators_tasks(two_plates, windows):
    plan = two_plates.plan()
    assert windows(plan) == {"R1": (0, 600), "R2": (660, 3_060)}
    assert [(row.place_at - NOW, row.machine, row.operator, row.plate) for row in plan.load_windows] == [
        (600, "M1", "A", "P1"), (3_120, "M1", "A", "P2"),
    ]


def test_a_cut_of_no_length_right_after_its_load_leaves_the_load_its_window(week, windows):
    # P1 stays in M1: its cut of 0 s at 3000 comes after the load of 0 s, which A could have done from 0 on.
    week.plates[0] |= {"stays_in": "M1"}
    week.fixtures[0] |= {"load_seconds": 0}
    week.operations[0] |= {"cut_seconds": 0}
    week.order("O", 4, due=10_800)
    week.run("R1", "P1", {("O", 10): 4}, stays=True, load=(3_000, 3_000), cut=(3_000, 3_000), unload=(3_000, 3_300))
    assert windows(week.plan()) == {"R1": (0, 3_000)}


def test_a_described_plan_does_not_depend_on_the_order_of_the_tasks(two_plates):
    first = two_plates.plan().text()
    two_plates.tasks.reverse()
    assert two_plates.plan().text() == first


def test_tasks_of_no_length_keep_the_sequence_of_the_rules(week, floats):
    # Hand work of 0 s: all of R1's end and R2's start lie at 2400, where the pull must come before the place.
    week.machines[0] |= {"place_seconds": 0, "pull_seconds": 0}
    week.fixtures[0] |= {"load_seconds": 0, "unload_seconds": 0}
    week.order("O", 8, due=10_800)
    week.run(
        "R2", "P1", {("O", 10): 4}, load=(2_400, 2_400), place=(2_400, 2_400), cut=(2_400, 4_800),
        pull=(4_800, 4_800), unload=(4_800, 4_800),
    )
    week.run("R1", "P1", {("O", 10): 4}, load=(0, 0), place=(0, 0), cut=(0, 2_400), pull=(2_400, 2_400), unload=(2_400, 2_400))
    plan = week.plan()
    lane = next(lane for lane in plan.lanes if lane.resource == "operator")
    assert list(lane.tasks) == [
        "R1.load", "R1.place", "R1.pull", "R1.unload", "R2.load", "R2.place", "R2.pull", "R2.unload",
    ]
    assert set(floats(plan).values()) == {0}


def _none_of_it_takes_time(week) -> None:
    """Hand work and cuts of 0 s; part W has an op 20 on fixture G of plate P3."""
    week.machines[0] |= {"place_seconds": 0, "pull_seconds": 0}
    week.fixtures[0] |= {"load_seconds": 0, "unload_seconds": 0}
    week.operations[0] |= {"cut_seconds": 0}
    week.plates.append({**week.plates[0], "id": "P3", "fixture": "G"})
    week.fixtures.append({"id": "G"})
    week.nests.append({"fixture": "G", "part": "W", "op": 20, "count": 4})
    week.operations.append({"part": "W", "op": 20, "cut_seconds": 600})


def _together(lane: Any, *names: str) -> list[str]:
    return [name for name in lane.tasks if name in names]


def test_pieces_that_a_cut_of_no_length_brings_are_there_before_they_are_loaded(week):
    _none_of_it_takes_time(week)
    week.order("O", 4, due=10_800)
    week.run("R1", "P1", {("O", 10): 4}, load=(0, 0), place=(600, 600), cut=(600, 600), pull=(600, 600), unload=(600, 600))
    week.run(
        "R2", "P3", {("O", 20): 4}, fixture="G", load=(600, 600), place=(600, 600), cut=(600, 3_000), pull=(3_000, 3_000),
        unload=(3_000, 3_000),
    )
    operator = week.plan().lanes[-1]
    assert _together(operator, "R1.place", "R1.unload", "R2.load", "R2.place") == ["R1.place", "R1.unload", "R2.load", "R2.place"]


def test_a_plate_that_is_gone_again_at_once_is_placed_first(week):
    # M1 has one position: P1 stands in it from 600 on, P2 at 600 only.
    _none_of_it_takes_time(week)
    week.order("O", 8, due=10_800)
    week.run("R1", "P1", {("O", 10): 4}, load=(0, 0), place=(600, 600), cut=(900, 900), pull=(900, 900), unload=(900, 900))
    week.run("R2", "P2", {("O", 10): 4}, load=(0, 0), place=(600, 600), cut=(600, 600), pull=(600, 600), unload=(1_200, 1_200))
    machine = week.plan().lanes[0]
    assert _together(machine, "R1.place", "R2.place", "R2.pull") == ["R2.place", "R2.pull", "R1.place"]


def test_of_cuts_of_no_length_at_one_instant_the_one_set_up_for_is_first(week):
    _none_of_it_takes_time(week)
    week.order("O", 8, due=10_800)
    all_at_600 = {kind: (600, 600) for kind in ("place", "cut", "pull", "unload")}
    week.run("R1", "P1", {("O", 10): 4}, load=(0, 0), **all_at_600)
    week.run("R2", "P2", {("O", 10): 4}, setup=(1, 600), load=(0, 0), **all_at_600)
    machine = week.plan().lanes[0]
    assert _together(machine, "R1.place", "R1.cut", "R2.setup", "R2.cut", "R2.pull") == [
        "R2.setup", "R2.cut", "R2.pull", "R1.place", "R1.cut",
    ]


def test_a_plate_placed_beside_the_one_that_is_set_up_for_is_cut_after_it(week):
    # P2 stays longer than P1, which waits beside it for its cut.
    _none_of_it_takes_time(week)
    week.machines[0] |= {"positions": 2}
    week.order("O", 8, due=10_800)
    week.run("R1", "P1", {("O", 10): 4}, load=(0, 0), place=(600, 600), cut=(600, 600), pull=(600, 600), unload=(600, 600))
    week.run(
        "R2", "P2", {("O", 10): 4}, setup=(1, 600), load=(0, 0), place=(600, 600), cut=(600, 600), pull=(900, 900), unload=(900, 900),
    )
    assert _together(week.plan().lanes[0], "R1.cut", "R2.cut") == ["R2.cut", "R1.cut"]
