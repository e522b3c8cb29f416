"""Warnings: one per cause, with what the planner needs to know."""

DAY = 86_400


def codes(plan):
    return [warning.code for warning in plan.warnings]


def test_a_quiet_week_has_no_warnings(two_plates):
    assert codes(two_plates.plan()) == []


def test_a_heavy_plate_is_named_once_with_its_loaded_mass(two_plates):
    # plate 8 + hardware 10 + 4 x 2 kg of stock = 26 kg on both plates; index 26 / 23 = 1.13
    two_plates.fixtures[0]["mass"] = 10
    two_plates.operations[0]["stock_mass"] = 2
    plan = two_plates.plan()
    assert codes(plan) == ["lift-needs-care"] * 2
    assert [warning.pointer for warning in plan.warnings] == ["/shop/plates/0", "/shop/plates/1"]
    for words in ("26.0 kg", "23 kg", "at least 1.1", "DHHS (NIOSH) 94-110", "local rules and a competent person"):
        assert words in plan.warnings[0].detail


def test_exactly_the_limit_is_no_warning_and_a_plate_that_stays_is_not_lifted(two_plates):
    two_plates.operations[0]["stock_mass"] = 3.25  # 8 + 2 + 13 = 23 kg
    assert codes(two_plates.plan()) == []
    two_plates.operations[0]["stock_mass"] = 10
    two_plates.plates[0]["stays_in"] = "M1"
    two_plates.machines[0]["positions"] = 2
    two_plates.tasks = [
        task.model_copy(update={"machine": "M1"}) if task.id in ("R1.load", "R1.unload") else task
        for task in two_plates.tasks if task.id not in ("R1.place", "R1.pull")
    ]
    two_plates.move(-60, "R1.unload")  # the spindle stands while P1 is unloaded: before R2 cuts
    two_plates.move(300, "R2.place", "R2.cut", "R2.pull", "R2.unload")
    found = [(warning.code, warning.pointer) for warning in two_plates.plan().warnings]
    assert found == [("lift-needs-care", "/shop/plates/1"), ("plate-stays", "/shop/plates/0/stays_in")]


def test_a_blank_that_is_too_heavy_for_one_person_is_named_for_its_operation(two_plates):
    # One piece weighs 40 kg (index 40 / 23 = 1.74) however it is lifted: onto a plate that travels, or into one that stays in the mill.
    two_plates.operations.insert(0, {"part": "V", "op": 10, "cut_seconds": 600, "stock_mass": 50})  # not in the plan
    two_plates.operations[1]["stock_mass"] = 40
    travels = two_plates.plan().warnings
    assert [(one.code, one.pointer) for one in travels] == [
        ("lift-needs-care", "/shop/plates/0"), ("lift-needs-care", "/shop/plates/1"), ("lift-needs-care", "/shop/operations/1")]
    assert travels[2].detail.startswith("one piece of part 'W' weighs 40.0 kg as it is loaded for op 10: a lifting index of at least 1.7,")
    assert travels[2].detail.split(". ", 1)[1] == travels[0].detail.split(". ", 1)[1]  # the same source and advice
    for plate in two_plates.plates:
        plate["stays_in"] = "M1"
    two_plates.tasks = [task for task in two_plates.tasks if task.kind not in ("place", "pull")]
    assert "/shop/operations/1" in [one.pointer for one in two_plates.plan().warnings]


def test_a_blank_of_exactly_the_limit_or_one_that_nobody_lifts_has_no_caution(two_plates):
    two_plates.operations[0]["stock_mass"] = 23
    assert {one.pointer for one in two_plates.plan().warnings} == {"/shop/plates/0", "/shop/plates/1"}
    two_plates.operations[0]["stock_mass"] = 23.1
    assert "/shop/operations/0" in {one.pointer for one in two_plates.plan().warnings}
    # A piece that is in its run already is still taken out; where that is left, nobody lifts it.
    two_plates.tasks = [task for task in two_plates.tasks if task.kind != "load"]
    assert "/shop/operations/0" in {one.pointer for one in two_plates.plan().warnings}
    two_plates.tasks = [task for task in two_plates.tasks if task.kind != "unload"]
    assert "/shop/operations/0" not in {one.pointer for one in two_plates.plan().warnings}


def test_a_mass_that_is_not_given_is_said_so_that_nobody_trusts_the_caution_on_lifts(two_plates):
    del two_plates.fixtures[0]["mass"]
    (warning,) = two_plates.plan().warnings
    assert (warning.code, warning.pointer) == ("mass-not-given", "/shop/fixtures")
    assert warning.detail.startswith("no mass is given for the hardware of F, so loaded plates weigh more than is said here")
    del two_plates.operations[0]["stock_mass"]
    assert "for the hardware of F and for the stock of W, so" in two_plates.plan().warnings[0].detail
    two_plates.fixtures[0]["mass"] = 2
    assert [(one.code, one.pointer) for one in two_plates.plan().warnings] == [("mass-not-given", "/shop/operations")]


def test_a_plate_as_wide_as_the_travel_leaves_no_margin(two_plates):
    two_plates.machines[0] |= {"travel_x": 350, "travel_y": 300}
    plan = two_plates.plan()
    assert codes(plan) == ["no-travel-margin"] * 2
    assert "'M1'" in plan.warnings[0].detail
    # 300 x 290 turned leaves 0 and 60, upright 50 and 10: the better way round has a margin
    for plate in two_plates.plates:
        plate["size_y"] = 290
    assert codes(two_plates.plan()) == []


def test_dates_that_no_plan_can_meet(two_plates):
    two_plates.orders[0] |= {"due": "2027-03-01T05:00:00Z", "release": "2027-03-01T05:30:00Z"}
    plan = two_plates.plan()
    found = [(warning.code, warning.pointer) for warning in plan.warnings]
    assert found == [("due-before-now", "/orders/0/due"), ("released-after-due", "/orders/0/release")]
    assert "1.0 h" in plan.warnings[0].detail
    assert "30 min" in plan.warnings[1].detail


def test_unattended_cutting_is_named_once_with_seconds_and_machines(two_plates):
    two_plates.shifts[0] |= {"end": "07:00", "breaks": []}  # attended until 3600; R2 cuts 3180-5580, taken out on Tuesday
    two_plates.move(DAY - 5_580, "R2.pull", "R2.unload")
    (warning,) = two_plates.plan().warnings
    assert warning.code == "unattended-cutting"
    for words in ("1980 s", "'M1'", "local codes"):
        assert words in warning.detail


def test_the_only_operator_with_a_skill(two_plates):
    two_plates.operators = [{"id": "A"}, {"id": "B", "skills": ["load", "setup"]}]
    two_plates.shifts.append({"operator": "B", "days": ["mon"], "start": "06:00", "end": "14:00"})
    (warning,) = two_plates.plan().warnings
    assert (warning.code, warning.pointer) == ("only-operator", "/shop/operators/0/skills")
    assert "unload and exchange" in warning.detail
    # somebody who is never on shift does not help
    two_plates.operators.append({"id": "C"})
    assert codes(two_plates.plan()) == ["only-operator"]
    two_plates.shifts.append({"operator": "C", "days": ["tue"], "start": "06:00", "end": "14:00"})
    assert codes(two_plates.plan()) == []
