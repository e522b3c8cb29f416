"""Small weeks planned by hand, one rule of the floor each: every number stands in the test (seconds after now)."""

from __future__ import annotations

import pytest

from .shops import DAY, HOUR, add_part, at, finish, mill, order, plate, rate, shift, solved, tasks, times, tiny_shop


def test_one_run_is_what_its_tasks_add_up_to() -> None:
    plan = solved(tiny_shop())
    assert [times(plan, kind)[0] for kind in ("load", "place", "cut", "pull", "unload")] == [
        (0, 600), (600, 610), (610, 3_010), (3_010, 3_020), (3_020, 3_320)]
    assert plan.score.parts.finish_hour == pytest.approx(3_320 / HOUR)


def test_with_one_plate_a_run_begins_when_the_one_before_ends() -> None:
    assert finish(solved(tiny_shop(quantity=3))) == 3 * 3_320


def test_a_plate_that_stays_is_loaded_in_the_mill() -> None:
    """No place and no pull: 600 + 2,400 + 300 a run."""
    raw = tiny_shop(quantity=2)
    raw["shop"]["plates"] = [plate("P1", stays_in="M1")]
    plan = solved(raw)
    assert finish(plan) == 2 * 3_300
    assert tasks(plan, "place") == tasks(plan, "pull") == []


# What is left of a run: place 10, cut 2,400, pull 10, unload 300.
@pytest.mark.parametrize(("stage", "machine", "done"), [
    ("loaded", None, 2_720), ("placed", "M1", 2_710), ("cut", "M1", 310), ("pulled", None, 300),
])
def test_a_run_part_way_goes_on_from_its_stage(stage: str, machine: str | None, done: int) -> None:
    raw = tiny_shop()
    raw["floor"]["waiting"] = [{"plate": "P1", "order": "O", "op": 10, "pieces": 1, "stage": stage, "machine": machine}]
    plan = solved(raw)
    assert finish(plan) == done
    assert tasks(plan, "load") == []


def test_a_running_cut_goes_on_as_it_is() -> None:
    """It ends at 1,000 whatever the tables say of its length; the second piece follows on the same plate: 1,310 + 3,320."""
    raw = tiny_shop(quantity=2)
    raw["floor"]["running"] = [{"plate": "P1", "machine": "M1", "order": "O", "op": 10, "pieces": 1, "cut_end": at(1_000)}]
    plan = solved(raw)
    assert [task.frozen for task in tasks(plan, "cut")] == [True, False]
    assert times(plan, "cut")[0] == (0, 1_000)
    assert finish(plan) == 1_310 + 3_320


def test_a_running_cut_goes_on_though_its_order_cannot_be_finished() -> None:
    """It ends at 23:00 after the only shift of a one-day horizon: nobody can pull the plate, but the mill cuts all the same."""
    raw = tiny_shop()
    raw["settings"]["horizon_days"] = 1
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "14:00")]
    raw["floor"]["running"] = [{"plate": "P1", "machine": "M1", "order": "O", "op": 10, "pieces": 1, "cut_end": at(17 * HOUR)}]
    plan = solved(raw)
    assert [result.placed for result in plan.orders] == [False]
    assert times(plan, "cut") == [(0, 17 * HOUR)]


def test_an_automatic_mill_waits_between_a_plate_that_stays_and_another() -> None:
    """P1 stays: load 0-600, cut -3,000, unload -3,300. P2 is loaded 600-1,200 and placed; the 20 s from 3,000 to 3,020 are over by 3,300.

    Where the unload takes 5 s, the next cut waits until 3,020 all the same.
    """
    for unload, cut in ((300, 3_300), (5, 3_020)):
        raw = tiny_shop(quantity=2)
        raw["shop"]["machines"] = [mill("M1", exchange="automatic", positions=2)]
        raw["shop"]["plates"] = [plate("P1", stays_in="M1"), plate("P2")]
        raw["shop"]["fixtures"][0]["unload_seconds"] = unload
        rate(raw, makespan_hour=1)
        plan = solved(raw)
        first, second = times(plan, "cut")
        assert second[0] - first[1] >= 20
        assert max(end for _, end in times(plan, "cut")) <= cut + 2_400 + 10  # the place may come just after the unload


@pytest.mark.parametrize(("through", "runs", "done"), [(3, 1, 3_320), (4, 0, 0)])
def test_pieces_done_are_not_made_again(through: int, runs: int, done: int) -> None:
    raw = tiny_shop(quantity=4)
    raw["floor"]["pieces"] = [{"order": "O", "op": 10, "pieces": through}]
    plan = solved(raw)
    assert len(plan.runs) == runs
    assert finish(plan) == done


def test_pieces_between_two_ops_go_on_from_there() -> None:
    """Two pieces wait for op 20, none is left for op 10: two runs of op 20 on one plate."""
    raw = tiny_shop(quantity=2)
    add_part(raw, "W", "G", op=20)
    raw["floor"]["pieces"] = [{"order": "O", "op": 10, "pieces": 2}]
    plan = solved(raw)
    assert [piece.op for run in plan.runs for piece in run.pieces] == [20, 20]
    assert finish(plan) == 2 * 3_320


def test_nothing_begins_before_its_material_is_there() -> None:
    raw = tiny_shop()
    raw["orders"][0]["release"] = at(5_000)
    assert finish(solved(raw)) == 5_000 + 3_320


def test_the_weightier_order_goes_first() -> None:
    """One plate, both due at 3,320: whoever goes second is 3,320 s late, at 100 points an hour times its weight."""
    raw = tiny_shop()
    raw["orders"] = [order("A", due=3_320), order("B", due=3_320, weight=2)]
    plan = solved(raw)
    assert (finish(plan, "B"), finish(plan, "A")) == (3_320, 6_640)
    assert plan.score.parts.late_hour == pytest.approx(100 * 3_320 / HOUR)


def test_a_mixed_fixture_needs_one_run_more_on_one_plate() -> None:
    """Two nests of op 10 and two of op 20, six pieces: 6/2 + 1 = 4 runs.

    Cuts of 600 s a piece: 1,200, 2,400, 2,400, 1,200; hand work 920 s each.
    """
    raw = tiny_shop(quantity=6)
    raw["shop"]["nests"] = [{"fixture": "F", "part": "W", "op": op, "count": 2} for op in (10, 20)]
    raw["shop"]["operations"] = [{"part": "W", "op": op, "cut_seconds": 600} for op in (10, 20)]
    plan = solved(raw)
    assert [sorted((piece.op, piece.pieces) for piece in run.pieces) for run in plan.runs] == [
        [(10, 2)], [(10, 2), (20, 2)], [(10, 2), (20, 2)], [(20, 2)]]
    assert finish(plan) == 7_200 + 4 * 920


def test_two_orders_of_one_part_share_the_last_run() -> None:
    """Four nests, twice six pieces: three full runs of 2,400 s instead of four."""
    raw = tiny_shop()
    raw["shop"]["nests"][0]["count"] = 4
    raw["shop"]["operations"][0]["cut_seconds"] = 600
    raw["orders"] = [order("A", quantity=6), order("B", quantity=6)]
    rate(raw, makespan_hour=1)
    plan = solved(raw)
    assert len(plan.runs) == 3
    assert sum(len(run.pieces) == 2 for run in plan.runs) == 1
    assert max(finish(plan, "A"), finish(plan, "B")) == 3 * 3_320


def test_a_family_fixture_cuts_both_parts_at_once() -> None:
    """One nest each for parts W and V: one run of 2,400 + 1,200 s serves both orders."""
    raw = tiny_shop()
    raw["shop"]["nests"].append({"fixture": "F", "part": "V", "op": 10, "count": 1})
    raw["shop"]["operations"].append({"part": "V", "op": 10, "cut_seconds": 1_200})
    raw["orders"].append(order("V", part="V"))
    rate(raw, makespan_hour=1)
    plan = solved(raw)
    assert len(plan.runs) == 1
    assert finish(plan) == finish(plan, "V") == 3_320 + 1_200


def test_the_first_article_holds_the_second_run() -> None:
    """Two plates. The first piece is unloaded by 3,320 and checked for 900 s; Ana also places the other plate: it is cut 4,230-6,630."""
    raw = tiny_shop(quantity=2)
    raw["shop"]["plates"].append(plate("P2"))
    raw["shop"]["operations"][0]["first_article_seconds"] = 900
    plan = solved(raw)
    assert times(plan, "cut") == [(610, 3_010), (4_230, 6_630)]
    assert finish(plan) == 6_940


def test_no_first_article_where_pieces_are_through_already() -> None:
    raw = tiny_shop(quantity=2)
    raw["shop"]["operations"][0]["first_article_seconds"] = 900
    raw["floor"]["pieces"] = [{"order": "O", "op": 10, "pieces": 1}]
    plan = solved(raw)
    assert tasks(plan, "first_article") == []
    assert finish(plan) == 3_320


def test_a_fixture_no_plate_carries_is_built_on_a_blank() -> None:
    """An hour of building, then the run."""
    raw = tiny_shop()
    raw["shop"]["plates"] = [plate("P1", None)]
    raw["shop"]["fixtures"][0]["build_seconds"] = HOUR
    plan = solved(raw)
    assert times(plan, "build") == [(0, 3_600)]
    assert finish(plan) == 3_600 + 3_320


# Bo builds a second F by 3,600. The first run on P1 ends at 3,320; its second is loaded by 3,920 and cut 3,930-6,330; P2 is loaded
# meanwhile and cut 6,350-8,750, P1 again 8,770-11,170, unloaded by 11,480. Without the copy four runs in turn take 13,280.
@pytest.mark.parametrize(("build_seconds", "copies", "done"), [(3_600, 1, 11_480), (11_000, 0, 13_280)])
def test_a_second_copy_is_built_where_it_pays(build_seconds: int, copies: int, done: int) -> None:
    raw = tiny_shop(quantity=4)
    shop = raw["shop"]
    shop["operators"] = [{"id": "Ana", "skills": ["load", "unload", "exchange"]}, {"id": "Bo", "skills": ["build"]}]
    shop["shifts"] = [shift("Ana"), shift("Bo")]
    shop["plates"].append(plate("P2", None))
    shop["fixtures"][0]["build_seconds"] = build_seconds
    plan = solved(raw)
    assert len(tasks(plan, "build")) == copies
    assert done <= finish(plan) <= done + 10  # between a pull and its unload the search may keep the 10 s of a place


def test_each_task_is_done_by_somebody_who_can() -> None:
    """Ana loads, Bo exchanges, and comes at 06:30: the cut is 1,810-4,210."""
    raw = tiny_shop()
    raw["shop"]["operators"] = [{"id": "Ana", "skills": ["load", "unload"]}, {"id": "Bo", "skills": ["exchange"]}]
    raw["shop"]["shifts"] = [shift("Ana"), shift("Bo", "06:30", "14:00")]
    plan = solved(raw)
    assert [task.operator for task in sorted(plan.tasks, key=lambda task: task.start)] == ["Ana", "Bo", None, "Bo", "Ana"]
    assert finish(plan) == 1_800 + 2_720


def test_the_faster_mill_is_chosen_and_the_plate_must_fit_it() -> None:
    """M2 is twice as fast and takes the plate only turned; where its table bears less than the loaded plate, M1 does it."""
    raw = tiny_shop()
    raw["shop"]["machines"].append(mill("M2", cut_factor=0.5, travel_x=250, travel_y=320))
    raw["shop"]["plates"] = [plate("P1", size_x=320, size_y=240)]
    assert finish(solved(raw)) == 920 + 1_200
    raw["shop"]["fixtures"][0]["mass"] = 5
    raw["shop"]["operations"][0]["stock_mass"] = 2
    raw["shop"]["machines"][1]["max_mass"] = 16.999
    assert finish(solved(raw)) == 3_320
    raw["shop"]["machines"][1]["max_mass"] = 17
    assert finish(solved(raw)) == 920 + 1_200


@pytest.mark.parametrize("exchange", ["hand", "automatic"])
def test_two_positions_hold_two_plates(exchange: str) -> None:
    """Bo alone can exchange, from 06:00 to 06:25 and from 08:00 on: both plates (loaded by 600 and 1,200) are in the mill by 1,500.

    By hand no plate is placed while the spindle cuts: the first cut waits for the second plate and is 1,210-3,610, the second
    3,610-6,010. Automatic, the load station takes it meanwhile. Both ways Bo pulls at 7,200 and 7,210, and Ana unloads by 7,810.
    """
    raw = tiny_shop(quantity=2)
    shop = raw["shop"]
    shop["machines"] = [mill("M1", positions=2, exchange=exchange)]
    shop["plates"].append(plate("P2"))
    shop["operators"] = [{"id": "Ana", "skills": ["load", "unload"]}, {"id": "Bo", "skills": ["exchange"]}]
    shop["shifts"] = [shift("Ana"), shift("Bo", "06:00", "06:25"), shift("Bo", "08:00", "14:00")]
    rate(raw, makespan_hour=1)
    plan = solved(raw)
    assert finish(plan) == 7_810
    if exchange == "hand":
        assert times(plan, "cut") == [(1_210, 3_610), (3_610, 6_010)]


def test_an_order_beyond_the_horizon_is_left_out() -> None:
    """A day holds 26 runs of 3,320 s on one plate, so 27 pieces do not fit; the smaller order does."""
    raw = tiny_shop()
    raw["orders"] = [order("A", quantity=27), order("B", quantity=26)]
    raw["settings"]["horizon_days"] = 1
    plan = solved(raw)
    assert [result.placed for result in plan.orders] == [False, True]
    assert finish(plan, "B") == 26 * 3_320 < DAY
