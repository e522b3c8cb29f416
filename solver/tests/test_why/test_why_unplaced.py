"""What stands in the way of an order that is not placed: one known cause each, asserted on the facts; the sentence names the resource."""

from platerota_solver.why import unplaced_reasons
from platerota_solver.why.late import DETAILED

NOW = 1_803_880_800


def test_material_after_the_horizon(shop, when):
    shop.days = 1
    shop.order(release=when(23))
    found = shop.planned().obstacle()
    assert (found.cause, found.resources) == ("material", ("O",))
    assert found.finish == NOW + 8_520
    assert "its material comes Tue 05:00; without that it would finish Mon 08:22" in shop.planned().left_out()


def test_a_machine_closed(shop):
    shop.days = 1
    shop.close(0, 24, machine="M1")
    shop.order()
    found = shop.planned().obstacle()
    assert (found.cause, found.resources, found.needed) == ("closure", ("M1",), 86_400)
    assert "M1 is closed for 24 h" in shop.planned().left_out()


def test_two_closures_that_only_together_stand_in_the_way(shop):
    shop.days = 1
    shop.close(0, 24, machine="M1")
    shop.close(0, 24, plate="P1")
    shop.order()
    assert shop.planned().obstacle().resources == ("M1", "P1")


def test_the_whole_shop_closed(shop):
    shop.days = 1
    shop.close(0, 24)
    shop.order()
    assert "the whole shop is closed for 24 h" in shop.planned().left_out()


def test_a_cut_longer_than_any_time_it_may_run(shop):
    # 10 h of cutting; M1 may cut 8 h of the shift and 60 min into the night.
    shop.machines[0]["unattended_minutes"] = 60
    shop.operations[0]["cut_seconds"] = 9_000
    shop.order()
    found = shop.planned().obstacle()
    assert (found.cause, found.resources) == ("unattended", ("M1",))
    assert (found.needed, found.available) == (36_000, 9 * 3_600)
    assert "a cut of 10 h on M1" in shop.planned().left_out()


def test_a_load_longer_than_any_span_of_working_time(shop):
    # An hour's break every other hour leaves 1 h; the load takes 90 min.
    shop.shifts[0]["breaks"] = ["07:00-08:00", "09:00-10:00", "11:00-12:00", "13:00-14:00"]
    shop.fixtures[0]["load_seconds"] = 5_400
    shop.order()
    found = shop.planned().obstacle()
    assert (found.cause, found.skill, found.resources) == ("skill", "load", ("Ana",))
    assert (found.needed, found.available) == (5_400, 3_600)
    assert "it needs 1 h 30 min of unbroken work by somebody who can load; Ana, the only one who can load, has 1 h at most" in (
        shop.planned().left_out()
    )


def test_nobody_with_the_skill_works_before_the_horizon_ends(shop, new_shift):
    shop.days = 1
    shop.operators = [{"id": "Ana", "skills": ["load", "unload"]}, {"id": "Ben"}]
    shop.shifts.append(new_shift("Ben", "06:00", "14:00", **{"from": "2027-03-02"}))
    shop.order()
    found = shop.planned().obstacle()
    assert (found.cause, found.skill, found.resources, found.available) == ("skill", "exchange", ("Ben",), 0)
    assert "nobody who can exchange plates works in that time (Ben)" in shop.planned().left_out()


def test_an_op_chain_longer_than_the_horizon(shop):
    shop.days = 1
    shop.second_op()
    shop.operations[0]["after_seconds"] = 80_000
    shop.order()
    found = shop.planned().obstacle()
    assert (found.cause, found.resources) == ("horizon", ("M1",))
    assert found.finish > NOW + 86_400
    assert "M1" in shop.planned().left_out()


def test_too_few_plates(shop):
    # Loads and unloads of 2 h each share P1 with cuts of 2 h: two runs would need 12 h; with a twin, hand work hides behind cuts.
    shop.days = 1
    shop.shifts[0]["end"] = "19:00"
    shop.fixtures[0].update(load_seconds=7_200, unload_seconds=7_200)
    shop.shifts[0]["end"] = "17:00"
    shop.order(quantity=8)
    found = shop.planned().obstacle()
    assert (found.cause, found.resources) == ("plate", ("P1",))
    assert "P1 is the only plate for it" in shop.planned().left_out()


def test_too_few_machines(shop, new_plate):
    # 12 runs of 2 h need 24 h of M1 and more; plates there are enough, and somebody is always there.
    shop.days = 1
    shop.shifts[0].update(start="06:00", end="06:00")
    shop.plates = [new_plate(f"P{number}", "F") for number in range(1, 7)]
    shop.order(quantity=48)
    found = shop.planned().obstacle()
    assert (found.cause, found.resources) == ("machine", ("M1",))
    assert (found.needed, found.available) == (86_400, 86_400)
    assert "M1 is the only machine for it; it needs 24 h of cutting of 24 h there" in shop.planned().left_out()


def test_people_there_too_little_for_several_kinds_of_work(shop):
    # Ana is there for 20 min: time to load and place, none to pull and unload.
    shop.days = 1
    shop.shifts[0]["end"] = "06:20"
    shop.order()
    found = shop.planned().obstacle()
    assert (found.cause, found.resources) == ("people", ("Ana",))
    assert "Ana" in shop.planned().left_out()


def test_a_run_under_way_that_nobody_can_pull(shop, new_shift):
    shop.days = 1
    shop.operators = [{"id": "Ana", "skills": ["load", "unload"]}, {"id": "Ben"}]
    shop.shifts.append(new_shift("Ben", "06:00", "14:00", **{"from": "2027-03-02"}))
    shop.floor = {"running": [{"plate": "P1", "machine": "M1", "order": "O", "op": 10, "pieces": 4, "cut_end": "2027-03-01T07:00:00"}]}
    shop.order()
    found = shop.planned().obstacle()
    assert (found.cause, found.skill, found.stuck) == ("skill", "exchange", True)
    assert shop.planned().left_out().startswith("a run of it that is under way cannot be ended before the horizon ends (Tue 06:00)")


def test_no_single_change_would_do(shop):
    # Closed and without material: either alone is not enough.
    shop.days = 1
    shop.close(0, 24, machine="M1")
    shop.order(release="2027-03-02T05:00:00", quantity=400)
    found = shop.planned().obstacle()
    assert (found.cause, found.resources, found.finish) == ("several", ("M1",), None)
    assert "M1" in shop.planned().left_out()


def test_an_order_that_fits_alone_but_not_beside_the_others(shop):
    # A fills the day on P1 and M1: four runs of 2.2 h, the last pulled before 14:00 is the third; O finds no run.
    shop.days = 1
    shop.order("A", quantity=12, due=1)
    shop.order("O", due=2)
    plan = shop.planned()
    found = plan.obstacle()
    # Freeing one of the two would not do: each is full with A.
    assert (found.cause, found.resources, found.also) == ("crowded", ("P1",), ("M1",))
    assert found.finish is not None
    assert "and M1 at the same time" in plan.left_out()
    assert "fits alone but not beside the other orders before the horizon ends (Tue 06:00)" in plan.left_out()


def test_the_crowded_resource_is_the_one_that_frees_the_order(shop, new_plate):
    # Plates in plenty and two operators: only M1 is full with A.
    shop.days = 1
    shop.shifts[0].update(start="06:00", end="06:00")
    shop.plates = [new_plate(f"P{number}", "F") for number in range(1, 8)]
    shop.order("A", quantity=40, due=1)
    shop.order("O", quantity=8, due=2)
    found = shop.planned().obstacle()
    assert (found.cause, found.resources) == ("crowded", ("M1",))
    assert "M1 is taken for" in shop.planned().left_out()


def test_a_blank_plate_that_another_order_builds_on(shop, new_plate):
    # The only blank becomes F for A; O would need G on it, and everything else is free for it in the afternoon.
    shop.plates = [new_plate("B1", None)]
    shop.fixtures = [{"id": name, "load_seconds": 600, "unload_seconds": 600, "build_seconds": 600} for name in ("F", "G")]
    shop.nests.append({"fixture": "G", "part": "V", "op": 10, "count": 4})
    shop.operations.append({"part": "V", "op": 10, "cut_seconds": 600})
    shop.order("A", due=1)
    shop.order("O", due=2, part="V")
    found = shop.planned().obstacle()
    assert (found.cause, found.resources, found.also) == ("crowded", ("B1",), ())
    assert "B1 is taken for" in shop.planned().left_out()


def test_nothing_is_claimed_where_the_gaps_of_the_plan_would_do(shop, new_shift):
    # Overtime would have room for O, but this plan opens none: no resource can be shown to stand in the way.
    shop.days = 1
    shop.shifts.append(new_shift("Ana", "14:00", "20:00", overtime=True))
    shop.order("A", quantity=12, due=1)
    shop.order("O", due=2)
    plan = shop.planned()
    assert plan.obstacle().finish is None
    assert "fits alone but found no place beside the other orders" in plan.left_out()
    assert "the most loaded of what it needs" in plan.left_out()


def test_only_so_many_orders_are_looked_into(shop):
    shop.days = 1
    shop.close(0, 24, machine="M1")
    for number in range(DETAILED + 1):
        shop.order(f"O{number}", due=number)
    plan = shop.planned()
    reasons = unplaced_reasons(plan.problem, plan.runs, plan.tasks, plan.unplaced)
    assert len(reasons) == DETAILED + 1
    assert "M1 is closed" in reasons[plan.unplaced[0]]
    assert f"only the first {DETAILED} such orders" in reasons[plan.unplaced[-1]]


def test_only_one_operator_for_a_skill_is_named(shop, new_shift):
    shop.days = 1
    shop.operators = [{"id": "Ana"}, {"id": "Ben", "skills": ["load", "unload"]}]
    shop.shifts = [new_shift("Ana", "06:00", "06:05"), new_shift("Ben", "06:00", "14:00")]
    shop.order()
    found = shop.planned().obstacle()
    assert (found.cause, found.skill, found.resources) == ("skill", "exchange", ("Ana",))
    assert "Ana, the only one who can exchange plates" in shop.planned().left_out()


def test_bench_work_longer_than_all_time_of_whoever_can_do_it(shop, new_shift):
    # Four pieces of 30 min each; Ben, who alone deburrs, is there for an hour.
    shop.days = 1
    shop.operators = [{"id": "Ana", "skills": ["load", "unload", "exchange"]}, {"id": "Ben", "skills": ["bench"]}]
    shop.shifts.append(new_shift("Ben", "12:00", "13:00"))
    shop.operations[0]["bench_seconds"] = 1_800
    shop.order()
    found = shop.planned().obstacle()
    assert (found.cause, found.skill, found.resources, found.needed, found.available) == ("skill", "bench", ("Ben",), 7_200, 3_600)
    assert "it needs 2 h of work by somebody who can do bench work; Ben, the only one who can do bench work, has 1 h at most" in (
        shop.planned().left_out()
    )


def test_a_fixture_that_takes_longer_to_build_than_anybody_is_there(shop, new_plate, new_shift):
    shop.days = 1
    shop.operators = [{"id": "Ana", "skills": ["load", "unload", "exchange"]}, {"id": "Ben", "skills": ["build"]}]
    shop.shifts.append(new_shift("Ben", "06:00", "07:00"))
    shop.plates = [new_plate("B1", None)]
    shop.fixtures[0]["build_seconds"] = 10_800
    shop.order()
    found = shop.planned().obstacle()
    assert (found.cause, found.skill, found.resources, found.needed, found.available) == ("skill", "build", ("Ben",), 10_800, 3_600)
