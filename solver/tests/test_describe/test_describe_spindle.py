"""Where a spindle's time goes, every use and cause at least once, with the sums by hand."""

import pytest

from platerota_shared.kpi_formulas import (
    MACHINE_ELEMENTS,
    MACHINE_FORMULAS,
    OPERATOR_ELEMENTS,
    OPERATOR_FORMULAS,
    SHOP_ELEMENTS,
    SHOP_FORMULAS,
)


def test_hand_exchange_first_load_and_no_work(two_plates, spindle):
    # cuts 2 x 2400; exchanges 4 x 60; nothing loaded 0-600; no cut left 5640-5940 (the last pull 5580-5640 is exchange)
    assert spindle(two_plates.plan()) == {"cutting": 4_800, "exchange": 240, "no_loaded_plate": 600, "no_work": 300}


def test_waiting_for_a_busy_operator_and_for_a_closed_mill(two_plates, spindle):
    # R2 is placed an hour later. 3120-6720 is 3600 s of waiting for a plate loaded since 1260; 4000-5000 of it the mill is closed.
    two_plates.close(4_000, 5_000, machine="M1")
    two_plates.move(3_600, "R2.place", "R2.cut", "R2.pull", "R2.unload")
    # last task ends 9540; no work 9240-9540
    assert spindle(two_plates.plan()) == {
        "cutting": 4_800, "exchange": 240, "no_loaded_plate": 600, "no_work": 300, "closed": 1_000, "operator_busy": 2_600,
    }


def test_nobody_over_a_break_and_by_skill(week, spindle):
    # Break 14400-16200. Two operators, but B may not exchange: the break counts as nobody.
    week.operators = [{"id": "A"}, {"id": "B", "skills": ["load", "unload"]}]
    week.shifts.append({"operator": "B", "days": ["mon"], "start": "06:00", "end": "14:00"})
    week.order("O", 4, due=28_800)
    week.run("R1", "P1", {("O", 10): 4}, who="B", load=(0, 600), unload=(18_720, 19_020))
    week.task("R1.place", "place", 16_200, 16_260, run="R1", plate="P1", machine="M1", operator="A")
    week.task("R1.cut", "cut", 16_260, 18_660, run="R1", plate="P1", machine="M1")
    week.task("R1.pull", "pull", 18_660, 18_720, run="R1", plate="P1", machine="M1", operator="A")
    plan = week.plan()
    # 0-600 not loaded, 600-14400 A could have come, 14400-16200 break, 18720-19020 no work
    assert spindle(plan) == {
        "no_loaded_plate": 600, "operator_busy": 13_800, "nobody": 1_800, "exchange": 120, "cutting": 2_400, "no_work": 300,
    }
    first, second = plan.kpis.operators
    assert first.seconds == {"place": 60, "pull": 60, "free": 19_020 - 1_800 - 120}
    assert second.seconds == {"load": 600, "unload": 300, "free": 19_020 - 900}


def test_a_mill_without_a_cut_has_no_work(two_plates, spindle):
    two_plates.machines.append({"id": "M2", "mount": "A", "travel_x": 500, "travel_y": 400})
    two_plates.close(100, 300, machine="M2")
    plan = two_plates.plan()
    assert spindle(plan, "M2") == {"closed": 200, "no_work": 5_740}
    assert plan.kpis.machines[1].ratios["planned_setup_ratio"] is None


def test_setup_counts_before_the_causes(week, spindle, floats):
    # setup 300 s before the first cut: tools unknown. It may slip until the place must start: no slack, the order finishes with the unload.
    week.machines[0]["setup_seconds"] = 300
    week.order("O", 4, due=28_800)
    week.run(
        "R1", "P1", {("O", 10): 4}, load=(0, 600), setup=(600, 900), place=(900, 960), cut=(960, 3_360),
        pull=(3_360, 3_420), unload=(3_420, 3_720),
    )
    plan = week.plan()
    assert spindle(plan) == {"no_loaded_plate": 600, "setup": 300, "exchange": 120, "cutting": 2_400, "no_work": 300}
    assert plan.score.parts.setup == 5
    assert set(floats(plan).values()) == {0}
    assert plan.lanes[0].tasks == ("R1.setup", "R1.place", "R1.cut", "R1.pull")
    assert plan.kpis.machines[0].ratios["planned_setup_ratio"] == pytest.approx(300 / 2_700)


@pytest.fixture
def pool(week):
    """A mill that exchanges by itself: R2 is placed while R1 cuts, the spindle waits 20 s between the two.

    Order O of R1 finishes with its unload at 3420, order Q of R2 at 5780.
    """
    week.machines[0] |= {"exchange": "automatic", "exchange_seconds": 20}
    week.order("O", 4, due=28_800)
    week.order("Q", 4, due=28_800)
    week.run("R1", "P1", {("O", 10): 4}, load=(0, 600), place=(600, 660), cut=(660, 3_060), pull=(3_060, 3_120), unload=(3_120, 3_420))
    week.run(
        "R2", "P2", {("Q", 10): 4}, load=(660, 1_260), place=(1_260, 1_320), cut=(3_080, 5_480), pull=(5_480, 5_540), unload=(5_540, 5_840),
    )
    return week


def test_automatic_wait_is_exchange(pool, spindle, floats):
    plan = pool.plan()
    # 20 s between the cuts; place and pull happen beside the spindle; after the last cut 5480-5840 no work
    assert spindle(plan) == {"no_loaded_plate": 600, "operator_busy": 60, "cutting": 4_800, "exchange": 20, "no_work": 360}
    # R2.place may wait until A must pull R1 at 3060 (O finishes at 3420, so that pull has no float): 3000 - 1260; the load before it 2400
    # - 660
    assert {name: seconds for name, seconds in floats(plan).items() if seconds} == {"R2.place": 1_740, "R2.load": 1_740}


def test_automatic_wait_overlapping_a_setup_counts_as_exchange(pool, spindle):
    # P2 carries fixture G: B sets up 3060-3160 right after R1's cut, the wait 3060-3080 lies inside
    pool.machines[0]["setup_seconds"] = 100
    pool.floor = {"last_fixtures": [{"machine": "M1", "fixture": "F"}]}
    pool.operators.append({"id": "B", "skills": ["setup"]})
    pool.shifts.append({"operator": "B", "days": ["mon"], "start": "06:00", "end": "14:00"})
    pool.fixtures.append({**pool.fixtures[0], "id": "G"})
    pool.nests.append({**pool.nests[0], "fixture": "G"})
    pool.plates[1]["fixture"] = "G"
    pool.runs[1] = pool.runs[1].model_copy(update={"fixture": "G"})
    pool.task("R2.setup", "setup", 3_060, 3_160, run="R2", machine="M1", operator="B", fixture="G")
    pool.move(80, "R2.cut", "R2.pull", "R2.unload")
    found = spindle(pool.plan())
    assert (found["exchange"], found["setup"]) == (20, 80)


def test_the_same_plate_again_needs_no_automatic_wait(pool, spindle):
    pool.runs[1] = pool.runs[1].model_copy(update={"plate": "P1"})
    pool.tasks = [
        task.model_copy(update={"plate": "P1", "start": task.start + 3_000, "end": task.end + 3_000}) if task.run == "R2" else task
        for task in pool.tasks
    ]
    assert "exchange" not in spindle(pool.plan())


def test_hand_work_in_the_machine_leaves_it_without_a_loaded_plate(week, spindle, floats, windows):
    # P1 stays in M1: load 0-600, cut 600-3000, unload 3000-3300, load 3300-3900, cut 3900-6300, unload 6300-6600
    week.plates[0]["stays_in"] = "M1"
    week.order("O", 8, due=28_800)
    week.run("R1", "P1", {("O", 10): 4}, stays=True, load=(0, 600), cut=(600, 3_000), unload=(3_000, 3_300))
    week.run("R2", "P1", {("O", 10): 4}, stays=True, load=(3_300, 3_900), cut=(3_900, 6_300), unload=(6_300, 6_600))
    plan = week.plan()
    assert spindle(plan) == {"no_loaded_plate": 600 + 900, "cutting": 4_800, "no_work": 300}
    assert plan.lanes[0].tasks == ("R1.load", "R1.cut", "R1.unload", "R2.load", "R2.cut", "R2.unload")
    assert set(floats(plan).values()) == {0}
    assert windows(plan) == {"R1": (0, 600), "R2": (3_300, 3_900)}
    assert [row.place_at - row.start for row in plan.load_windows] == [600, 600]
    (caution,) = plan.warnings
    # 2 x (600 + 300) s
    assert (caution.code, caution.pointer) == ("plate-stays", "/shop/plates/0/stays_in")
    assert "1800 s" in caution.detail


def test_unattended_cutting_starts_when_the_last_shift_ends(week, spindle):
    # One shift 06:00-14:00 with a break: the break is attended. Cut 27000-34200 passes 14:00 (28800): 5400 s alone.
    week.operations[0]["cut_seconds"] = 1_800
    week.order("O", 4, due=28_800)
    week.run(
        "R1", "P1", {("O", 10): 4}, load=(26_340, 26_940), place=(26_940, 27_000), cut=(27_000, 34_200),
        pull=(86_400, 86_460), unload=(86_460, 86_760),
    )
    plan = week.plan()
    assert plan.kpis.machines[0].unattended_cutting_seconds == plan.kpis.shop.unattended_cutting_seconds == 5_400
    # 0-26940 not loaded, but the break 14400-16200 of it is "nobody", which comes first; after the cut no work but the pull
    assert spindle(plan) == {
        "no_loaded_plate": 26_940 - 1_800, "nobody": 1_800, "exchange": 120, "cutting": 7_200, "no_work": 86_760 - 34_200 - 60,
    }


def test_a_cut_begun_before_now_counts_from_now(week, spindle, floats):
    week.order("O", 4, due=28_800)
    week.floor = {"running": [{"plate": "P1", "machine": "M1", "order": "O", "op": 10, "pieces": 4, "cut_end": "2027-03-01T06:20:00Z"}]}
    week.run("R1", "P1", {("O", 10): 4}, frozen_cut=True, cut=(0, 1_200), pull=(1_200, 1_260), unload=(1_260, 1_560))
    plan = week.plan()
    assert spindle(plan) == {"cutting": 1_200, "exchange": 60, "no_work": 300}
    (order,) = plan.orders
    assert (order.start, order.runs, order.finish - week.request().now) == (None, 1, 1_560)
    assert floats(plan) == {"R1.cut": 0, "R1.pull": 0, "R1.unload": 0}
    assert plan.load_windows == ()


# ISO 22400-2 (formulas from memory): one shift of 480 min with APT 320, AUST 40, ADET 60 gives technical efficiency .8421, utilization
# efficiency .7619, setup ratio .1111, allocation efficiency .8750 and availability .6667 over a planned busy time of 480.
def test_iso_22400_worked_numbers(week, outside):
    week.operations[0]["cut_seconds"] = 4_800
    week.fixtures[0] |= {"load_seconds": 3_000, "unload_seconds": 3_600}
    week.shifts = [{"operator": "A", "days": ["mon"], "start": "06:00", "end": "14:00"}]
    week.order("O", 4, due=28_800)
    week.machines[0] |= {"setup_seconds": 2_400, "place_seconds": 600, "pull_seconds": 0, "hour_cost": 30}
    week.operators[0]["hour_cost"] = 20
    # delay: load 3000 s not loaded + place 600 s = 60 min; setup 40 min; cut 320 min; unload 60 min without work: 480 min in all
    week.run(
        "R1", "P1", {("O", 10): 4}, load=(0, 3_000), setup=(3_000, 5_400), place=(5_400, 6_000), cut=(6_000, 25_200), pull=(25_200, 25_200),
        unload=(25_200, 28_800),
    )
    plan = week.plan()
    ratios = plan.kpis.machines[0].ratios
    for name, published in (
        ("technical efficiency", 0.8421), ("utilization efficiency", 0.7619), ("setup ratio", 0.1111), ("allocation efficiency", 0.8750),
        ("availability", 0.6667),
    ):
        what = f"{name} of PBT 480, APT 320, AUST 40, ADET 60 min"
        outside(what, ratios[f"planned_{name.replace(' ', '_')}"], published, "ISO 22400-2", "worked out", off=5e-5)
    assert ratios["planned_cutting_cost"] == pytest.approx(160)  # 5 h 20 min at 30
    # A works 3000 + 2400 + 600 + 0 + 3600 = 9600 s of 28800
    assert plan.kpis.operators[0].ratios["planned_worker_efficiency"] == pytest.approx(1 / 3)
    assert plan.kpis.operators[0].ratios["planned_work_cost"] == pytest.approx(20 * 9_600 / 3_600)
    shop = plan.kpis.shop
    assert (shop.orders, shop.on_time_orders, shop.on_time_share, shop.runs, shop.pieces, shop.late_seconds) == (1, 1, 1.0, 1, 4, 0)
    assert shop.ratios["planned_throughput_rate"] == pytest.approx(0.5)  # 4 pieces in 8 h
    assert shop.ratios["planned_allocation_ratio"] == pytest.approx(420 / 480)  # AUBT 420 min over one order of 480 min
    assert shop.ratios["planned_cost"] == pytest.approx(160 + 53.3333, abs=1e-3)


def test_every_ratio_has_its_formula_and_every_element_its_value(two_plates):
    kpis = two_plates.plan().kpis
    assert all(set(row.ratios) == set(MACHINE_FORMULAS) for row in kpis.machines)
    assert all(set(row.ratios) == set(OPERATOR_FORMULAS) for row in kpis.operators)
    assert set(kpis.shop.ratios) == set(SHOP_FORMULAS)
    assert all(set(row.elements) == set(MACHINE_ELEMENTS) for row in kpis.machines)
    assert all(set(row.elements) == set(OPERATOR_ELEMENTS) for row in kpis.operators)
    assert set(kpis.shop.elements) == set(SHOP_ELEMENTS)
