"""Levers of small shops where a planner sees at once what would help, and of generated ones: each can be made, and changes something."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchmarks.generator import make_request, read_features
from platerota_shared import read_request
from platerota_shared.changes import apply_changes
from platerota_shared.levers import KINDS, Lever, levers_of
from platerota_shared.plan import Plan
from platerota_solver import due_date_plan

from .shops import DAY, HOUR, Raw, add_part, mill, order, plate, shift, solved, tiny_shop

WEEKDAYS = ["mon", "tue", "wed", "thu", "fri"]
DEMO = Path(__file__).resolve().parents[2] / "service" / "platerota_service" / "demo"


def planned(raw: Raw) -> Plan:
    """The plan of the plain dispatcher: one plate of an order after the other."""
    return due_date_plan(read_request(raw))


def levers(raw: Raw, limit: int = 20, make: Callable[[Raw], Plan] = planned) -> list[Lever]:
    """The levers of a plan, each of which can be made and makes another request."""
    request = read_request(raw)
    found = levers_of(request, make(raw), limit)
    assert [lever.promise for lever in found] == sorted((lever.promise for lever in found), reverse=True)
    for lever in found:
        assert apply_changes(raw, lever.changes).request != request, lever.words
        assert lever.promise > 0
    return found


def words(raw: Raw, *kinds: str) -> list[str]:
    """What the levers of these kinds (none: all) are called."""
    return [lever.words for lever in levers(raw) if not kinds or lever.kind in kinds]


def one_plate() -> Raw:
    """Two mills, and eight pieces for the one plate: 8 x 3,320 s, due in four hours."""
    raw = tiny_shop(quantity=8, due=4 * HOUR)
    raw["shop"]["machines"].append(mill("M2"))
    return raw


def one_pair_of_hands() -> Raw:
    """Four mills, eight plates, cuts of ten minutes, and twenty minutes of hand work a run: Ana, 06:00 to 14:00, is what all wait for."""
    raw = tiny_shop()
    raw["orders"] = [order(f"O{number}", 7, DAY) for number in range(1, 9)]
    shop = raw["shop"]
    shop["machines"] = [mill(f"M{number}") for number in range(1, 5)]
    shop["plates"] = [plate(f"P{number}") for number in range(1, 9)]
    shop["fixtures"] = [{"id": "F", "load_seconds": 900, "unload_seconds": 300}]
    shop["operations"] = [{"part": "W", "op": 10, "cut_seconds": 600}]
    shop["shifts"] = [{**shift("Ana", "06:00", "14:00"), "days": WEEKDAYS}]
    raw["settings"].update(horizon_days=14, solve_seconds=0.02)
    return raw


def bound_fixture() -> Raw:
    """Fixture F may only run on M1, where G, which may run anywhere, is cut all day; M2 stands."""
    raw = tiny_shop(quantity=3, due=4 * HOUR)
    raw["shop"]["machines"].append(mill("M2"))
    raw["shop"]["fixtures"][0]["machines"] = ["M1"]
    raw["shop"]["plates"] += [plate("P2"), plate("P3")]
    return raw


def test_where_orders_queue_for_the_only_plate_a_second_copy_of_it_is_named_first() -> None:
    found = [lever for lever in levers(one_plate()) if lever.kind != "due"]
    assert found[0].words == "a second copy of plate P1 (fixture F)"
    assert found[0].changes == ({"kind": "copy_plate", "plate": "P1", "id": "P1-second"},)


def test_a_plate_that_waits_for_its_mill_is_no_lever() -> None:
    raw = tiny_shop(quantity=8, due=4 * HOUR)
    raw["shop"]["plates"].append(plate("P2"))
    # One mill and two plates: it cuts all the time but for the exchange, so a third plate has nothing to do.
    assert words(raw, "plate") == []


def test_one_run_of_one_plate_has_nothing_to_queue_for() -> None:
    assert words(tiny_shop(due=1 * HOUR), "plate", "operator", "machine", "nests") == []


def test_a_copy_gets_an_id_that_is_free_and_no_longer_than_an_id_may_be() -> None:
    raw = one_plate()
    raw["shop"]["plates"] = [plate("P" * 200), plate("P" * 180 + "-second", fixture=None)]
    assert [lever.changes[0]["id"] for lever in levers(raw) if lever.kind == "plate"] == ["P" * 180 + "-3"]


def test_a_plate_that_stays_in_its_mill_is_not_copied() -> None:
    raw = one_plate()
    raw["shop"]["plates"] = [plate("P1", stays_in="M1")]
    assert words(raw, "plate") == []


def test_a_second_blank_plate_where_a_fixture_is_built_for_a_queue() -> None:
    raw = one_plate()
    raw["shop"]["plates"] = [plate("P1", fixture=None)]
    raw["shop"]["fixtures"][0].update(build_seconds=1_200, mount="A")
    assert words(raw, "plate") == ["a second blank plate like P1, so that fixture F can be built twice"]


def test_where_mills_wait_for_the_only_pair_of_hands_somebody_more_or_longer_is_named_first() -> None:
    found = [lever for lever in levers(one_pair_of_hands(), make=solved) if lever.kind != "due"]
    assert {lever.kind for lever in found[:4]} == {"operator", "shift"}
    said = [lever.words for lever in found]
    assert "another operator like Ana, in the same shifts" in said
    assert "another operator like Ana, in a late shift 14:00-22:00" in said
    assert "overtime for Ana on Monday 2027-03-01, 14:00-17:00" in said
    monday = next(lever for lever in found if lever.kind == "shift")
    assert monday.changes == ({
        "kind": "add_shift", "operator": "Ana", "days": ["mon"], "start": "14:00", "end": "17:00", "from": "2027-03-01", "to": "2027-03-01",
        "overtime": True,
    },)


def test_people_who_are_alike_make_one_lever() -> None:
    raw = one_pair_of_hands()
    raw["orders"] = [order(f"O{number}", 14, DAY) for number in range(1, 9)]
    shop = raw["shop"]
    shop["operators"] = [{"id": name, "hour_cost": cost} for name, cost in (("Ana", 30), ("Bo", 30), ("Cy", 31), ("Di", 30))]
    hours = {"Ana": "06:00", "Bo": "06:00", "Cy": "06:00", "Di": "06:30"}
    shop["shifts"] = [{**shift(name, start, "14:00"), "days": WEEKDAYS} for name, start in hours.items()]
    like = {lever.words.split()[3].rstrip(",") for lever in levers(raw, make=solved) if lever.words.endswith("in the same shifts")}
    assert len(like & {"Ana", "Bo"}) == 1
    assert {"Cy", "Di"} < like


def test_a_saturday_is_named_where_work_is_left_then() -> None:
    raw = one_pair_of_hands()
    raw["orders"] = [order(f"O{number}", 20, DAY) for number in range(1, 9)]
    assert "a shift for Ana on Saturday 2027-03-06, 06:00-12:00" in [
        lever.words for lever in levers_of(read_request(raw), solved(raw), kinds=["shift"])
    ]


def test_nobody_is_asked_to_stay_who_is_there_or_away_already() -> None:
    raw = one_pair_of_hands()
    raw["orders"] = [order(f"O{number}", 14, DAY) for number in range(1, 9)]
    raw["shop"]["shifts"].append({**shift("Ana", "14:00", "18:00"), "days": ["mon"], "overtime": True})
    raw["shop"]["closures"].append({"operator": "Ana", "start": "2027-03-02T15:00:00", "end": "2027-03-02T16:00:00"})
    raw["shop"]["closures"].append({"start": "2027-03-03T16:00:00", "end": "2027-03-03T18:00:00", "reason": "power off"})
    days = {lever.changes[0]["from"] for lever in levers(raw, make=solved) if lever.kind == "shift" and "overtime for" in lever.words}
    assert {"2027-03-04", "2027-03-05"} <= days
    assert days.isdisjoint({"2027-03-01", "2027-03-02", "2027-03-03"})


def test_overtime_that_costs_more_points_than_it_could_save_is_not_named() -> None:
    raw = one_pair_of_hands()
    raw["settings"]["score"] = {"overtime_hour": 1_000_000}
    assert "shift" not in {lever.kind for lever in levers(raw, make=solved)}


def test_the_person_whose_stay_promises_most_is_asked() -> None:
    raw = one_pair_of_hands()
    raw["shop"]["operators"].append({"id": "Bo", "skills": ["bench"]})
    raw["shop"]["shifts"].append({**shift("Bo", "06:00", "14:00"), "days": WEEKDAYS})
    monday = [lever.words for lever in levers(raw, make=solved) if lever.kind == "shift" and "2027-03-01" in lever.words]
    assert monday == ["overtime for Ana on Monday 2027-03-01, 14:00-17:00"]


def test_a_fixture_bound_to_one_mill_may_be_allowed_on_the_one_that_stands() -> None:
    assert words(bound_fixture(), "machine") == ["fixture F allowed on M2 too"]


@pytest.mark.parametrize("misfit", [{"mount": "B"}, {"travel_x": 200}, {"max_mass": 5}, {"tool_slots": 1, "tools": ["T1"]}])
def test_a_fixture_is_not_allowed_on_a_mill_that_cannot_take_it(misfit: dict[str, Any]) -> None:
    raw = bound_fixture()
    raw["shop"]["operations"][0]["tools"] = ["T2"]
    raw["shop"]["machines"][1].update(misfit)
    assert words(raw, "machine") == []


def test_with_one_plate_another_mill_helps_nobody() -> None:
    raw = bound_fixture()
    del raw["shop"]["plates"][1:]
    assert words(raw, "machine") == []


def test_a_late_order_may_be_due_a_day_later_by_the_clock() -> None:
    found, = (lever for lever in levers(one_plate()) if lever.kind == "due")
    # Due Monday 10:00, about three and a half hours too soon: 100 points an hour.
    assert found.words == "order O due a day later, Tuesday 2027-03-02 10:00"
    assert found.changes == ({"kind": "change_order", "order": "O", "due": "2027-03-02T10:00:00+00:00"},)
    assert found.promise == pytest.approx(100 * (planned(one_plate()).orders[0].late_seconds or 0) / 3_600)


def test_no_date_is_moved_of_an_order_that_is_on_time_or_without_a_place() -> None:
    raw = one_plate()
    raw["orders"] = [order("O", 2, DAY), order("Q", 8_000, HOUR)]
    plan = planned(raw)
    assert [row.placed for row in plan.orders] == [True, False]
    assert words(raw, "due") == []
    assert words(raw, "plate") == ["a second copy of plate P1 (fixture F)"]


def test_a_row_of_nests_more_where_fewer_runs_would_do() -> None:
    raw = one_plate()
    raw["orders"][0]["quantity"] = 32
    raw["shop"]["nests"][0]["count"] = 4
    # Eight runs of four become six of six.
    assert words(raw, "nests") == ["fixture F with 6 instead of 4 nests for W op 10, if its plate has the room"]
    raw["orders"][0]["quantity"] = 4
    assert words(raw, "nests") == []


def test_a_plate_that_would_be_too_heavy_gets_no_more_nests() -> None:
    raw = one_plate()
    raw["shop"]["nests"][0]["count"] = 4
    raw["shop"]["operations"][0]["stock_mass"] = 10
    for row in raw["shop"]["machines"]:
        row["max_mass"] = 55  # the plate weighs 10 kg, 50 kg with four pieces, 70 kg with six
    assert words(raw, "nests") == []


def test_late_orders_leave_room_for_what_would_help_them() -> None:
    raw = one_plate()
    raw["orders"] = [order(f"O{number}", 1, HOUR) for number in range(30)]
    kinds = [lever.kind for lever in levers(raw, limit=8)]
    assert len(kinds) == 8
    assert "plate" in kinds


def test_nothing_left_to_do_has_no_lever() -> None:
    raw = tiny_shop()
    raw["orders"] = []
    assert levers(raw) == []


def test_only_the_kinds_that_are_asked_for() -> None:
    raw = one_plate()
    for kind in KINDS:
        assert {lever.kind for lever in levers_of(read_request(raw), planned(raw), kinds=[kind])} <= {kind}


@pytest.mark.parametrize("family", ["tiny", "small", "medium"])
@pytest.mark.parametrize("features", ["plain", "routed", "basic", "full"])
def test_every_lever_of_a_generated_week_can_be_made_and_changes_something(family: str, features: str) -> None:
    for seed in (1, 2):
        raw = make_request(family, seed, read_features(features))
        assert levers(raw, limit=20)


@pytest.mark.parametrize("week", ["basic", "full"])
def test_every_lever_of_a_demo_week_can_be_made_and_changes_something(week: str) -> None:
    raw = json.loads((DEMO / f"week_{week}.json").read_text("utf-8"))
    found = levers(raw)
    assert len(found) == 20
    assert len({lever.words for lever in found}) == 20


@pytest.mark.parametrize("quantity", [3, 4, 5])
def test_the_levers_of_a_week_that_can_be_proved_come_in_the_order_of_what_they_bring(quantity: int) -> None:
    raw = tiny_shop(quantity, due=2 * HOUR)
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "14:00", breaks=["09:00-09:20"])]
    raw["settings"]["solve_seconds"] = 2
    found = [lever for lever in levers(raw) if lever.kind != "due"]
    plans = [solved(apply_changes(raw, lever.changes).document) for lever in found]
    assert {plan.quality for plan in plans} == {"optimal"}
    totals = [plan.score.total for plan in plans]
    assert len(totals) >= 2
    assert totals == sorted(totals)


def test_a_part_with_two_ops_counts_the_plates_of_both() -> None:
    raw = tiny_shop(quantity=6, due=4 * HOUR)
    raw["shop"]["machines"].append(mill("M2"))
    add_part(raw, "W", "G", op=20, cut=600)
    assert set(words(raw, "plate")) == {"a second copy of plate P1 (fixture F)", "a second copy of plate P-G (fixture G)"}
