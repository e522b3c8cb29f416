"""Plates against machines: mount, size, mass, tool slots, the fixture's own machines, and plates that stay (F5, F6, F7, F10).

The plate P1 is 400 x 300 mm and 20 kg, its fixture F10 10 kg, a piece of op 10 2 kg: 32 kg with the one piece it must be able to take.
"""

from __future__ import annotations

from typing import Any

import pytest

from .tiny_shop import add, changed, faults, found, row

NO_MACHINE = [("/shop/plates/0", "no-machine"), ("/shop/plates/1", "no-machine")]


@pytest.mark.parametrize(("x", "y", "fits"), [(400, 300, True), (300, 400, True), (399, 300, False), (400, 299, False), (300, 399, False)])
def test_a_plate_lies_within_the_travels_in_either_orientation(x: float, y: float, fits: bool) -> None:
    assert found(changed(row("machines", travel_x=x, travel_y=y))) == ([] if fits else NO_MACHINE)


@pytest.mark.parametrize(
    ("max_mass", "faults"), [(None, []), (32, []), (31.9, NO_MACHINE[:1]), (31, NO_MACHINE[:1]), (30.9, NO_MACHINE)],
)
def test_a_plate_with_one_piece_is_no_heavier_than_the_machine_carries(max_mass: float | None, faults: list[Any]) -> None:
    assert found(changed(row("machines", max_mass=max_mass))) == faults


def test_pounds_that_do_not_add_up_exactly_still_fit() -> None:
    document = changed(
        row("machines", max_mass="50 lb"), row("operations", 0, stock_mass="0.1 lb"), row("operations", 1, stock_mass="0.1 lb"),
        *(row("plates", index, mass="29.7 lb") for index in (0, 1)), *(row("fixtures", index, mass="20.2 lb") for index in (0, 1)),
    )
    assert found(document) == []


@pytest.mark.parametrize(("machines", "fits"), [([], True), (["M1"], True), (["M2"], False), (["M1", "M2"], True)])
def test_a_fixture_may_name_its_machines(machines: list[str], fits: bool) -> None:
    document = changed(row("fixtures", 0, machines=machines), add("machines", id="M2", mount="B", travel_x=500, travel_y=400))
    assert found(document) == ([] if fits else NO_MACHINE[:1])


@pytest.mark.parametrize(("slots", "fits"), [(None, True), (4, True), (3, False)])
def test_tools_of_every_op_in_the_nests_and_resident_ones_share_the_slots(slots: int | None, fits: bool) -> None:
    # F10 holds op 10 (T1, T2) and op 20 (T2, T3); with the resident T9 four tools, T2 counted once.
    document = changed(
        row("machines", tool_slots=slots, tools=["T9"]), row("operations", 0, tools=["T1", "T2"]), row("operations", 1, tools=["T2", "T3"]),
        add("nests", fixture="F10", part="A", op=20, count=1),
    )
    assert found(document) == ([] if fits else [("/shop/plates/0", "no-machine")])


def test_the_sentence_says_what_each_machine_lacks() -> None:
    document = changed(
        row("machines", travel_x=200), add("machines", id="M2", mount="A", travel_x=500, travel_y=400, max_mass="50 lb"),
    )
    detail = faults(document)[0].detail
    assert detail == (
        "no machine takes plate P1 of 400 x 300 mm: M1 has travels of 200 x 400 mm;"
        " M2 carries at most 22.6796 kg, and the plate with one load weighs 32 kg"
    )


def test_a_mount_that_no_machine_has_names_the_nearest() -> None:
    (fault,) = faults(changed(row("plates", 0, mount="a")))
    assert (fault.pointer, fault.code, fault.mend) == ("/shop/plates/0/mount", "no-machine", "did you mean 'A'?")
    assert fault.detail == "plate P1 has mount 'a', but no machine has that mount"


def test_the_mount_of_a_faulty_machine_is_still_the_nearest() -> None:
    (_, fault) = faults(changed(row("machines", travel_x=0), row("plates", 0, mount="a")))
    assert (fault.code, fault.mend) == ("no-machine", "did you mean 'A'?")


def test_a_shop_without_machines_is_one_fault() -> None:
    assert found(changed(lambda d: d["shop"].update(machines=[]))) == [("/shop/machines", "no-machine")]


def test_a_blank_plate_needs_a_machine_for_itself() -> None:
    document = changed(add("plates", id="P3", mount="A", size_x=900, size_y=300, mass=20))
    assert found(document) == [("/shop/plates/2", "no-machine")]


@pytest.mark.parametrize(("positions", "fits"), [(None, True), (2, True), (5, True), (1, False)])
def test_automatic_exchange_needs_two_positions(positions: int | None, fits: bool) -> None:
    document = changed(row("machines", exchange="automatic", positions=positions))
    assert found(document) == ([] if fits else [("/shop/machines/0/positions", "too-few-positions")])


def test_a_plate_that_stays_needs_its_own_machine_not_any() -> None:
    big = {"mount": "A", "travel_x": 900, "travel_y": 900, "positions": 2}
    document = changed(add("machines", id="M2", **big), row("plates", 0, size_x=800, stays_in="M1"))
    assert found(document) == [("/shop/plates/0/stays_in", "stays-misfit")]
    assert found(changed(add("machines", id="M2", **big), row("plates", 0, size_x=800, stays_in="M2"))) == []


def test_a_machine_filled_by_plates_that_stay_takes_no_other() -> None:
    assert found(changed(row("plates", 0, stays_in="M1"))) == [("/shop/plates/1", "no-machine")]
    assert found(changed(row("plates", 0, stays_in="M1"), row("machines", positions=2))) == []


def test_more_plates_stay_in_a_machine_than_it_has_positions() -> None:
    document = changed(row("plates", 0, stays_in="M1"), row("plates", 1, stays_in="M1"))
    assert found(document) == [("/shop/machines/0/positions", "too-many-plates")]
