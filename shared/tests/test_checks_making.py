"""Orders that nothing in the shop could ever make are faults; those that only come late are not."""

from __future__ import annotations

from typing import Any

import pytest

from .tiny_shop import Document, add, changed, drop, faults, found, row

BUILT = (row("plates", 1, fixture=None), row("fixtures", 1, build_seconds=3_600))
"""F20 stands on no plate, but can be built on the blank P2."""


def test_an_op_without_a_nest_names_part_op_and_orders() -> None:
    (fault,) = faults(changed(drop("nests", 1), add("orders", id="O2", part="A", quantity=1, due="2027-03-05T12:00:00")))
    assert (fault.pointer, fault.code) == ("/shop/operations/1", "no-nest")
    assert fault.detail == "no fixture has a nest for part A op 20, which orders O1 and O2 need"


def test_an_op_without_a_nest_that_no_order_needs_is_no_fault() -> None:
    assert found(changed(add("operations", part="B", op=10, cut_seconds=60))) == []


@pytest.mark.parametrize(("op", "pieces", "faulty"), [(20, 8, False), (10, 8, True), (20, 7, True)])
def test_pieces_already_through_an_op_need_no_nest_for_it(op: int, pieces: int, faulty: bool) -> None:
    document = changed(drop("nests", 1), add("floor.pieces", order="O1", op=op, pieces=pieces))
    assert found(document) == ([("/shop/operations/1", "no-nest")] if faulty else [])


def test_a_fixture_without_a_plate_is_a_fault_where_it_is_the_only_one() -> None:
    (fault,) = faults(changed(row("plates", 1, fixture=None)))
    assert (fault.pointer, fault.code) == ("/shop/fixtures/1", "no-plate")
    assert fault.detail == "no plate carries fixture F20, the only one for part A op 20, which order O1 needs"


def test_a_fixture_without_a_plate_is_no_fault_beside_one_that_has_a_plate() -> None:
    assert found(changed(add("fixtures", id="F21"), add("nests", fixture="F21", part="A", op=20, count=1))) == []


def test_one_fixture_without_a_plate_is_one_fault_for_all_its_ops() -> None:
    document = changed(
        row("plates", 1, fixture=None), add("operations", part="A", op=30, cut_seconds=60),
        add("nests", fixture="F20", part="A", op=30, count=1),
    )
    (fault,) = faults(document)
    assert "part A op 20 and part A op 30" in fault.detail


def test_a_fixture_that_can_be_built_on_a_blank_plate_is_no_fault() -> None:
    assert found(changed(*BUILT)) == []


@pytest.mark.parametrize(
    ("fields", "faulty"),
    [
        ({"mount": "A"}, False), ({"min_size_x": 400, "min_size_y": 300}, False), ({"min_size_x": 300, "min_size_y": 400}, False),
        ({"min_size_x": 401}, True), ({"min_size_x": 350, "min_size_y": 350}, True), ({"min_size_y": 400}, False),
    ],
)
def test_a_build_needs_a_blank_plate_of_its_mount_and_size(fields: dict[str, Any], faulty: bool) -> None:
    assert found(changed(*BUILT, row("fixtures", 1, **fields))) == ([("/shop/fixtures/1", "no-blank-plate")] if faulty else [])


def test_a_build_needs_a_machine_that_takes_the_built_plate() -> None:
    assert found(changed(*BUILT, row("fixtures", 1, mass=90))) == [("/shop/fixtures/1", "no-machine")]


def test_an_op_whose_pieces_are_too_heavy_for_every_machine_is_a_fault_of_its_own() -> None:
    # P1 with F10 takes a piece of op 10 (32 kg of 35), so the plate itself is well; one of op 30 weighs 10 kg.
    document = changed(
        row("machines", max_mass=35), add("operations", part="A", op=30, cut_seconds=60, stock_mass=10),
        add("nests", fixture="F10", part="A", op=30, count=1),
    )
    (fault,) = faults(document)
    assert (fault.pointer, fault.code) == ("/shop/plates/0", "no-machine")
    assert "part A op 30" in fault.detail
    assert "weighs 40 kg" in fault.detail


@pytest.mark.parametrize(
    "change",
    [
        row("orders", due="2027-03-01T06:00:01"), row("orders", release="2028-01-01T00:00:00"), row("orders", quantity=20_000),
        row("orders", due="2020-01-01T00:00:00"), row("operations", 0, cut_seconds=100 * 86_400), row("fixtures", load_seconds=86_400),
        add("closures", machine="M1", start="2027-03-01T00:00:00", end="2027-06-01T00:00:00"),
    ],
)
def test_an_order_that_only_cannot_be_finished_in_time_is_no_fault(change: Any) -> None:
    assert found(changed(change)) == []


@pytest.mark.parametrize(
    "slip",
    [row("plates", 1, mass=-1), row("fixtures", 1, mass=-1), row("machines", travel_x=0), row("nests", 1, count=0)],
)
def test_a_slip_in_the_only_way_to_make_an_order_is_one_fault(slip: Any) -> None:
    document: Document = changed(slip)
    assert len(found(document)) == 1


def test_more_runs_than_a_plan_holds_are_refused_with_the_part_that_needs_them() -> None:
    (fault,) = faults(changed(row("orders", quantity=1_000_000)))
    assert (fault.pointer, fault.code) == ("/orders", "too-many-runs")
    assert "1,000,000" not in fault.detail  # pieces are not runs: each plate takes several
    assert "for part A" in fault.detail
