"""Names of rows that are not there, and rows that are there twice."""

from __future__ import annotations

from typing import Any

import pytest

from .tiny_shop import Document, add, changed, faults, found, row, rows, tiny_shop, whole_floor

SPAN = {"start": "2027-03-02T06:00:00", "end": "2027-03-02T08:00:00"}


@pytest.mark.parametrize(
    ("table", "index", "column", "wrong", "nearest"),
    [
        ("plates", 1, "fixture", "F2O", "F20"), ("plates", 2, "stays_in", "m2", "M2"), ("nests", 0, "fixture", "F1O", "F10"),
        ("nests", 0, "part", "a", "A"), ("shifts", 0, "operator", "ann", "Ann"), ("closures", 0, "machine", "M1 ", "M1"),
        ("orders", 0, "part", "a ", "A"), ("floor.pieces", 0, "order", "o1", "O1"), ("floor.last_fixtures", 0, "machine", "m2", "M2"),
        ("floor.last_fixtures", 0, "fixture", "f20", "F20"), ("floor.running", 0, "plate", "p1", "P1"),
        ("floor.running", 0, "machine", "m1", "M1"), ("floor.running", 0, "order", "o1", "O1"), ("floor.waiting", 0, "plate", "p2", "P2"),
        ("floor.waiting", 0, "order", "o1", "O1"),
    ],
)
def test_a_name_that_nothing_has_is_one_fault_with_the_nearest_that_is_there(
    table: str, index: int, column: str, wrong: str, nearest: str,
) -> None:
    (fault,) = faults(changed(row(table, index, **{column: wrong}), base=whole_floor))
    assert fault.pointer.endswith(f"/{table.replace('.', '/')}/{index}/{column}")
    assert fault.code in {"unknown-id", "unknown-part"}
    assert fault.mend == f"did you mean '{nearest}'?"


def test_each_entry_of_a_list_of_machines_is_looked_up() -> None:
    document = changed(row("fixtures", 0, machines=["M1", "M7", "m1"]))
    assert found(document) == [("/shop/fixtures/0/machines/1", "unknown-id"), ("/shop/fixtures/0/machines/2", "unknown-id")]


@pytest.mark.parametrize(("column", "name"), [("plate", "P9"), ("operator", "Zoe"), ("machine", "M9")])
def test_closures_name_what_is_there(column: str, name: str) -> None:
    assert found(changed(add("closures", **{column: name}, **SPAN))) == [(f"/shop/closures/0/{column}", "unknown-id")]


@pytest.mark.parametrize("table", ["nests", "floor.pieces", "floor.running", "floor.waiting"])
def test_an_op_that_the_part_does_not_have_names_the_ops_it_has(table: str) -> None:
    (fault,) = faults(changed(row(table, 0, op=15), base=whole_floor))
    assert (fault.code, fault.pointer.endswith("/0/op")) == ("unknown-op", True)
    assert "only 10 and 20" in fault.detail


def test_an_order_for_an_unknown_part_is_one_fault() -> None:
    (fault,) = faults(changed(add("orders", id="O2", part="Bracket", quantity=3, due="2027-03-05T12:00:00")))
    assert (fault.pointer, fault.code) == ("/orders/1/part", "unknown-part")
    assert fault.detail == "order O2: part 'Bracket' has no operations"


def test_a_faulty_row_still_counts_as_there() -> None:
    document = changed(row("machines", travel_x=-1), add("closures", machine="M1", **SPAN), row("plates", 0, stays_in="M1", mass=-1))
    assert found(document) == [("/shop/machines/0/travel_x", "out-of-range"), ("/shop/plates/0/mass", "out-of-range")]


def test_a_row_without_an_id_may_be_the_one_that_others_name() -> None:
    assert found(changed(row("fixtures", 1, id=...))) == [("/shop/fixtures/1/id", "missing-field")]


def test_a_mount_to_build_on_that_no_plate_has_names_the_nearest() -> None:
    (fault,) = faults(changed(row("fixtures", 2, mount="b"), base=whole_floor))
    assert (fault.pointer, fault.code, fault.mend) == ("/shop/fixtures/2/mount", "unknown-mount", "did you mean 'B'?")


def _twice(table: str) -> Document:
    return changed(lambda document: rows(document, table).append(dict(rows(document, table)[0])), base=whole_floor)


@pytest.mark.parametrize(
    ("table", "column"),
    [
        ("machines", "id"), ("plates", "id"), ("fixtures", "id"), ("operators", "id"), ("orders", "id"),
        ("nests", "op"), ("operations", "op"),
        ("floor.pieces", "op"), ("floor.last_fixtures", "machine"), ("floor.running", "op"), ("floor.waiting", "op"),
    ],
)
def test_the_same_row_twice_is_one_fault_at_the_second(table: str, column: str) -> None:
    (fault,) = faults(_twice(table))
    last = len(rows(whole_floor(), table))
    assert fault.code == "duplicate-row"
    assert fault.pointer.endswith(f"/{table.replace('.', '/')}/{last}/{column}")
    assert fault.detail.endswith("is already given in row 1")


def test_names_that_differ_in_case_are_two_names() -> None:
    copy: dict[str, Any] = {**tiny_shop()["shop"]["plates"][0], "id": "p1"}
    assert found(changed(add("plates", **copy))) == []
