"""Days and nights of the tiny shop, planned by hand: every number stands in the test (seconds after Monday 06:00)."""

from __future__ import annotations

from typing import Any

import pytest

from .shops import DAY, HOUR, add_part, at, finish, mill, order, plate, rate, shift, solved, tasks, times, tiny_shop

EVENING = 28_800  # 14:00, when Ana goes home
MORNING = DAY  # Tuesday 06:00


def day_shop(**fields: Any) -> dict[str, Any]:
    """The tiny shop with Ana from 06:00 to 14:00, her order's material there from 13:00, and a cut of two hours."""
    raw = tiny_shop(due=2 * DAY)
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "14:00")]
    raw["shop"]["operations"][0]["cut_seconds"] = 7_200
    raw["orders"][0]["release"] = at(7 * HOUR)
    raw["shop"]["machines"] = [mill("M1", **fields)]
    return raw


# Load 25,200-25,800, place -25,810, cut 25,810-33,010: it ends 4,210 s (70 min 10 s) after 14:00.
@pytest.mark.parametrize(("minutes", "cut"), [
    (None, (25_810, 33_010)),
    (71, (25_810, 33_010)),
    (70, (MORNING, MORNING + 7_200)),  # the plate waits in the mill for somebody to be there
    (0, (MORNING, MORNING + 7_200)),
])
def test_a_cut_runs_into_the_night_as_long_as_the_mill_may(minutes: int | None, cut: tuple[int, int]) -> None:
    plan = solved(day_shop(unattended_minutes=minutes))
    assert times(plan, "cut") == [cut]
    # Nobody pulls before 06:00; then pull 10 s and unload 300 s.
    assert finish(plan) == max(cut[1], MORNING) + 310


def test_the_last_plate_of_the_evening_is_the_long_one() -> None:
    """Five cuts of an hour and one of ten: only with the long one overnight is all done by Tuesday 06:05:10."""
    raw = tiny_shop(due=2 * DAY)
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "14:00")]
    raw["shop"]["operations"][0]["cut_seconds"] = HOUR
    raw["shop"]["plates"].append(plate("P2"))
    add_part(raw, "L", "G", cut=10 * HOUR)
    raw["orders"] = [order("L", part="L", due=2 * DAY), order("S", quantity=5, due=2 * DAY)]
    rate(raw, makespan_hour=1)
    plan = solved(raw)
    last = tasks(plan, "cut")[-1]
    assert last.end - last.start == 10 * HOUR
    assert max(finish(plan, "S"), finish(plan, "L")) == MORNING + 310


def test_a_pool_feeds_the_mill_through_the_night() -> None:
    """Four plates are loaded from 13:00 and cut one after the other, 20 s between them, with nobody there.

    Loads end at 25,800 26,410 27,020 27,630, each followed by 10 s to place. The first plate comes off at 28,210 and is unloaded by
    28,520, before Ana leaves; the three others take 310 s each from 06:00: 86,400 + 930.
    """
    raw = day_shop(exchange="automatic", positions=4, exchange_seconds=20)
    raw["shop"]["operations"][0]["cut_seconds"] = 2_400
    raw["shop"]["plates"] += [plate(f"P{number}") for number in (2, 3, 4)]
    raw["orders"][0]["quantity"] = 4
    plan = solved(raw)
    assert times(plan, "cut") == [(25_810, 28_210), (28_230, 30_630), (30_650, 33_050), (33_070, 35_470)]
    assert finish(plan) == MORNING + 930


def test_cooling_goes_on_overnight() -> None:
    """Op 10 is unloaded at 3,320; 16 hours later, at 22:55:20, nobody is there; op 20 takes 3,320 s from 06:00."""
    raw = tiny_shop(due=2 * DAY)
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "14:00")]
    raw["shop"]["operations"][0]["after_seconds"] = 16 * HOUR
    add_part(raw, "W", "G", op=20)
    plan = solved(raw)
    assert times(plan, "load") == [(0, 600), (MORNING, MORNING + 600)]
    assert finish(plan) == MORNING + 3_320


def test_bench_work_pauses_over_the_break() -> None:
    """Unloaded at 3,320; an hour of bench work: 1,180 s up to the break at 07:15, 2,420 s from 07:45 on."""
    raw = tiny_shop()
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "14:00", breaks=["07:15-07:45"])]
    raw["shop"]["operations"][0]["bench_seconds"] = HOUR
    plan = solved(raw)
    (bench,) = tasks(plan, "bench")
    now = plan.now
    assert [(span.start - now, span.end - now) for span in bench.spans or ()] == [(3_320, 4_500), (6_300, 8_720)]
    assert finish(plan) == 8_720


# Load 21,600-22,200, place -22,210, cut -29,410, ten minutes after 14:00. Pull and unload take 310 s: in overtime that is
# 310/3600 x 20 = 1.7222 points; on Tuesday morning the order is 86,710 - 29,720 = 56,990 s = 15.8306 h later. Overtime pays from
# 1.7222 / 15.8306 = 0.1088 points per late hour on.
@pytest.mark.parametrize(("late_hour", "end", "spent"), [(0.11, 29_720, 310 / 3_600 * 20), (0.108, MORNING + 310, 0.0)])
def test_overtime_is_used_where_it_pays(late_hour: float, end: int, spent: float) -> None:
    raw = day_shop()
    raw["shop"]["shifts"].append(shift("Ana", "14:00", "18:00", overtime=True))
    raw["orders"][0].update(release=at(6 * HOUR), due=at(29_720))
    rate(raw, late_hour=late_hour, overtime_hour=20)
    plan = solved(raw)
    assert finish(plan) == end
    assert plan.score.parts.overtime_hour == pytest.approx(spent)
    assert {task.id for task in plan.tasks if task.overtime} == ({"R1.pull", "R1.unload"} if spent else set())


# Without a closure: load 0-600, place -610, cut -3,010, pull -3,020, unload -3,320.
@pytest.mark.parametrize(("closed", "start", "end", "done"), [
    ({"machine": "M1"}, 600, 4_200, 4_200 + 2_720),  # the plate is loaded meanwhile
    ({"plate": "P1"}, 0, 3_600, 3_600 + 3_320),
    ({"operator": "Ana"}, 0, 1_800, 1_800 + 3_320),
    ({"operator": "Ana"}, 1_000, 3_100, 3_100 + 310),  # the mill goes on alone
    ({}, 3_000, 3_600, 3_600 + 2_710),  # a cut never pauses: it waits in the mill until the shop opens
])
def test_nothing_happens_in_what_is_closed(closed: dict[str, str], start: int, end: int, done: int) -> None:
    raw = tiny_shop()
    raw["shop"]["closures"] = [{**closed, "start": at(start), "end": at(end)}]
    assert finish(solved(raw)) == done
