"""The public entry: the same request gives the same bytes, a stop gives the best plan so far, and strange weeks give plans too."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest

from benchmarks.generator import FULL, make_request
from platerota_shared import RequestRefused, read_request
from platerota_shared.audit import audit
from platerota_shared.plan import Plan, Stage
from platerota_solver import Listener, due_date_plan, solve
from platerota_solver.clock import STEPS_PER_SECOND
from platerota_solver.solving import TRIES

from .shops import DAY, HOUR, Raw, at, finish, mill, order, plate, shift, solved, tiny_shop

ONE_SOLVE = """
import sys
from platerota_shared import read_request
from platerota_solver import solve
sys.stdout.write(solve(read_request(sys.stdin.buffer.read())).text())
"""


@pytest.mark.parametrize(("family", "seed"), [("tiny", 3), ("small", 5)])
def test_a_repeatable_solve_gives_the_same_bytes_in_every_process(family: str, seed: int) -> None:
    raw = make_request(family, seed, FULL, solve_seconds=0.5)
    raw["settings"]["repeatable"] = True
    text = json.dumps(raw)
    command = [sys.executable, "-c", ONE_SOLVE]
    answers = [subprocess.run(command, input=text, capture_output=True, text=True, check=True).stdout for _ in range(2)]
    assert answers[0] == answers[1] == solve(read_request(text)).text()


def test_another_seed_is_another_walk_but_as_valid() -> None:
    raw = make_request("small", 2, FULL, solve_seconds=0.3)
    raw["settings"].update(repeatable=True, seed=99)
    assert solved(raw).solver.seed == 99


def test_a_repeatable_solve_decodes_no_more_than_its_seconds_stand_for() -> None:
    """Also where it goes on from a plan in decoders of their own."""
    raw = make_request("medium", 3, FULL, solve_seconds=2.0)
    raw["settings"]["repeatable"] = True
    plan = solved(raw)
    tried = sum(int(stage.detail.split()[0]) for stage in plan.solver.stages if stage.name == "search")
    assert tried * len(plan.runs) <= 1.2 * 2.0 * STEPS_PER_SECOND + 10 * TRIES * len(plan.runs)


class Watcher(Listener):
    """Notes what it hears; stops after so many plans."""

    def __init__(self, enough: int) -> None:
        self.enough = enough
        self.plans: list[Plan] = []
        self.stages: list[Stage] = []

    def stage(self, stage: Stage) -> None:
        self.stages.append(stage)

    def improved(self, plan: Plan) -> None:
        self.plans.append(plan)

    def should_stop(self) -> bool:
        return len(self.plans) >= self.enough


def test_a_stop_at_once_gives_the_first_plan() -> None:
    request = read_request(make_request("small", 1, FULL, solve_seconds=600))
    watcher = Watcher(enough=1)
    plan = solve(request, watcher)
    assert audit(request, plan) == []
    assert watcher.stages[0].name == "constructive"
    assert plan.score.total <= watcher.plans[0].score.total


def test_every_plan_that_is_shown_is_valid_and_none_is_worse_than_before() -> None:
    raw = make_request("small", 3, FULL, solve_seconds=3)
    request = read_request(raw)
    watcher = Watcher(enough=10_000)
    watcher.plans.append(due_date_plan(request))
    plan = solve(request, watcher)
    totals = [shown.score.total for shown in (*watcher.plans[1:], plan)]
    assert totals == sorted(totals, reverse=True)
    assert all(audit(request, shown) == [] for shown in watcher.plans)


@pytest.mark.parametrize("seed", range(1, 9))
def test_the_plan_is_no_worse_than_a_plain_due_date_sort(seed: int) -> None:
    raw = make_request("small", seed, FULL, solve_seconds=0.5)
    raw["settings"]["repeatable"] = True
    assert solved(raw).score.total <= due_date_plan(read_request(raw)).score.total + 1e-6


def nothing_takes_time(raw: Raw) -> None:
    shop = raw["shop"]
    shop["machines"] = [mill("M1", place_seconds=0, pull_seconds=0), mill("M2", place_seconds=0, pull_seconds=0, exchange="automatic")]
    shop["fixtures"] = [{"id": "F"}]
    shop["operations"][0]["cut_seconds"] = 0


def only_the_cut_takes_time(raw: Raw) -> None:
    nothing_takes_time(raw)
    raw["shop"]["operations"][0]["cut_seconds"] = 600


def hand_work_of_no_length_beside_some_that_lasts(raw: Raw) -> None:
    """Unloads take no time, loads and exchanges do; one operator, four mills: no unload may lie inside another task of hers (F11)."""
    raw["shop"]["machines"] = [mill(f"M{number}", place_seconds=15) for number in range(4)]
    raw["shop"]["plates"] = [plate(f"P{number}") for number in range(8)]
    raw["shop"]["fixtures"] = [{"id": "F", "load_seconds": 20}]
    raw["shop"]["operations"][0]["cut_seconds"] = 165
    raw["orders"] = [order(f"O{number}") for number in range(24)]


def shifts_of_a_minute(raw: Raw) -> None:
    raw["shop"]["fixtures"] = [{"id": "F", "load_seconds": 60, "unload_seconds": 60}]
    raw["shop"]["shifts"] = [shift("Ana", f"{hour:02}:00", f"{hour:02}:01") for hour in range(24)]


def shifts_too_short_for_a_load(raw: Raw) -> None:
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "06:09")]


def every_mill_closed(raw: Raw) -> None:
    raw["shop"]["closures"] = [{"machine": "M1", "start": at(-HOUR), "end": at(8 * DAY)}]


def the_plate_away(raw: Raw) -> None:
    raw["shop"]["closures"] = [{"plate": "P1", "start": at(-HOUR), "end": at(8 * DAY)}]


def the_shop_closed_but_for_an_hour(raw: Raw) -> None:
    """A run takes 3,320 s, one is possible, and three are wanted."""
    raw["shop"]["closures"] = [{"start": at(HOUR), "end": at(8 * DAY)}]


def all_due_yesterday(raw: Raw) -> None:
    raw["orders"] = [order(f"O{number}", number + 1, due=-DAY) for number in range(5)]


def a_horizon_of_120_days(raw: Raw) -> None:
    raw["settings"]["horizon_days"] = 120
    raw["orders"] = [order("O", 30, due=119 * DAY, release=at(115 * DAY))]
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "14:00")]


def two_hundred_orders_on_one_mill(raw: Raw) -> None:
    raw["orders"] = [order(f"O{number}", 1 + number % 3, due=number * HOUR) for number in range(200)]
    raw["settings"]["horizon_days"] = 28


def a_hundred_plates_of_one_fixture(raw: Raw) -> None:
    raw["shop"]["plates"] = [plate(f"P{number}") for number in range(100)]
    raw["orders"] = [order("O", 150)]


def a_hundred_blanks(raw: Raw) -> None:
    raw["shop"]["plates"] = [plate(f"P{number}", None) for number in range(100)]
    raw["shop"]["fixtures"][0]["build_seconds"] = HOUR


def an_order_that_weighs_nothing(raw: Raw) -> None:
    raw["orders"] = [order("O", 2, weight=0), order("B", 2)]


def everything_scores_nothing(raw: Raw) -> None:
    raw["settings"]["score"] = dict.fromkeys(("late_hour", "finish_hour", "overtime_hour", "setup", "moved_task", "unplaced_order"), 0)


def everything_done(raw: Raw) -> None:
    raw["orders"] = [order("O", 5)]
    raw["floor"]["pieces"] = [{"order": "O", "op": 10, "pieces": 5}]


def no_orders(raw: Raw) -> None:
    raw["orders"] = []


STRANGE: list[tuple[Callable[[Any], None], bool]] = [
    (nothing_takes_time, True), (only_the_cut_takes_time, True), (hand_work_of_no_length_beside_some_that_lasts, True),
    (shifts_of_a_minute, True), (all_due_yesterday, True), (a_horizon_of_120_days, True), (two_hundred_orders_on_one_mill, True),
    (a_hundred_plates_of_one_fixture, True), (a_hundred_blanks, True), (an_order_that_weighs_nothing, True),
    (everything_scores_nothing, True), (everything_done, True), (no_orders, True),
    (every_mill_closed, False), (the_plate_away, False), (the_shop_closed_but_for_an_hour, False), (shifts_too_short_for_a_load, False),
]


@pytest.mark.parametrize(("strange", "placed"), STRANGE, ids=[change.__name__ for change, _ in STRANGE])
def test_strange_weeks_give_plans_too(strange: Callable[[Any], None], placed: bool) -> None:
    """All orders are placed, or none is and each says why; both plans pass the audit."""
    raw = tiny_shop(quantity=3)
    raw["settings"]["solve_seconds"] = 0.1
    strange(raw)
    request = read_request(raw)
    for plan in (solve(request), due_date_plan(request)):
        assert audit(request, plan) == []
        assert [result.placed for result in plan.orders] == [placed] * len(raw["orders"])
        assert all(result.why for result in plan.orders if not result.placed)


def test_a_shop_that_never_opens_is_refused_with_words() -> None:
    raw = tiny_shop()
    raw["shop"]["closures"] = [{"start": at(-HOUR), "end": at(8 * DAY)}]
    with pytest.raises(RequestRefused) as caught:
        read_request(raw)
    assert {fault.code for fault in caught.value.faults} == {"nobody"}


def test_an_order_with_nothing_left_to_do_finishes_now() -> None:
    raw = tiny_shop()
    everything_done(raw)
    assert finish(solved(raw)) == 0


def test_work_of_no_length_is_done_at_once() -> None:
    raw = tiny_shop(quantity=3)
    nothing_takes_time(raw)
    plan = solved(raw)
    assert finish(plan) == 0
    assert len(plan.runs) == 3
