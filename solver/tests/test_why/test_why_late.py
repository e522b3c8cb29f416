"""What a late order waited for: tiny weeks with one known cause each, asserted on the facts; the sentence names the resource."""

from itertools import pairwise

import pytest

from platerota_solver.why import late_reasons

NOW = 1_803_880_800


def test_a_plate_that_another_run_holds(shop):
    # One run holds P1 600 + 60 + 7200 + 60 + 600 s = 2 h 22 min; the second order waits for exactly that.
    shop.order("A", due=1)
    shop.order("O", due=2)
    plan = shop.planned()
    first = plan.waits()[0]
    assert (first.cause, first.resource, first.task) == ("plate", "P1", "R1.unload")
    assert (first.start - NOW, first.end - NOW) == (0, 8_520)
    assert plan.hours()["work", "O"] == 2.37
    assert "2 h 22 min for plate P1, the only one with fixture F, still with run R1 for order A until Mon 08:22" in plan.late()
    assert "another plate with fixture F" in plan.late()


def test_a_machine_that_cuts_another_order(shop, new_plate):
    # P2 is free at once; M1 only after R1's pull at 600 + 60 + 7200 + 60 s, and the load is put off until shortly before.
    shop.plates.append(new_plate("P2", "F"))
    shop.order("A", due=1)
    shop.order("O", due=2)
    plan = shop.planned()
    waits = [wait for wait in plan.waits() if wait.cause == "machine"]
    assert {(wait.resource, wait.task) for wait in waits} == {("M1", "R1.pull")}
    assert waits[-1].end - NOW == 7_920
    assert "for M1 (last pulling R1 for order A at the longest until Mon 08:12)" in plan.late()


def test_the_time_of_an_order_adds_up(shop, new_plate):
    shop.plates.append(new_plate("P2", "F"))
    for number in range(5):
        shop.order(f"O{number}", quantity=9, due=number)
    plan = shop.planned()
    for number in range(5):
        waits = plan.waits(f"O{number}")
        ends = [task.end for task in plan.tasks if task.kind == "unload" and _holds(plan, task.run, f"O{number}")]
        assert waits[0].start == NOW
        assert waits[-1].end == max(ends)
        assert all(a.end == b.start for a, b in pairwise(waits))


def _holds(plan, run, order):
    return any(held.order == order for row in plan.runs if row.id == run for held in row.pieces)


def test_an_operator_busy_with_other_work(shop, new_plate):
    # Two mills and two plates: Ana, the only operator, loads R1 for 1 h before she can load R2.
    shop.machines.append({**shop.machines[0], "id": "M2"})
    shop.plates.append(new_plate("P2", "F"))
    shop.fixtures[0]["load_seconds"] = 3_600
    shop.order("A", due=1)
    shop.order("O", due=2)
    plan = shop.planned()
    wait = next(wait for wait in plan.waits() if wait.cause == "operator")
    assert (wait.resource, wait.skill, wait.task) == ("Ana", "load", "R1.place")
    assert wait.seconds == 3_660
    assert "Ana, the only one who can load" in plan.late()


def test_somebody_else_who_is_free_does_not_count_as_busy(shop, new_plate, new_shift):
    shop.machines.append({**shop.machines[0], "id": "M2"})
    shop.plates.append(new_plate("P2", "F"))
    shop.operators.append({"id": "Ben"})
    shop.shifts.append(new_shift("Ben", "06:00", "14:00"))
    shop.order("A", due=1)
    shop.order("O", due=2)
    assert "operator" not in {wait.cause for wait in shop.planned().waits()}


def test_nobody_on_shift_over_night(shop):
    # The cut of 8 h from 06:11 ends at 14:11, after Ana's shift: pulled on Tuesday 06:00.
    shop.operations[0]["cut_seconds"] = 7_200
    shop.order()
    plan = shop.planned()
    wait = next(wait for wait in plan.waits() if wait.cause == "nobody")
    assert (wait.resource, wait.skill) == ("Ana", "exchange")
    assert (wait.start - NOW, wait.end - NOW) == (29_460, 86_400)
    assert "Ana not on shift, from Mon 14:11 until Tue 06:00" in plan.late()
    assert "shift of Ana" in plan.late()


def test_a_shift_that_ends_too_soon_counts_as_nobody(shop):
    # Material comes at 13:55; a load of 10 min does not fit before 14:00.
    shop.order(release="2027-03-01T13:55:00")
    wait = next(wait for wait in shop.planned().waits() if wait.cause == "nobody")
    assert (wait.skill, wait.start - NOW, wait.end - NOW) == ("load", 28_500, 86_400)


def test_a_break(shop):
    # The cut ends at 08:11 inside the break 08:00 to 09:00.
    shop.shifts[0]["breaks"] = ["08:00-09:00"]
    shop.order()
    plan = shop.planned()
    wait = next(wait for wait in plan.waits() if wait.cause == "break")
    assert (wait.resource, wait.start - NOW, wait.end - NOW) == ("Ana", 7_860, 10_800)
    assert "breaks of Ana" in plan.late()


def test_the_unattended_limit(shop):
    # Loaded at 12:30 by release; the cut of 2 h would run 42 min into the night, M1 may 30 min.
    shop.machines[0]["unattended_minutes"] = 30
    shop.order(release="2027-03-01T12:30:00")
    plan = shop.planned()
    wait = next(wait for wait in plan.waits() if wait.cause == "unattended")
    assert wait.resource == "M1"
    assert wait.end - NOW == 86_400
    assert "because a cut on M1 begun after Mon 12:41 would have run past its unattended limit" in plan.late()


def test_material(shop, when):
    shop.order(release=when(3))
    plan = shop.planned()
    assert plan.hours()["material", "O"] == 3.0
    assert "3 h for material (release of O Mon 09:00)" in plan.late()


def test_the_op_before(shop):
    # Op 10 takes 2 h 22 min on P1, op 20 another 600 + 60 + 1800 + 60 + 600 s on P2.
    shop.second_op()
    shop.order()
    plan = shop.planned()
    assert plan.hours()["op_before", "op 10"] == 2.37
    assert plan.hours()["work", "O"] == 0.87
    assert "2 h 22 min for pieces of op 10, at the longest until Mon 08:11" in plan.late()


def test_the_wait_after_an_op(shop):
    shop.second_op()
    shop.operations[0]["after_seconds"] = 7_200
    shop.order()
    plan = shop.planned()
    assert plan.hours()["after", "op 10"] == 2.0
    assert "2 h after op 10" in plan.late()


def test_a_first_article(shop, new_plate):
    # Two plates: the second run may not cut before the check of 3 h after the first unload.
    shop.plates.append(new_plate("P2", "F"))
    shop.operations[0]["first_article_seconds"] = 10_800
    shop.order(quantity=8)
    plan = shop.planned()
    assert plan.hours()["first_article", "op 10"] == 3.0
    assert "3 h for the first article of op 10" in plan.late()


def test_a_first_article_that_holds_back_the_placing(shop, new_plate):
    # Placing takes no time, so it is done when Ana is done with the check; what held it back is still the check.
    shop.machines[0]["place_seconds"] = 0
    shop.plates.append(new_plate("P2", "F"))
    shop.operations[0]["first_article_seconds"] = 10_800
    shop.order(quantity=8)
    assert shop.planned().hours()["first_article", "op 10"] >= 3.0


def test_a_setup(shop):
    shop.machines[0]["setup_seconds"] = 3_600
    shop.order()
    plan = shop.planned()
    # The load of 600 s runs beside nothing: Ana sets up for the rest of the hour first.
    assert plan.hours()["setup", "M1"] == 1.0
    assert "1 h for setups on M1" in plan.late()


def test_a_build(shop, new_plate):
    shop.plates = [new_plate("B1", None)]
    shop.fixtures[0]["build_seconds"] = 7_200
    shop.order()
    plan = shop.planned()
    assert plan.hours()["build", "B1"] == 2.0
    assert "2 h for the build on plate B1" in plan.late()


@pytest.mark.parametrize(("what", "resource"), [({"machine": "M1"}, "M1"), ({"plate": "P1"}, "P1"), ({"operator": "Ana"}, "Ana")])
def test_a_closure(shop, what, resource):
    shop.close(0, 4, **what)
    shop.order()
    plan = shop.planned()
    assert plan.hours()["closure", resource] == pytest.approx(4, abs=0.2)
    assert f"for {resource}, closed until Mon 10:00" in plan.late()


def test_bench_work_that_pauses_over_night(shop):
    # Bench work of 8 h from 08:22 pauses at 14:00 and goes on on Tuesday.
    shop.operations[0]["bench_seconds"] = 7_200
    shop.order()
    plan = shop.planned()
    wait = next(wait for wait in plan.waits() if wait.cause == "nobody")
    assert (wait.resource, wait.skill, wait.start - NOW, wait.end - NOW) == ("Ana", "bench", 28_800, 86_400)


def test_an_order_that_is_late_even_alone(shop):
    # Alone it takes 2 h 22 min and it is due in 1 h; O waits for A besides.
    shop.order("A", due=0.5)
    shop.order("O", due=1)
    assert shop.planned().late().startswith("even alone in the empty shop it needs at least 2 h 22 min, and it is due in 1 h (Mon 07:00)")


def test_an_order_that_was_not_found_in_time_alone_is_not_said_to_be_late_in_any_case(shop, new_plate):
    # Two plates on two mills could cut two pieces each in 1 h; the trial fills one plate, 2 h 22 min. The plan does so, too.
    shop.machines.append({**shop.machines[0], "id": "M2"})
    shop.plates.append(new_plate("P2", "F"))
    shop.order("O", due=2)
    assert shop.planned().late().startswith(
        "even alone in the empty shop no finish in less than 2 h 22 min was found, and it is due in 2 h (Mon 08:00)")


def test_an_order_in_time_alone_is_told_its_waits_only(shop):
    shop.order("A", due=0.5)
    shop.order("O", due=3)
    assert shop.planned().late().startswith("of the 4 h 45 min to its finish it waited 2 h 22 min for plate P1")


def test_an_order_due_before_the_plan_begins(shop):
    shop.order(due=-2)
    assert shop.planned().late() == "it was due Mon 2027-03-01 04:00, before this plan begins; its own work takes 2 h 22 min"


def test_no_late_orders_no_sentences(shop):
    shop.order(due=100)
    plan = shop.planned()
    assert late_reasons(plan.problem.request, plan.runs, plan.tasks, []) == {}
