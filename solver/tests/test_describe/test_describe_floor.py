"""Float, windows and results under the rules of the floor: pieces, first articles, bench work, builds, closures, nights, overtime."""

import pytest

NOW = 1_803_880_800
DAY = 86_400


@pytest.fixture
def two_ops(week):
    """Order O, four pieces through op 10 (fixture F, P1) and op 20 (fixture G, P3) on mills M1 and M2; hand work by A.

    op 10 is unloaded at 3420; bench work 3420-3540, then 600 s to cool: op 20 can be loaded at 4140.
    """
    week.machines.append({"id": "M2", "mount": "A", "travel_x": 500, "travel_y": 400, "place_seconds": 60, "pull_seconds": 60})
    week.plates.append({"id": "P3", "mount": "A", "size_x": 300, "size_y": 300, "mass": 8, "fixture": "G"})
    week.fixtures.append({"id": "G", "load_seconds": 600, "unload_seconds": 300})
    week.nests.append({"fixture": "G", "part": "W", "op": 20, "count": 4})
    week.operations = [
        {"part": "W", "op": 10, "cut_seconds": 600, "bench_seconds": 30, "after_seconds": 600},
        {"part": "W", "op": 20, "cut_seconds": 600, "after_seconds": 900},
    ]
    week.order("O", 4, due=28_800)
    week.run("R1", "P1", {("O", 10): 4}, load=(0, 600), place=(600, 660), cut=(660, 3_060), pull=(3_060, 3_120), unload=(3_120, 3_420))
    week.task("R1.bench.10", "bench", 3_420, 3_540, run="R1", operator="A", order="O", op=10)
    week.run(
        "R2", "P3", {("O", 20): 4}, machine="M2", fixture="G", load=(4_500, 5_100), place=(5_100, 5_160), cut=(5_160, 7_560),
        pull=(7_560, 7_620), unload=(7_620, 7_920),
    )
    return week


def test_pieces_wait_for_bench_work_and_cooling(two_ops, floats, windows):
    plan = two_ops.plan()
    assert plan.orders[0].finish - NOW == 7_920 + 900
    # R2.load has no float; op 10 may slip by the 360 s that its pieces lie ready
    assert floats(plan) == {
        **{f"R1.{kind}": 360 for kind in ("load", "place", "cut", "pull", "unload", "bench.10")},
        **{f"R2.{kind}": 0 for kind in ("load", "place", "cut", "pull", "unload")},
    }
    assert windows(plan) == {"R1": (0, 600), "R2": (4_140, 5_100)}
    assert plan.kpis.shop.pieces == 4


def test_pieces_on_the_floor_are_ready_now(two_ops, windows):
    # All four pieces are through op 10: R2 is the only run.
    two_ops.floor = {"pieces": [{"order": "O", "op": 10, "pieces": 4}]}
    two_ops.runs = two_ops.runs[1:]
    two_ops.tasks = [task for task in two_ops.tasks if task.run == "R2"]
    assert windows(two_ops.plan())["R2"] == (0, 5_100)


def test_a_window_keeps_the_pieces_other_loads_take(two_ops, windows):
    # Four pieces from the floor and four from R1 at 4140. R0 takes four at 3600 (another plate): R2 must not come before R1's are ready.
    two_ops.orders[0]["quantity"] = 8
    two_ops.plates.append({"id": "P4", "mount": "A", "size_x": 300, "size_y": 300, "mass": 8, "fixture": "G"})
    two_ops.floor = {"pieces": [{"order": "O", "op": 10, "pieces": 4}]}
    two_ops.run("R0", "P4", {("O", 20): 4}, machine="M2", fixture="G", load=(3_600, 4_200), place=(7_980, 8_040), cut=(8_040, 10_440),
                pull=(10_440, 10_500), unload=(10_500, 10_800))
    found = windows(two_ops.plan())
    assert found["R2"] == (4_200, 5_100)
    assert found["R0"] == (3_540, 4_500)


def test_raw_stock_comes_with_the_release(two_plates, windows):
    two_plates.orders[0]["release"] = "2027-03-01T06:15:00Z"
    two_plates.move(900, *(task.id for task in two_plates.tasks))
    assert windows(two_plates.plan()) == {"R1": (900, 1_500), "R2": (1_560, 3_960)}


def test_a_first_article_holds_the_other_cuts(two_plates, floats):
    # The check 3480-3900 must end before R2 cuts: R2 is placed at 3900.
    two_plates.operations[0]["first_article_seconds"] = 420
    two_plates.task("R1.first_article.10", "first_article", 3_480, 3_900, run="R1", operator="A", order="O", op=10)
    two_plates.move(780, "R2.place", "R2.cut", "R2.pull", "R2.unload")
    found = floats(two_plates.plan())
    # R1.pull leaves 60 s before the unload at 3180: all before it may slip by those, and the load of R2 up to the pull
    assert {name: found[name] for name in ("R1.first_article.10", "R1.unload", "R1.pull", "R1.cut", "R2.load")} == {
        "R1.first_article.10": 0, "R1.unload": 0, "R1.pull": 60, "R1.cut": 60, "R2.load": 1_860,
    }


def test_bench_work_pauses_over_the_break(week, floats):
    # Unload ends at 14200; bench work of 400 s: 14200-14400, then 16200-16400 after the break; finish 16400.
    week.operations[0]["bench_seconds"] = 100
    week.order("O", 4, due=28_800)
    week.run(
        "R1", "P1", {("O", 10): 4}, load=(9_000, 9_600), place=(9_600, 9_660), cut=(9_660, 12_060),
        pull=(12_060, 12_120), unload=(13_900, 14_200),
    )
    week.task("R1.bench.10", "bench", 14_200, 16_400, spans=[(14_200, 14_400), (16_200, 16_400)], run="R1", operator="A", order="O", op=10)
    plan = week.plan()
    assert plan.orders[0].finish - NOW == 16_400
    found = floats(plan)
    assert (found["R1.bench.10"], found["R1.unload"]) == (0, 0)
    # A pulls at the latest at 13840, so the chain before may slip by 1780
    assert (found["R1.pull"], found["R1.load"]) == (1_780, 1_780)
    free = 16_400 - 1_800 - 1_420
    assert plan.kpis.operators[0].seconds == {"load": 600, "place": 60, "pull": 60, "unload": 300, "bench": 400, "free": free}


def test_a_load_may_not_slip_into_the_break(week, floats, windows):
    # Load 12000-12600, place after the break at 17000 without float (the finish is kept): the load may come after the break, at 16400.
    week.order("O", 4, due=28_800)
    week.run(
        "R1", "P1", {("O", 10): 4}, load=(12_000, 12_600), place=(17_000, 17_060), cut=(17_060, 19_460),
        pull=(19_460, 19_520), unload=(19_520, 19_820),
    )
    plan = week.plan()
    assert floats(plan)["R1.load"] == 16_400 - 12_000
    assert windows(plan) == {"R1": (0, 14_400)}
    # placed at 16700 there is no room between 16200 and 16700: the float ends before the break
    week.move(-300, "R1.place", "R1.cut", "R1.pull", "R1.unload")
    assert floats(week.plan())["R1.load"] == 13_800 - 12_000


def test_closures_bound_windows_and_floats(two_plates, floats, windows):
    # P2 is away until 630 and again from 2000.
    two_plates.close(0, 630, plate="P2")
    two_plates.close(2_000, 3_100, plate="P2")
    plan = two_plates.plan()
    assert windows(plan)["R2"] == (660, 2_000)
    assert floats(plan)["R2.load"] == 2_000 - 600 - 660


def test_a_build_comes_before_the_load_and_pauses(week, floats, windows):
    # P2 is blank; A builds F on it 9000-14400 and 16200-18000 (7200 s over the break), loads 18060-18660.
    week.plates[1]["fixture"] = None
    week.fixtures[0]["build_seconds"] = 7_200
    week.order("O", 4, due=28_800)
    week.task("B1.build", "build", 9_000, 18_000, spans=[(9_000, 14_400), (16_200, 18_000)], plate="P2", operator="A", fixture="F")
    week.run(
        "R1", "P2", {("O", 10): 4}, load=(18_060, 18_660), place=(18_660, 18_720), cut=(18_720, 21_120),
        pull=(21_120, 21_180), unload=(21_180, 21_480),
    )
    plan = week.plan()
    assert floats(plan)["B1.build"] == 60
    assert windows(plan) == {"R1": (18_000, 18_660)}
    assert plan.lanes[2].tasks[:2] == ("B1.build", "R1.load")
    # P2 is away for 30 s right after: the build cannot slip into that, nor the load come before it is back
    week.close(18_000, 18_030, plate="P2")
    assert floats(week.plan())["B1.build"] == 0
    assert windows(week.plan()) == {"R1": (18_030, 18_660)}


def test_a_build_slips_around_a_closure_of_its_plate(week, floats):
    # 1900 s of building at 0; the load comes at 9000. P2 is away 7000-7200 (working time): the build ends by 7000 or starts from 7200.
    week.plates[1]["fixture"] = None
    week.fixtures[0]["build_seconds"] = 1_900
    week.close(7_000, 7_200, plate="P2")
    week.order("O", 4, due=28_800)
    week.task("B1.build", "build", 0, 1_900, plate="P2", operator="A", fixture="F")
    week.run(
        "R1", "P2", {("O", 10): 4}, load=(9_000, 9_600), place=(9_600, 9_660), cut=(9_660, 12_060),
        pull=(12_060, 12_120), unload=(12_120, 12_420),
    )
    assert floats(week.plan())["B1.build"] == 7_000 - 1_900
    # the break 14400-16200 is no working time: a closure inside it does not matter
    week.closures[0] |= {"start": "2027-03-01T10:00:00Z", "end": "2027-03-01T10:30:00Z"}
    assert floats(week.plan())["B1.build"] == 9_000 - 1_900


def test_the_night_limit_bounds_the_cut(week, floats):
    # unattended 60 minutes from 14:00 (28800): the cut 20000-22400 may end by 32400; A pulls on Tuesday 06:00.
    week.machines[0]["unattended_minutes"] = 60
    week.order("O", 4, due=3 * DAY)
    week.run(
        "R1", "P1", {("O", 10): 4}, load=(19_000, 19_600), place=(19_940, 20_000), cut=(20_000, 22_400),
        pull=(DAY, DAY + 60), unload=(DAY + 60, DAY + 360),
    )
    plan = week.plan()
    found = floats(plan)
    assert found["R1.cut"] == 32_400 - 22_400
    # place must end by 28800 (end of shift): 28740 - 19940
    assert found["R1.place"] == 8_800
    week.machines[0]["unattended_minutes"] = None
    assert floats(week.plan())["R1.cut"] == DAY - 22_400
    week.machines[0]["unattended_minutes"] = 0
    assert floats(week.plan())["R1.cut"] == 28_800 - 22_400


@pytest.fixture
def saturday(week):
    """R1 is loaded and placed in overtime on Saturday (08:00-12:00, break 10:00-10:15) and taken out on Monday."""
    week.settings["horizon_days"] = 14
    week.shifts.append({"operator": "A", "days": ["sat"], "start": "08:00", "end": "12:00", "breaks": ["10:00-10:15"], "overtime": True})
    start = 5 * DAY + 7_200
    week.order("O", 4, due=14 * DAY)
    week.run(
        "R1", "P1", {("O", 10): 4}, load=(start, start + 600), place=(start + 600, start + 660), cut=(start + 660, start + 3_060),
        pull=(7 * DAY, 7 * DAY + 60), unload=(7 * DAY + 60, 7 * DAY + 360),
    )
    return week


def test_overtime_is_flagged_counted_and_named(saturday, windows):
    plan = saturday.plan()
    assert [task.id for task in plan.tasks if task.overtime] == ["R1.load", "R1.place"]
    assert plan.score.parts.overtime_hour == pytest.approx(20 * 660 / 3_600)
    start = 5 * DAY + 7_200
    assert windows(plan) == {"R1": (start, start + 600)}
    (caution,) = plan.warnings
    assert (caution.code, caution.pointer) == ("overtime-used", "/shop/operators/0")
    assert "11 min" in caution.detail
    assert "1 shift" in caution.detail
    assert caution.detail.endswith(": load 10 min, place 1 min, for O.")
    # five days of 7.5 h, the Saturday with 3.75 h, and 360 s on the second Monday
    free = 5 * 27_000 + 13_500 + 360 - 600 - 60 - 60 - 300
    assert plan.kpis.operators[0].seconds["free"] == free
    # the cut of 2400 s runs while A is in the shop
    assert plan.kpis.shop.unattended_cutting_seconds == 0


def test_an_overtime_shift_without_a_task_is_not_there(saturday):
    tuesday = DAY + 3_600
    saturday.move(-4 * DAY - 3_600, "R1.load", "R1.place")
    plan = saturday.plan()
    assert plan.tasks[0].start == NOW + tuesday
    assert [task.id for task in plan.tasks if task.overtime] == []
    assert plan.score.parts.overtime_hour == 0
    assert plan.kpis.operators[0].seconds["free"] == 5 * 27_000 + 360 - 1_020
    assert plan.kpis.shop.unattended_cutting_seconds == 2_400
    # the cut may slip until it ends when A pulls on Monday
    found = {task.id: task.float_seconds for task in plan.tasks}
    assert found["R1.cut"] == 7 * DAY - (5 * DAY + 7_200 + 3_060)


def test_a_task_of_no_length_at_the_start_of_overtime_needs_that_shift(week):
    # Monday 16:00-18:00 is overtime; a load and place of 0 s at 16:00 (36000) bring A in. At 14:00, the seam of a shift right after, none.
    week.shifts.append({"operator": "A", "days": ["mon"], "start": "16:00", "end": "18:00", "overtime": True})
    week.machines[0]["place_seconds"] = 0
    week.fixtures[0]["load_seconds"] = 0
    week.order("O", 4, due=28_800)
    week.run("R1", "P1", {("O", 10): 4}, load=(36_000, 36_000), place=(36_000, 36_000), cut=(36_000, 38_400), pull=(DAY, DAY + 60),
             unload=(DAY + 60, DAY + 360))
    plan = week.plan()
    assert [task.id for task in plan.tasks if task.overtime] == ["R1.load", "R1.place"]
    assert plan.score.parts.overtime_hour == 0
    assert plan.kpis.shop.unattended_cutting_seconds == 0
    week.shifts[1]["start"] = "14:00"
    week.move(28_800 - 36_000, "R1.load", "R1.place", "R1.cut")
    plan = week.plan()
    assert [task.id for task in plan.tasks if task.overtime] == []
    assert plan.kpis.shop.unattended_cutting_seconds == 2_400


def test_a_load_over_the_edge_of_overtime_keeps_its_place(week, windows):
    # Monday 14:00-16:00 is overtime; the load 28500-29100 lies half in it.
    week.shifts.append({"operator": "A", "days": ["mon"], "start": "14:00", "end": "16:00", "overtime": True})
    week.order("O", 4, due=28_800)
    week.run(
        "R1", "P1", {("O", 10): 4}, load=(28_500, 29_100), place=(30_000, 30_060), cut=(30_060, 32_460),
        pull=(32_460, 32_520), unload=(32_520, 32_820),
    )
    plan = week.plan()
    assert windows(plan) == {"R1": (28_500, 29_100)}
    assert plan.score.parts.overtime_hour == pytest.approx(20 * (300 + 60 + 60 + 300) / 3_600)
    assert plan.tasks[0].overtime
    # wholly in regular time its window ends with that
    week.move(-500, "R1.load")
    assert windows(week.plan()) == {"R1": (0, 28_800)}


@pytest.fixture
def called_in(week):
    """A loads R1 on Tuesday in overtime (14:00-16:00, 115200-122400), which she has on Monday, too; B is there for all else."""
    week.operators.append({"id": "B"})
    week.shifts.append({"operator": "B", "days": ["mon", "tue", "wed"], "start": "14:20", "end": "14:30"})
    week.shifts.append({"operator": "A", "days": ["mon", "tue"], "start": "14:00", "end": "16:00", "overtime": True})
    week.order("O", 4, due=3 * DAY)
    week.run(
        "R1", "P1", {("O", 10): 4}, load=(115_200, 115_800), place=(116_400, 116_460), cut=(116_460, 118_860), pull=(203_000, 203_060),
        unload=(203_060, 203_360), who="B",
    )
    week.tasks[0] = week.tasks[0].model_copy(update={"operator": "A"})
    return week


def test_a_load_that_alone_brings_somebody_in_stays_in_that_shift(called_in, windows):
    # The cut from 14:21 to 15:01 has A beside it because she loads after 14:00; a shift from 13:00 on would count from then.
    assert windows(called_in.plan()) == {"R1": (115_200, 116_400)}
    called_in.shifts[2]["start"] = "13:00"
    called_in.move(-3_600, "R1.load")
    assert windows(called_in.plan()) == {"R1": (111_600, 115_200)}
    # Half before that shift it may not be earlier, as it would soon be out of it.
    called_in.move(-300, "R1.load")
    assert windows(called_in.plan()) == {"R1": (111_300, 115_200)}


def test_a_load_that_alone_brings_somebody_in_ends_with_that_shift(called_in, windows):
    called_in.shifts[2]["end"] = "14:15"
    called_in.shifts.append(called_in.shifts[2] | {"start": "14:15", "end": "16:00"})
    assert windows(called_in.plan()) == {"R1": (115_200, 116_100)}
    # Half in each it brings her in for both, and keeps its place.
    called_in.move(600, "R1.load")
    assert windows(called_in.plan()) == {"R1": (115_800, 116_400)}


def test_a_load_of_no_length_that_alone_brings_somebody_in_keeps_its_place(called_in, windows):
    called_in.fixtures[0]["load_seconds"] = 0
    load = called_in.tasks[0]
    called_in.tasks[0] = load.model_copy(update={"start": load.end})
    assert windows(called_in.plan()) == {"R1": (115_800, 115_800)}


def test_a_load_may_leave_the_overtime_shift_that_another_task_brings_somebody_in_for(called_in, windows):
    # A places R1, too: she is there on Tuesday wherever she loads it, on Monday after 14:00 (28800) at the earliest.
    called_in.tasks[1] = called_in.tasks[1].model_copy(update={"operator": "A"})
    assert windows(called_in.plan()) == {"R1": (28_800, 116_400)}


@pytest.fixture
def unloaded_in_overtime(week):
    """R1 is cut until Tuesday 15:01 (118860), where A is in overtime (14:00-16:00, until 122400) to pull and unload it; B, who has placed
    it, does the bench work on Wednesday 14:20. A is there on Wednesday from 06:00 (172800) on.
    """
    week.operations[0]["bench_seconds"] = 30
    week.operators.append({"id": "B"})
    week.shifts.append({"operator": "B", "days": ["tue", "wed"], "start": "14:20", "end": "14:30"})
    week.shifts.append({"operator": "A", "days": ["tue"], "start": "14:00", "end": "16:00", "overtime": True})
    week.order("O", 4, due=3 * DAY)
    week.run(
        "R1", "P1", {("O", 10): 4}, load=(100_000, 100_600), place=(116_400, 116_460), cut=(116_460, 118_860), pull=(118_860, 118_920),
        unload=(118_920, 119_220),
    )
    week.tasks[1] = week.tasks[1].model_copy(update={"operator": "B"})
    week.task("R1.bench.10", "bench", 202_800, 202_920, run="R1", operator="B", order="O", op=10)
    return week


def test_the_last_task_in_an_overtime_shift_does_not_slip_out_of_it(unloaded_in_overtime, floats):
    # Without it nobody would be there for the cut. What comes before it stays with it.
    found = floats(unloaded_in_overtime.plan())
    assert (found["R1.pull"], found["R1.unload"]) == (3_180, 3_180)


def test_what_follows_an_overtime_shift_slips_as_it_may(unloaded_in_overtime, floats):
    # Unloaded on Wednesday at 06:00: the pull may slip to the end of the shift, the unload until 14:00.
    unloaded_in_overtime.move(172_800 - 118_920, "R1.unload")
    found = floats(unloaded_in_overtime.plan())
    assert (found["R1.pull"], found["R1.unload"]) == (122_340 - 118_860, 201_600 - 300 - 172_800)


def test_a_task_of_no_length_that_brings_somebody_in_last_keeps_its_place(unloaded_in_overtime, floats):
    unloaded_in_overtime.fixtures[0]["unload_seconds"] = 0
    unload = unloaded_in_overtime.tasks[4]
    unloaded_in_overtime.tasks[4] = unload.model_copy(update={"end": unload.start})
    assert floats(unloaded_in_overtime.plan())["R1.unload"] == 0


def test_a_load_done_while_a_build_pauses_ends_before_it_goes_on(week, floats):
    # A leaves the build at 14:00, loads in overtime 14:00-14:10 and builds on Tuesday 06:00-06:10; the plan keeps the build where it is.
    week.shifts.append({"operator": "A", "days": ["mon"], "start": "14:00", "end": "16:00", "overtime": True})
    week.plates.append({"id": "P3", "mount": "A", "size_x": 300, "size_y": 300, "mass": 8})
    week.fixtures[0]["build_seconds"] = 1_200
    week.order("O", 8, due=28_800)
    week.task("B1.build", "build", 28_200, DAY + 600, spans=[(28_200, 28_800), (DAY, DAY + 600)], plate="P3", operator="A", fixture="F")
    week.run("R1", "P1", {("O", 10): 4}, load=(28_800, 29_400), place=(DAY + 600, DAY + 660), cut=(DAY + 660, DAY + 3_060),
             pull=(DAY + 3_060, DAY + 3_120), unload=(DAY + 3_120, DAY + 3_420))
    week.run("R2", "P3", {("O", 10): 4}, load=(DAY + 3_420, DAY + 4_020), place=(DAY + 4_020, DAY + 4_080), cut=(DAY + 4_080, DAY + 6_480),
             pull=(DAY + 6_480, DAY + 6_540), unload=(DAY + 6_540, DAY + 6_840))
    found = floats(week.plan())
    # overtime ends at 36000: latest start 35400
    assert (found["B1.build"], found["R1.load"]) == (0, 35_400 - 28_800)


def test_runs_of_several_orders_and_an_unplaced_one(week):
    # R1 carries two pieces each of O and X; X cannot be placed, its pieces on the floor run still go on.
    week.order("O", 2, due=28_800)
    week.order("X", 9, due=28_800)
    week.unplaced = {"X": "every load of A is taken until the horizon ends"}
    week.floor = {"waiting": [{"plate": "P1", "order": name, "op": 10, "pieces": 2, "stage": "pulled"} for name in ("O", "X")]}
    week.run("R1", "P1", {("O", 10): 2, ("X", 10): 2}, machine=None, unload=(0, 300))
    plan = week.plan()
    assert [(row.runs, row.placed, row.finish) for row in plan.orders] == [(1, True, NOW + 300), (1, False, None)]
    assert plan.tasks[0].float_seconds == 0
    assert plan.kpis.shop.on_time_share == 0.5
