"""Corners of the audit that no single bent plan reaches: limits that are not there, runs that stay where they are on the floor."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from platerota_shared.audit import audit
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.hours import hours
from platerota_shared.plan import Task

from .audit_drafts import Draft
from .audit_plans import NOW, completed, drafted, read, run, task
from .audit_weeks import shop


def found(draft: Draft) -> list[tuple[str, str]]:
    """What the audit finds in a draft: rule and words."""
    return [(one.rule, one.detail) for one in audit(draft.request, draft.plan)]


def whole(draft: Draft) -> Draft:
    """The draft with what follows from its tasks, windows and floats included."""
    bent = draft.described()
    return Draft(bent.request, completed(bent.request, bent.plan))


@pytest.mark.parametrize("limit", ["max_mass", "tool_slots", "unattended_minutes"])
def test_a_limit_that_is_not_there_limits_nothing(limit: str) -> None:
    assert found(whole(Draft.of("night").row("machines", "M1", **{limit: None}))) == []


@pytest.mark.parametrize("kind", ["place", "pull"])
def test_a_plate_that_stays_is_not_exchanged(kind: str) -> None:
    draft = Draft.of("staying").add(task(f"R1.{kind}", 2520, 2530, "Ann").model_copy(update={"plate": "P1", "machine": "M1"}))
    assert ("F10", f"plate P1 stays in its machine, so there is no {kind}") in found(draft.described())


def test_a_run_of_the_floor_is_left_where_it_is_only_where_its_orders_are_not_placed() -> None:
    """P2, placed at `now`, is no run of the plan: that is a fault while O1 is placed, and none once it is not."""
    draft = Draft.of("part_way")
    gone = draft.with_plan(
        runs=tuple(run for run in draft.plan.runs if run.id != "R2"),
        tasks=tuple(one for one in draft.plan.tasks if one.run != "R2"),
    )
    words = "plate P2 is placed on the floor, but no run of the plan goes on with it"
    assert ("F18", words) in found(gone)
    lost = gone.order("O1", placed=False, start=None, finish=None, late_seconds=None, why="no operator is on shift")
    assert [rule for rule, detail in found(lost) if detail == words] == []


def test_a_plate_left_on_its_machine_takes_a_position_to_the_end() -> None:
    """With one position, P2 standing there is in the way of everything that is done with P1 there."""
    draft = Draft.of("part_way")
    gone = draft.with_plan(
        runs=tuple(run for run in draft.plan.runs if run.id != "R2"), tasks=tuple(one for one in draft.plan.tasks if one.run != "R2"),
    )
    assert [rule for rule, _ in found(gone) if rule == "F6"] == []
    assert [rule for rule, _ in found(gone.row("machines", "M1", positions=1)) if rule == "F6"] == ["F6"]


def test_a_plate_left_on_its_machine_takes_a_position_though_its_run_is_listed() -> None:
    """R2 stands in M1 at `now` and has no task: with one position, P1 is in its way, which is pulled only after it is counted."""
    draft = Draft.of("part_way")
    idle = draft.with_plan(tasks=tuple(one for one in draft.plan.tasks if one.run != "R2"))
    words = "machine M1 has no free position at 2027-03-01T06:00:00+00:00"
    assert [detail for rule, detail in found(idle) if rule == "F6"] == []
    assert [detail for rule, detail in found(idle.row("machines", "M1", positions=1)) if rule == "F6"] == [words]


@pytest.mark.parametrize("listed", [True, False])
def test_a_plate_that_stays_in_its_machine_takes_one_position_where_its_run_is_left_as_it_is(listed: bool) -> None:
    """P1 stays in M1 and is cut at `now`; nobody is there to unload it, and M1 has the one position that it takes."""
    raw = shop()
    raw["shop"]["plates"][0]["stays_in"] = "M1"
    raw["shop"]["shifts"] = []
    raw["orders"][0]["quantity"] = 4
    raw["floor"] = {"waiting": [{"order": "O1", "op": 10, "pieces": 4, "plate": "P1", "stage": "cut", "machine": "M1"}]}
    request = read(raw)
    runs = [run("R1", "P1", "F1", "M1", ("O1", "A", 10, 4))] if listed else []
    assert audit(request, completed(request, drafted(request, runs, [], unplaced=("O1",)))) == []


def test_a_setup_for_a_cut_that_is_running_is_not_needed() -> None:
    """P1 is cut until 1000 s; Ann sets M1 up for it when it is pulled, as the fixture before it is not known."""
    raw = shop()
    raw["shop"]["machines"][0]["setup_seconds"] = 300
    raw["orders"][0]["quantity"] = 4
    raw["floor"] = {
        "running": [{"plate": "P1", "machine": "M1", "order": "O1", "op": 10, "pieces": 4, "cut_end": "2027-03-01T06:16:40"}],
    }
    request = read(raw)
    tasks = [task("R1.cut", 0, 1000, frozen=True), task("R1.pull", 1000, 1010, "Ann"), task("R1.unload", 1310, 1370, "Ann")]
    runs = [run("R1", "P1", "F1", "M1", ("O1", "A", 10, 4))]
    for setup, faults in (([], []), ([task("R1.setup", 1010, 1310, "Ann")], [("F8", "R1.setup is not needed: R1.cut is running at now")])):
        assert found(Draft(request, completed(request, drafted(request, runs, [*tasks, *setup])))) == faults


def test_a_load_window_of_a_run_that_is_not_there_is_one_too_many() -> None:
    draft = Draft.of("two_plates")
    (first, *others) = draft.plan.load_windows
    strange = draft.with_plan(load_windows=(first.model_copy(update={"run": "R9"}), *others))
    rules = audit(strange.request, strange.plan)
    assert Finding("F20", (), "the load windows are not one for each load") in rules


def test_a_load_over_the_seam_of_a_shift_and_overtime_has_itself_for_a_window() -> None:
    """Ann's overtime goes on at 14:00 (28800 s) where her shift ends; R1 is loaded from 28740 to 28860."""
    draft = Draft.of("overtime").asked("O1", release=None)
    load = draft.task("R1.load")
    assert load.overtime
    seam = whole(draft.put("R1.load", start=28_740))
    (window,) = seam.plan.load_windows
    assert (window.earliest_start, window.latest_end) == (window.start, window.end)
    assert found(seam) == []


def beside_overtime(overtime: Sequence[str], tasks: Sequence[Task], bench: int = 0, **more: Any) -> Draft:
    """R1 is cut on Tuesday 07:00 (90000 s) to 07:40, when nobody is there but Ann in overtime: M1 may not cut alone.

    Her shifts are Tuesday's and Wednesday's 06:00-06:30, those of `overtime` come beside (``day from-to``). Bob, who does not load, is
    there Monday to Wednesday 06:50-07:00.
    """
    raw = shop()
    raw["shop"]["machines"][0]["unattended_minutes"] = 0
    raw["shop"]["fixtures"][0] |= more
    raw["shop"]["operations"][0]["bench_seconds"] = bench
    raw["shop"]["operators"] = [{"id": "Ann"}, {"id": "Bob", "skills": ["exchange", "unload", "bench"]}]
    raw["shop"]["shifts"] = [
        {"operator": "Ann", "days": ["tue", "wed"], "start": "06:00", "end": "06:30"},
        {"operator": "Bob", "days": ["mon", "tue", "wed"], "start": "06:50", "end": "07:00"},
    ]
    for shift in overtime:
        day, times = shift.split(" ")
        start, end = times.split("-")
        raw["shop"]["shifts"].append({"operator": "Ann", "days": [day], "start": start, "end": end, "overtime": True})
    raw["orders"][0]["quantity"] = 4
    request = read(raw)
    return Draft(request, completed(request, drafted(request, [run("R1", "P1", "F1", "M1", ("O1", "A", 10, 4))], list(tasks))))


def with_a_lonely_load(overtime: Sequence[str], load: tuple[int, int], **more: Any) -> Draft:
    """Ann loads R1, Bob does the rest."""
    tasks = [
        task("R1.load", *load, "Ann"), task("R1.place", 89_990, 90_000, "Bob"), task("R1.cut", 90_000, 92_400),
        task("R1.pull", 175_800, 175_810, "Bob"), task("R1.unload", 175_810, 175_870, "Bob"),
    ]
    return beside_overtime(overtime, tasks, **more)


QUICK = {"load_seconds": 0, "clamp_seconds": 0, "load_piece_seconds": 0}


@pytest.mark.parametrize(
    ("overtime", "load", "more", "window"),
    [
        # Monday's overtime 16:00-18:00 (36000) is no place for a load that brings her in on Tuesday, 06:30-08:00 (88200 to 93600).
        (["mon 16:00-18:00", "tue 06:30-08:00"], (88_800, 88_920), {}, (88_200, 89_990)),
        # One right before and one right after are no places either: 06:35 to 07:45 (88500 to 92700).
        (["tue 06:30-06:35", "tue 06:35-07:45", "tue 07:45-08:00"], (88_800, 88_920), {}, (88_500, 89_990)),
        # Her regular shift lies partly in the overtime shift 06:20-08:00 (87600), which counts because of the load.
        (["mon 16:00-18:00", "tue 06:20-08:00"], (87_900, 88_020), {}, (87_600, 88_200)),
        # It begins before the overtime shift does: earlier would be out of it soon.
        (["mon 16:00-18:00", "tue 06:20-08:00"], (87_540, 87_660), {}, (87_540, 88_200)),
        # A load of no time brings her in only where it is: at 06:30 it would be one of the shift before.
        (["mon 16:00-18:00", "tue 06:30-08:00"], (88_800, 88_800), QUICK, (88_800, 88_800)),
    ],
)
def test_a_load_that_alone_brings_somebody_in_stays_in_that_shift(
    overtime: Sequence[str], load: tuple[int, int], more: dict[str, int], window: tuple[int, int],
) -> None:
    """A window that reached further would leave the cut alone, which relies on her."""
    draft = with_a_lonely_load(overtime, load, **more)
    assert found(draft) == []
    (stated,) = draft.plan.load_windows
    assert (stated.earliest_start - NOW, stated.latest_end - NOW) == window
    for start in (window[0], window[1] - (load[1] - load[0])):
        assert found(whole(draft.put("R1.load", start=start))) == []


def test_a_load_in_overtime_may_leave_the_shift_that_another_task_brings_somebody_in_for() -> None:
    """Ann places R1, too, so she is there on Tuesday wherever she loads it: on Monday from 16:00 (36000) on."""
    draft = with_a_lonely_load(["mon 16:00-18:00", "tue 06:30-08:00"], (88_800, 88_920))
    placed = whole(draft.put("R1.place", operator="Ann"))
    (stated,) = placed.plan.load_windows
    assert (stated.earliest_start - NOW, stated.latest_end - NOW) == (36_000, 89_990)
    assert found(placed) == []
    assert found(whole(placed.put("R1.load", start=36_000))) == []


def test_a_load_in_an_overtime_shift_keeps_to_its_end_where_another_follows_at_once() -> None:
    """16:00-17:00 and 17:00-18:00 on Monday (39600): the load brings Ann in for the first, in which nothing is cut as yet."""
    draft = with_a_lonely_load(["mon 16:00-17:00", "mon 17:00-18:00"], (36_600, 36_720)).row("machines", "M1", unattended_minutes=None)
    (stated,) = whole(draft).plan.load_windows
    assert (stated.earliest_start - NOW, stated.latest_end - NOW) == (36_000, 39_600)


def with_a_lonely_unload(overtime: str, pull: int, unload: tuple[int, int], **more: Any) -> Draft:
    """Ann loads R1 in her shift, pulls it at `pull` and unloads it; Bob does the bench work on Wednesday, 06:50 (175800 s)."""
    tasks = [
        task("R1.load", 87_000, 87_120, "Ann"), task("R1.place", 89_990, 90_000, "Bob"), task("R1.cut", 90_000, 92_400),
        task("R1.pull", pull, pull + 10, "Ann"), task("R1.unload", *unload, "Ann"), task("R1.bench.10", 175_800, 175_920, "Bob"),
    ]
    return beside_overtime([overtime], tasks, bench=30, **more)


@pytest.mark.parametrize(
    ("overtime", "pull", "unload", "more", "floats"),
    [
        # Until Wednesday 06:30 there would be time, but it is the unload that keeps Ann there until 08:00 (93600) on Tuesday.
        ("tue 06:30-08:00", 92_400, (92_410, 92_470), {}, (1_130, 1_130)),
        # Unloaded on Wednesday 06:00 (172800), the pull is what brings her in; the unload may wait until 06:30 (174600).
        ("tue 06:30-08:00", 92_400, (172_800, 172_860), {}, (1_190, 1_740)),
        # An unload of no time brings her in only where it is.
        ("tue 06:30-08:00", 92_400, (92_410, 92_410), {"unload_seconds": 0, "release_seconds": 0, "unload_piece_seconds": 0}, (0, 0)),
    ],
)
def test_the_last_task_in_an_overtime_shift_does_not_slip_out_of_it(
    overtime: str, pull: int, unload: tuple[int, int], more: dict[str, int], floats: tuple[int, int],
) -> None:
    """A float that reached further would leave the cut alone, which relies on whoever is there."""
    draft = with_a_lonely_unload(overtime, pull, unload, **more)
    assert found(draft) == []
    assert (draft.task("R1.pull").float_seconds, draft.task("R1.unload").float_seconds) == floats
    late = draft.put("R1.unload", start=unload[0] + floats[1]).put("R1.pull", start=pull + floats[0])
    assert found(whole(late)) == []


@pytest.mark.parametrize(
    ("minutes", "start", "rules"), [(30, 0, []), (29, 0, ["F9"]), (130, 6600, []), (132, 6600, []), (129, 6600, ["F9"])],
)
def test_the_time_that_a_mill_may_cut_alone_counts_from_the_end_of_the_shift_before_now(
    minutes: int, start: int, rules: list[str],
) -> None:
    """Ann left at 05:50, ten minutes before `now`, and is back at 08:00; the plate that she placed is cut for 20 minutes, at once or
    over her return, 130 minutes after she left."""
    raw = shop()
    mill = raw["shop"]["machines"][0]
    mill["unattended_minutes"] = minutes
    raw["shop"]["machines"].append(mill | {"id": "M2", "unattended_minutes": 5})  # another mill's limit changes nothing
    raw["shop"]["operations"][0]["cut_seconds"] = 300
    days = ["mon", "tue", "wed", "thu", "fri"]
    raw["shop"]["shifts"] = [
        {"operator": "Ann", "days": ["sun"], "start": "22:00", "end": "05:50"},
        {"operator": "Ann", "days": days, "start": "08:00", "end": "16:00"},
    ]
    raw["orders"][0]["quantity"] = 4
    raw["floor"] = {
        "waiting": [{"plate": "P1", "order": "O1", "op": 10, "pieces": 4, "machine": "M1", "stage": "placed"}],
        "last_fixtures": [{"machine": "M1", "fixture": "F1"}],
    }
    request = read(raw)
    tasks = [task("R1.cut", start, start + 1200), task("R1.pull", 7800, 7810, "Ann"), task("R1.unload", 7810, 7870, "Ann")]
    plan = completed(request, drafted(request, [run("R1", "P1", "F1", "M1", ("O1", "A", 10, 4))], tasks))
    assert [one.rule for one in audit(request, plan)] == rules


@pytest.mark.parametrize(
    ("travel", "fits"),
    [((350, 450), True), ((450, 350), True), ((349.9, 450), False), ((350, 449.9), False), ((450, 349.9), False), ((449.9, 350), False)],
)
def test_a_plate_as_large_as_the_travels_fits_either_way_round(travel: tuple[float, float], fits: bool) -> None:
    """The plates are 350 x 450 mm."""
    draft = Draft.of("two_plates").row("machines", "M1", travel_x=travel[0], travel_y=travel[1])
    assert ("F5" in {rule for rule, _ in found(draft)}) is not fits


def test_bench_work_of_one_second_is_missed() -> None:
    draft = Draft.of("two_plates").row("operations", 0, bench_seconds=1).pieces("R3", pieces=1)
    assert ("F1", "run R3 lacks the bench work on op 10 of order O1") in found(draft)


def test_a_build_may_slip_up_to_a_closure_of_its_plate_but_not_around_it() -> None:
    """B1.build, 1800 s, may end at 29200, when R1.load must begin. P1 is closed from 27500 to 28000: 1200 s after that are too few, so
    the build must end at 27500, and start at 25700 in place of 13500."""
    closed = whole(Draft.of("pauses").closed(27_500, 28_000, plate="P1"))
    assert closed.task("B1.build").float_seconds == 25_700 - 13_500
    assert found(closed) == []


def test_a_load_may_slip_up_to_a_closure_of_its_plate() -> None:
    """R2.load at 130 may end at 2530; P2 is closed from 2450 to 2500, so it must end at 2450 and start at 2330."""
    closed = whole(Draft.of("two_plates").closed(2_450, 2_500, plate="P2"))
    assert closed.task("R2.load").float_seconds == 2_330 - 130
    assert found(closed) == []


@pytest.mark.parametrize(("moment", "called"), [(32_399, 0), (32_400, 1), (36_000, 1), (36_001, 0)])
def test_a_task_of_no_length_at_either_edge_of_an_overtime_shift_calls_it_in(moment: int, called: int) -> None:
    """Ann's overtime is 15:00 (32400 s) to 16:00, an hour after her shift."""
    draft = Draft.of("overtime").row("shifts", 1, start=15 * 60)
    shop_of, plan = draft.request.shop, draft.plan
    assert len(hours(shop_of, "Ann", [task("R1.pull", moment, moment, "Ann")], plan.now, plan.horizon_end).called_days) == called


def test_a_setup_may_take_all_the_time_between_two_cuts() -> None:
    """With two positions both plates stand there before the first cut, so the setup begins with its end, and ends where the next begins."""
    draft = Draft.of("setups").row("machines", "M1", positions=2)
    starts = {
        "R1.setup": 0, "R1.load": 360, "R2.load": 480, "R1.place": 600, "R2.place": 610, "R1.cut": 620, "R2.setup": 3_020, "R2.cut": 3_380,
        "R1.pull": 5_180, "R2.pull": 5_190, "R1.unload": 5_200, "R2.unload": 5_260,
    }
    for name, start in starts.items():
        draft = draft.put(name, start=start)
    assert found(whole(draft)) == []


def test_a_setup_of_the_wrong_length_is_told_with_both_lengths() -> None:
    draft = Draft.of("setups").put("R2.setup", end=3_259).described()
    assert ("F8", "R2.setup takes 359 s, by its formula 360 s") in found(draft)


def of_bench_work(*spans: tuple[int, int]) -> set[tuple[str, str]]:
    """What is said of it in `pauses` at other times: Ann works to 28800 and from 86400 on; overtime is 28800 to 31800, 32400 to 36000."""
    draft = Draft.of("pauses").row("shifts", 1, end=16 * 60, breaks=((14 * 60 + 50, 15 * 60),))
    work = task("R1.bench.10", spans[0][0], spans[-1][1], "Ann", spans=spans)
    return set(found(draft.put("R1.bench.10", start=spans[0][0], end=spans[-1][1], spans=work.spans).described()))


def test_work_that_pauses_lies_inside_working_time_in_every_stretch() -> None:
    outside = ("F11", "R1.bench.10 lies outside the working time of operator Ann")
    assert outside not in of_bench_work((28_200, 28_800), (86_400, 87_600))
    assert outside in of_bench_work((28_200, 28_800), (86_300, 87_500))


def test_two_stretches_that_touch_are_no_pause_though_there_is_one_beside_them() -> None:
    words = ("F12", "the spans of R1.bench.10 are not a broken stretch from its start to its end")
    assert words in of_bench_work((28_200, 28_500), (28_500, 28_800), (86_400, 87_600))
    assert words not in of_bench_work((14_100, 14_400), (15_300, 28_800), (86_400, 87_600))


def test_an_overtime_shift_is_left_out_in_part_though_the_part_before_its_break_is_worked() -> None:
    words = ("F12", "R1.bench.10 leaves out a part of an overtime shift")
    assert words in of_bench_work((30_600, 31_800), (86_400, 87_000))
    assert words not in of_bench_work((30_600, 31_800), (32_400, 33_000))
    assert words not in of_bench_work((28_200, 28_800), (86_400, 87_600))


@pytest.mark.parametrize(("week", "name", "words"), [
    ("two_plates", "R1.load", "R1.load is marked as overtime, wrongly"),
    ("overtime", "R1.load", "R1.load is not marked as overtime, wrongly"),
])
def test_a_wrong_mark_of_overtime_is_told_for_what_it_is(week: str, name: str, words: str) -> None:
    draft = Draft.of(week)
    assert ("F20", words) in found(draft.put(name, overtime=not draft.task(name).overtime))
