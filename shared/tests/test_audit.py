"""The audit finds nothing in plans worked out by hand, and what it recomputes from their tasks are the numbers on paper."""

from __future__ import annotations

import pytest

from platerota_shared.audit import audit
from platerota_shared.plan import Plan

from .audit_drafts import Draft
from .audit_plans import NOW, completed, described
from .audit_weeks import WEEKS

# Seconds of M1 by use; each row adds up to the plan's last second.
SPINDLE: dict[str, dict[str, int]] = {
    # 0-120 the first load; pull and place thrice; the last unload comes after the last cut.
    "two_plates": {"cutting": 7200, "exchange": 60, "no_loaded_plate": 120, "no_work": 60},
    # 0-28320 nothing is loaded, 900 s of it a break in which nobody works; no cut is left from 30730 on, less a pull of 10.
    "night": {"cutting": 2400, "exchange": 20, "nobody": 900, "no_loaded_plate": 27420, "no_work": 55730},
    "setups": {"cutting": 4200, "exchange": 40, "setup": 720, "no_loaded_plate": 120, "no_work": 60},
    # 0-120, 2540-3140 and 6780-6960 nothing is loaded; the other gaps are exchanges.
    "two_ops": {"cutting": 7200, "exchange": 80, "no_loaded_plate": 900, "no_work": 60},
    # 0-16320 nothing is loaded but for the break; from 18740 no cut is left.
    "pauses": {"cutting": 2400, "exchange": 20, "nobody": 900, "no_loaded_plate": 15420, "no_work": 68860},
    # Two waits of 20 s; 120-130 the plate is loaded and Ann places it at the load station.
    "pool": {"cutting": 7200, "exchange": 40, "no_loaded_plate": 120, "operator_busy": 10, "no_work": 70},
    # 130-250: the next cut's plate R1 is loaded and placed, Ann is loading the other one.
    "two_positions": {"cutting": 4800, "exchange": 40, "no_loaded_plate": 120, "operator_busy": 120, "no_work": 120},
    "staying": {"cutting": 4800, "no_loaded_plate": 300, "no_work": 60},
    "overtime": {"cutting": 2400, "exchange": 20, "nobody": 900, "no_loaded_plate": 28620, "no_work": 60},
    "under_way": {"cutting": 3400, "exchange": 30, "no_work": 60},
    # 10-370: P2 is placed, Ann unloads and checks P1.
    "part_way": {"cutting": 2400, "exchange": 20, "operator_busy": 360, "no_work": 60},
    # 3430-3610 R1's plate is unloaded and loaded again.
    "later_op": {"cutting": 4600, "exchange": 50, "no_loaded_plate": 180, "no_work": 60},
    # 0-120 and 2540-28920 nothing is loaded, 900 s of it a break; from 31340 no cut is left.
    "interrupted": {"cutting": 4800, "exchange": 40, "nobody": 900, "no_loaded_plate": 120 + 26380 - 900, "no_work": 89400 - 31340},
    "nobody": {"cutting": 1000},
    # 0-120 Ann loads R1; 3020-3080 her unload comes after the last cut.
    "two_mills": {"cutting": 2880, "exchange": 20, "no_loaded_plate": 120, "no_work": 60},
    "shared_runs": {"cutting": 3600, "exchange": 40, "no_loaded_plate": 340, "no_work": 60},
}

# Points of the parts that are not 0: late 100, finish 1, overtime 20 an hour, 5 a setup, 1000000 an unplaced order.
POINTS: dict[str, dict[str, float]] = {
    "two_plates": {"late_hour": 100 * 240 / 3600, "finish_hour": 7440 / 3600},
    "night": {"late_hour": 100 * (86470 - 7200) / 3600, "finish_hour": 86470 / 3600},
    "setups": {"finish_hour": (3330 + 5140) / 3600, "setup": 10},
    "two_ops": {"late_hour": 100 * 1040 / 3600, "finish_hour": 8240 / 3600},
    "pauses": {"late_hour": 100 * (87600 - 7200) / 3600, "finish_hour": 87600 / 3600},
    "pool": {"late_hour": 100 * 240 / 3600, "finish_hour": 7440 / 3600},
    "two_positions": {"finish_hour": 5200 / 3600},
    "staying": {"finish_hour": 5160 / 3600},
    "overtime": {"late_hour": 100 * (32000 - 7200) / 3600, "finish_hour": 32000 / 3600, "overtime_hour": 20 * 200 / 3600},
    "under_way": {"finish_hour": 3490 / 3600},
    "part_way": {"finish_hour": 2840 / 3600},
    "later_op": {"finish_hour": 4890 / 3600},
    "interrupted": {"late_hour": 100 * (89400 - 7200) / 3600, "finish_hour": 89400 / 3600, "overtime_hour": 20 * 200 / 3600},
    "nobody": {"unplaced_order": 1_000_000, "late_hour": 100 * 1.0},  # O2 was due at 05:00 and is finished at `now`.
    "two_mills": {"finish_hour": 3080 / 3600},
    "shared_runs": {"finish_hour": 3.5 * 4040 / 3600},
}

# Earliest start and latest end of load windows.
WINDOWS: dict[str, dict[str, tuple[int, int]]] = {
    # R2: after Ann's place at 130, before her pull at 2530. R3: plate P1 is empty at 2610, Ann's next pull is at 4950.
    "two_plates": {"R1": (0, 120), "R2": (130, 2530), "R3": (2610, 4950)},
    # The whole shift before, breaks between; its place is at 28320.
    "night": {"R1": (0, 28320)},
    "setups": {"R1": (360, 480), "R2": (490, 2890)},
    # R3: four pieces have cooled at 3020 + 600; Ann pulls at 5550.
    "two_ops": {"R1": (0, 120), "R2": (3020, 3140), "R3": (3620, 5550), "R4": (6840, 6960)},
    "pauses": {"R1": (16200, 16320)},
    "pool": {"R1": (0, 120), "R2": (130, 250), "R3": (260, 380)},
    "staying": {"R1": (0, 120), "R2": (2580, 2700)},
    "overtime": {"R1": (29400, 29520)},
    "later_op": {"R2": (0, 1000), "R3": (3490, 3610)},
    "interrupted": {"R1": (0, 120), "R2": (28800, 28920)},
    "two_mills": {"R1": (0, 120), "R2": (120, 240)},
}

# Floats that are not 0.
FLOATS: dict[str, dict[str, int]] = {
    # R3.load may end when Ann pulls R2 at 4950, R1.unload 120 s earlier; R2.load at 2530; R2.unload at her pull of R3 at 7370.
    "two_plates": {"R3.load": 2220, "R1.unload": 2220, "R2.load": 2280, "R2.unload": 2340},
    # 33 minutes after 14:00 the cut must be over: 30780 - 30730, and all before it may slip as far.
    "night": {"R1.load": 50, "R1.place": 50, "R1.cut": 50},
    # Only the finish of O1 at 3330 and O2 at 5140 counts; R2.load may end at 2890.
    "setups": {"R2.load": 2280},
    # R3.load may end at Ann's pull at 5550; R2's pieces need bench work (120 s) and 600 s to cool before R4.load at 6840: her
    # bench work may end at 6240. First article, bench, and the load after them are on the way of R2's cut.
    "two_ops": {"R3.load": 1810, "R2.unload": 490, "R2.bench.10": 490},
    # Counted back from 87600: 1200 s on Tuesday, 600 s at the end of the overtime shift at 15:00 (32400): 31800 - 28200.
    # Before that Ann must unload at the latest until 31800 (she works till 15:00), pull until 31740, and so on.
    "pauses": {"R1.bench.10": 3600, "R1.unload": 31740 - 18740, "R1.pull": 31730 - 18730, "R1.cut": 29330 - 16330,
               "R1.place": 29320 - 16320, "R1.load": 29200 - 16200, "B1.build": 27400 - 13500},
    # R2's pull waits for no spindle: it and its unload may slip to Ann's next pull at 7370; R1 may slip to R2's; R3's place to its cut
    # at 4970; R2's place to its cut at 2550.
    "pool": {"R2.pull": 2350, "R2.unload": 2350, "R1.pull": 4700, "R1.unload": 4700, "R2.load": 2290, "R2.place": 2290,
             "R3.load": 4580, "R3.place": 4580},
    "part_way": {},
    # R2.load before Ann's pull at 1000, R1.unload before her pull at 3420.
    "later_op": {"R2.load": 880, "R1.unload": 2340},
    # Bench work that another task interrupts stays; R2 must be unloaded when the overtime shift ends at 32400, R1 before 28200.
    "interrupted": {**{f"R1.{kind}": 25600 for kind in ("load", "place", "cut", "pull", "unload")},
                    **{f"R2.{kind}": 1000 for kind in ("load", "place", "cut", "pull", "unload")}},
    "two_mills": {"R2.load": 60, "R2.place": 60, "R2.cut": 60, "R2.pull": 60, "R2.unload": 60},
}


@pytest.mark.parametrize("name", WEEKS)
def test_nothing_is_found_in_a_valid_plan(name: str) -> None:
    request, plan = WEEKS[name]()
    assert audit(request, plan) == []


@pytest.mark.parametrize("name", WEEKS)
def test_nothing_is_lost_on_the_way_through_json(name: str) -> None:
    request, plan = WEEKS[name]()
    assert audit(request, Plan.from_document(plan.document())) == []


@pytest.mark.parametrize("name", SPINDLE)
def test_spindle_seconds_are_those_on_paper(name: str) -> None:
    _, plan = WEEKS[name]()
    seconds = plan.kpis.machines[0].seconds
    assert {use: count for use, count in seconds.items() if count} == SPINDLE[name]
    assert len(seconds) == 8
    assert plan.kpis.shop is not None
    assert sum(seconds.values()) == plan.kpis.shop.seconds


@pytest.mark.parametrize("name", POINTS)
def test_points_are_those_on_paper(name: str) -> None:
    _, plan = WEEKS[name]()
    parts = plan.score.parts.model_dump()
    assert {part: points for part, points in parts.items() if points} == pytest.approx(POINTS[name])
    assert plan.score.total == pytest.approx(sum(POINTS[name].values()))


@pytest.mark.parametrize("name", WINDOWS)
def test_load_windows_are_those_on_paper(name: str) -> None:
    _, plan = WEEKS[name]()
    assert {w.run: (w.earliest_start - NOW, w.latest_end - NOW) for w in plan.load_windows} == WINDOWS[name]


@pytest.mark.parametrize("name", FLOATS)
def test_floats_are_those_on_paper(name: str) -> None:
    _, plan = WEEKS[name]()
    assert {task.id: task.float_seconds for task in plan.tasks if task.float_seconds} == FLOATS[name]


def test_peoples_seconds_are_those_on_paper() -> None:
    def seconds(name: str, operator: int = 0) -> dict[str, int]:
        return WEEKS[name]()[1].kpis.operators[operator].seconds

    assert seconds("two_plates") == {"load": 360, "place": 30, "pull": 30, "unload": 180, "free": 7440 - 600}
    # Monday's 8 h less 15 min, and 70 s on Tuesday.
    assert seconds("night") == {"load": 120, "place": 10, "pull": 10, "unload": 60, "free": 27900 + 70 - 200}
    # The overtime shift that nobody was called in for is no free time; 1200 s of Tuesday are bench work.
    assert seconds("pauses")["free"] == 27900 + 1200 - (1800 + 200 + 1800)
    # Called in: 14:00 to the plan's last second at 32000.
    assert seconds("overtime")["free"] == 27900 + 3200 - 200
    assert seconds("nobody") == {"free": 0}
    assert seconds("two_mills", 1) == {"place": 20, "pull": 20, "free": 3080 - 40}


def test_unattended_cutting_counts_from_the_end_of_the_last_shift() -> None:
    _, plan = WEEKS["night"]()
    assert plan.kpis.machines[0].unattended_cutting_seconds == 30730 - 28800
    assert [task.overtime for task in WEEKS["overtime"]()[1].tasks] == [True, True, False, True, True]


@pytest.mark.parametrize("name", WEEKS)
def test_a_load_at_either_end_of_its_window_breaks_no_rule_and_delays_no_order(name: str) -> None:
    request, plan = WEEKS[name]()
    for window in plan.load_windows:
        length = window.end - window.start
        for start in (window.earliest_start, window.latest_end - length):
            tasks = tuple(
                task.model_copy(update={"start": start, "end": start + length}) if task.id == f"{window.run}.load" else task
                for task in plan.tasks
            )
            moved = completed(request, described(request, plan.model_copy(update={"tasks": tasks})))
            assert audit(request, moved) == []
            assert [order.finish for order in moved.orders] == [order.finish for order in plan.orders]
            assert moved.score.total == plan.score.total


@pytest.mark.parametrize("name", [name for name in WEEKS if name not in ("pauses", "interrupted")])
def test_all_tasks_at_their_latest_break_no_rule_and_delay_no_order(name: str) -> None:
    request, plan = WEEKS[name]()
    tasks = tuple(t.model_copy(update={"start": t.start + t.float_seconds, "end": t.end + t.float_seconds}) for t in plan.tasks)
    moved = completed(request, described(request, plan.model_copy(update={"tasks": tasks})))
    assert audit(request, moved) == []
    assert [order.finish for order in moved.orders] == [order.finish for order in plan.orders]
    assert not any(task.float_seconds for task in moved.tasks if task.kind != "cut" or not task.frozen)


def test_closed_seconds_of_a_spindle() -> None:
    bent = Draft.of("night").closed(10000, 11000, machine="M1").described()
    plan = completed(bent.request, bent.plan)
    assert audit(bent.request, plan) == []
    assert plan.kpis.machines[0].seconds["closed"] == 1000
    assert plan.kpis.machines[0].seconds["no_loaded_plate"] == 27420 - 1000


def test_a_closure_cuts_a_load_window_and_a_float_short() -> None:
    # P1 is closed from 27000 to 28000: its load at 28200 cannot be earlier than that; P2 from 1000 on: R2.load must end then.
    bent = Draft.of("night").closed(27000, 28000, plate="P1").described()
    plan = completed(bent.request, bent.plan)
    assert (audit(bent.request, plan), plan.load_windows[0].earliest_start) == ([], NOW + 28000)
    bent = Draft.of("two_plates").closed(1000, 1100, plate="P2").described()
    plan = completed(bent.request, bent.plan)
    assert (audit(bent.request, plan), plan.load_windows[1].latest_end) == ([], NOW + 1000)
    # Without the closure it may slip 2280 s, to 2410-2530: that is after the closure.
    assert next(task for task in plan.tasks if task.id == "R2.load").float_seconds == 2280


def test_a_late_order_may_say_why_or_not() -> None:
    draft = Draft.of("night")
    assert draft.plan.orders[0].late_seconds
    assert draft.plan.orders[0].why is None
    explained = draft.order("O1", why="it waited for Ann's break")
    assert audit(explained.request, explained.plan) == []
