"""What a planner reads: the row by its id, the field, what it must be, and what it is."""

from __future__ import annotations

from typing import Any

import pytest

from platerota_shared.tables import (
    Closure,
    Fixture,
    FloorPieces,
    LastFixture,
    Machine,
    Nest,
    Operation,
    Operator,
    Order,
    Plate,
    RunningCut,
    Settings,
    Shift,
    WaitingRun,
)
from platerota_shared.wording import _SAID

from .tiny_shop import changed, faults, row


def only(table: str, **fields: Any) -> tuple[str, str]:
    (fault,) = faults(changed(row(table, **fields)))
    return fault.detail, fault.mend


@pytest.mark.parametrize(
    ("table", "fields", "detail"),
    [
        ("orders", {"quantity": 0}, "order O1: quantity must be a whole number of at least 1, not 0"),
        ("orders", {"quantity": 2_000_000}, "order O1: quantity must be a whole number of at most 1,000,000, not 2000000"),
        ("orders", {"quantity": True}, "order O1: quantity must be a whole number, not true"),
        ("orders", {"quantity": "8"}, "order O1: quantity must be a whole number, not '8'"),
        ("orders", {"quantity": 8.5}, "order O1: quantity must be a whole number, not 8.5"),
        ("orders", {"quantity": None}, "order O1: quantity must be a whole number, not null"),
        ("orders", {"quantity": ...}, "order O1: quantity is missing"),
        ("orders", {"weight": "2"}, "order O1: weight must be a number, not '2'"),
        ("orders", {"weight": -1}, "order O1: weight must be a number of at least 0, not -1"),
        ("orders", {"id": 1001}, "row 1 of orders: id must be text, not 1001"),
        ("orders", {"id": " "}, "row 1 of orders: id must not be blank"),
        ("orders", {"part": "x" * 201}, "order O1: part must have at most 200 characters, not 201"),
        ("machines", {"travel_x": 0}, "machine M1: travel_x must be a number greater than 0, not 0"),
        ("machines", {"exchange": "robot"}, "machine M1: exchange must be 'hand' or 'automatic', not 'robot'"),
        ("machines", {"tools": "T1;T2"}, "machine M1: tools must be a list, not 'T1;T2'"),
        ("machines", {"tools": ["T1", 2]}, "machine M1: entry 2 of tools must be text, not 2"),
        ("machines", {"tools": [str(n) for n in range(1_001)]}, "machine M1: tools must have at most 1,000 entries, not 1,001"),
        ("plates", {"size_x": "400"}, "plate P1: size_x is text without a unit: '400'"),
        ("plates", {"mass": "5 furlongs"}, "plate P1: mass has a unit that is no mass here: '5 furlongs'"),
        ("shifts", {"days": []}, "row 1 of shifts: days must not be an empty list"),
        ("shifts", {"overtime": "no"}, "row 1 of shifts: overtime must be true or false, not 'no'"),
        ("shifts", {"breaks": ["10:00-10:15", "noon"]}, "row 1 of shifts: entry 2 of breaks must be a break, not 'noon'"),
        ("nests", {"count": 0}, "row 1 of nests: count must be a whole number of at least 1, not 0"),
    ],
)
def test_the_sentence_names_row_field_rule_and_value(table: str, fields: dict[str, Any], detail: str) -> None:
    assert only(table, **fields)[0] == detail


def test_a_list_whose_entries_are_all_wrong_is_not_called_empty_as_well() -> None:
    assert only("shifts", days=["monday"])[0].startswith("row 1 of shifts: entry 1 of days must be 'mon', 'tue'")


def test_a_whole_number_may_be_written_with_a_point() -> None:
    assert faults(changed(row("orders", quantity=8.0))) == ()


@pytest.mark.parametrize(
    ("table", "name", "nearest"),
    [("orders", "quantty", "quantity"), ("orders", "Due", "due"), ("machines", "travelx", "travel_x"), ("shifts", "from_", "from"),
     ("plates", "fixtures", "fixture"), ("fixtures", "load_secs", "load_seconds")],
)
def test_an_unknown_field_is_answered_with_the_nearest_known_one(table: str, name: str, nearest: str) -> None:
    document = changed(lambda d: (d["orders"] if table == "orders" else d["shop"][table])[0].update({name: 1}))
    (fault,) = faults(document)
    assert fault.code == "unknown-field"
    assert fault.mend == f"did you mean '{nearest}'?"


def test_an_unknown_field_like_no_other_is_answered_with_the_list() -> None:
    assert only("nests", zzz=1)[1] == "leave it out; the fields are fixture, part, op, count"


def test_a_value_is_quoted_short_and_printable() -> None:
    detail, _ = only("plates", mass="x\n" * 500)
    assert len(detail) < 120
    assert detail.isprintable()


def _error_types(schema: Any) -> set[str]:
    """The kinds of error that a model's core schema can give by itself, from its types and bounds."""
    names = {
        "int": "int_type", "float": "float_type", "bool": "bool_type", "str": "string_type", "tuple": "tuple_type",
        "literal": "literal_error", "ge": "greater_than_equal", "gt": "greater_than", "le": "less_than_equal", "lt": "less_than",
        "multiple_of": "multiple_of",
    }
    found: set[str] = set()
    if isinstance(schema, dict):
        if schema.get("type") in names:
            found.add(names[schema["type"]])
        found |= {names[key] for key in ("ge", "gt", "le", "lt", "multiple_of") if key in schema}
        if "pattern" in schema:
            found.add("string_pattern_mismatch")
        for bound, text, many in (("min_length", "string_too_short", "too_short"), ("max_length", "string_too_long", "too_long")):
            if bound in schema:
                found.add(text if schema["type"] == "str" else many)
        inner = [value for key, value in schema.items() if key not in ("metadata", "serialization", "ref")]
    else:
        inner = schema if isinstance(schema, (list, tuple)) else []
    return found.union(*map(_error_types, inner)) if inner else found


@pytest.mark.parametrize("model", [
    Closure, Fixture, FloorPieces, LastFixture, Machine, Nest, Operation, Operator, Order, Plate, RunningCut, Settings, Shift, WaitingRun,
])
def test_every_kind_of_error_a_table_can_give_has_words(model: Any) -> None:
    kinds = _error_types(model.__pydantic_core_schema__)
    assert len(kinds) > 2
    assert kinds <= set(_SAID)
