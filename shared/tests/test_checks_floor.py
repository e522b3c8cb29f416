"""What is said to be under way at `now` must be able to be so.

`whole_floor`: P1 (F10, 4 nests of A op 10) cuts 2 pieces in M1, P2 (F20, 2 nests of A op 20) waits loaded with 2, P3 (F20) stays in
M2, P5 (F10) is empty, 1 of the 8 pieces of O1 is through op 10.
"""

from __future__ import annotations

from typing import Any

import pytest

from .tiny_shop import Document, add, changed, drop, faults, found, row, whole_floor

WAIT = "/floor/waiting/0"


def floor(*changes: Any) -> list[tuple[str, str]]:
    return found(changed(*changes, base=whole_floor))


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"stage": "loaded"}, []), ({"stage": "pulled"}, []), ({"stage": "placed", "machine": "M1"}, []),
        ({"stage": "cut", "machine": "M1"}, []),
        ({"stage": "loaded", "machine": "M1"}, [(f"{WAIT}/machine", "machine-not-due")]),
        ({"stage": "pulled", "machine": "M1"}, [(f"{WAIT}/machine", "machine-not-due")]),
        ({"stage": "placed"}, [(f"{WAIT}/machine", "machine-missing")]), ({"stage": "cut"}, [(f"{WAIT}/machine", "machine-missing")]),
        ({"plate": "P3", "stage": "loaded"}, []), ({"plate": "P3", "stage": "cut", "machine": "M2"}, []),
        ({"plate": "P3", "stage": "placed", "machine": "M2"}, [(f"{WAIT}/stage", "stage-never")]),
        ({"plate": "P3", "stage": "pulled"}, [(f"{WAIT}/stage", "stage-never")]),
        ({"plate": "P3", "stage": "cut", "machine": "M1"}, [(f"{WAIT}/machine", "stays-elsewhere")]),
    ],
)
def test_stage_and_machine_go_together(fields: dict[str, Any], expected: list[Any]) -> None:
    assert floor(row("machines", positions=2), row("floor.waiting", **fields)) == expected


def test_a_plate_running_in_two_machines_is_a_fault() -> None:
    document = (
        row("floor.running", pieces=1), add("orders", id="O3", part="A", quantity=3, due="2027-03-05T12:00:00"),
        add("floor.running", plate="P1", machine="M2", order="O3", op=10, pieces=1, cut_end="2027-03-01T06:20:00"),
    )
    assert floor(*document) == [("/floor/running/1/machine", "run-disagrees")]


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({}, []), ({"cut_end": "2027-03-01T06:21:00"}, [("/floor/running/1/cut_end", "run-disagrees")]),
        ({"pieces": 3}, [("/floor/running/1/pieces", "nests-overfilled")]), ({"pieces": 2}, []),
    ],
)
def test_rows_of_one_plate_are_one_run_and_share_its_nests(fields: dict[str, Any], expected: list[Any]) -> None:
    second = {"plate": "P1", "machine": "M1", "order": "O3", "op": 10, "pieces": 1, "cut_end": "2027-03-01T06:20:00"} | fields
    assert floor(add("orders", id="O3", part="A", quantity=3, due="2027-03-05T12:00:00"), add("floor.running", **second)) == expected


def test_two_cuts_on_one_machine_are_a_fault_whatever_its_positions() -> None:
    second = add("floor.running", plate="P5", machine="M1", order="O1", op=10, pieces=1, cut_end="2027-03-01T06:30:00")
    for positions in (1, 2):
        assert floor(second, row("machines", positions=positions)) == [("/floor/running/1/machine", "two-cuts")]


def test_more_plates_in_a_machine_than_positions_are_a_fault() -> None:
    changes = row("floor.waiting", stage="placed", machine="M1")
    (fault,) = faults(changed(changes, base=whole_floor))
    assert (fault.pointer, fault.code) == (f"{WAIT}/machine", "too-many-plates")
    assert "P1 and P2 are in it" in fault.detail
    assert floor(changes, row("machines", positions=2)) == []


def test_plates_that_stay_hold_a_position_without_running() -> None:
    stays = (row("plates", 4, stays_in="M1"), row("machines", positions=2))
    assert floor(*stays) == []
    assert floor(*stays, row("floor.waiting", stage="placed", machine="M1")) == [(f"{WAIT}/machine", "too-many-plates")]


@pytest.mark.parametrize("stage", [{"stage": "cut", "machine": "M1"}, {"stage": "loaded"}])
def test_a_plate_that_is_cutting_does_not_wait_as_well(stage: dict[str, str]) -> None:
    assert floor(add("floor.waiting", plate="P1", order="O1", op=10, pieces=1, **stage)) == [("/floor/waiting/1/plate", "plate-twice")]


def test_a_plate_without_a_fixture_holds_no_pieces() -> None:
    assert floor(row("floor.waiting", plate="P4")) == [(f"{WAIT}/plate", "plate-without-fixture")]


def test_a_fixture_without_a_nest_for_the_op_holds_none_of_its_pieces() -> None:
    assert floor(row("floor.waiting", plate="P5", op=20)) == [(f"{WAIT}/op", "nest-missing")]


@pytest.mark.parametrize(("pieces", "faulty"), [(2, False), (3, True)])
def test_a_run_holds_no_more_pieces_than_nests(pieces: int, faulty: bool) -> None:
    assert floor(row("floor.waiting", pieces=pieces)) == ([(f"{WAIT}/pieces", "nests-overfilled")] if faulty else [])


@pytest.mark.parametrize(("quantity", "faulty"), [(5, False), (4, True)])
def test_done_and_under_way_together_are_no_more_than_ordered(quantity: int, faulty: bool) -> None:
    # 1 through op 10, 2 running, 2 waiting.
    assert floor(row("orders", quantity=quantity)) == ([(f"{WAIT}/pieces", "too-many-pieces")] if faulty else [])


def test_pieces_done_alone_may_be_all_but_no_more() -> None:
    assert found(changed(add("floor.pieces", order="O1", op=20, pieces=8))) == []
    more = add("floor.pieces", order="O1", op=10, pieces=1)
    assert found(changed(add("floor.pieces", order="O1", op=20, pieces=8), more)) == [("/floor/pieces/1/pieces", "too-many-pieces")]


@pytest.mark.parametrize(
    ("cut_end", "code"),
    [("2027-03-01T06:00:01", None), ("2027-03-01T06:00:00", "cut-end-past"), ("2027-03-01T05:00:00", "cut-end-past"),
     ("2027-03-15T06:00:00", None), ("2027-03-15T06:00:01", "cut-end-beyond")],
)
def test_a_running_cut_ends_after_now_and_inside_the_horizon(cut_end: str, code: str | None) -> None:
    assert floor(row("floor.running", cut_end=cut_end)) == ([("/floor/running/0/cut_end", code)] if code else [])


def test_a_run_in_a_machine_that_cannot_take_it_is_a_fault() -> None:
    (fault,) = faults(changed(row("floor.waiting", stage="placed", machine="M2"), base=whole_floor))
    assert (fault.pointer, fault.code) == (f"{WAIT}/machine", "run-misfit")
    assert fault.detail == "row 1 of waiting: plate P2 cannot be in M2: M2 has mount 'B'"


def test_a_loaded_plate_too_heavy_for_every_machine_is_a_fault() -> None:
    # P2 with F20 and one piece weighs 31 kg, with its two 32; a machine for 31.5 kg takes the plate, but not that load.
    document: Document = changed(
        row("machines", max_mass=31.5), row("fixtures", 0, mass=9), row("operations", 0, stock_mass=0), base=whole_floor,
    )
    assert found(document) == [(f"{WAIT}/plate", "run-misfit")]
    assert found(changed(row("floor.waiting", pieces=1), base=lambda: document)) == []


def test_the_contradictions_of_a_whole_floor_come_at_once() -> None:
    document = (
        row("floor.running", cut_end="2027-03-01T05:00:00", pieces=5), row("floor.waiting", stage="cut", order="O9"),
        add("floor.waiting", plate="P4", order="O2", op=10, pieces=1, stage="loaded"), row("floor.pieces", op=11),
        row("floor.last_fixtures", fixture="F99"), drop("closures", 0),
    )
    assert sorted(floor(*document)) == [
        ("/floor/last_fixtures/0/fixture", "unknown-id"), ("/floor/pieces/0/op", "unknown-op"),
        ("/floor/running/0/cut_end", "cut-end-past"),
        ("/floor/running/0/pieces", "nests-overfilled"), ("/floor/waiting/0/order", "unknown-id"),
        ("/floor/waiting/1/plate", "plate-without-fixture"),
    ]
