"""What a planner reads: the row by its id, the field, what it must be, and what it is."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from typing import Any, Final

import pytest
from pydantic_core import ErrorDetails

from platerota_shared import records
from platerota_shared.faults import Fault, RequestRefused
from platerota_shared.plate_checks import read_plate_check
from platerota_shared.reading import read_request
from platerota_shared.wording import _SAID, fault_of

from .test_plate_check_reading import WHOLE
from .tiny_shop import changed, faults, row, whole_floor


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


ODD_VALUES: Final[tuple[Any, ...]] = (
    None, True, 0, -1, 7, 1.5, 1e300, -1e300, 10**290, "", " ", "\u200b", "x", "x" * 3_000, "8",
    "1e400 in", "1e308 ft", "9" * 5_000 + " mm",
    "-1e400 kg", "2027-03-01", "25:00", {}, {"x": 1}, {"late_hour": "x"}, {"late_hour": -1}, [], [None], [1], [" "], ["x" * 300],
    ["x"] * 1_001, [["x"]],
)
"""One of each kind of value that a field might be given and not take."""


def all_rows(value: Any) -> Iterator[dict[str, Any]]:
    """Every object of a document that holds no table: its rows, and the points of its score."""
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    for one in inner:
        yield from all_rows(one)
    if isinstance(value, dict) and not any(isinstance(one, list) and one and isinstance(one[0], dict) for one in inner):
        yield value


def test_every_kind_of_error_that_reading_meets_has_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """The fields of requests that use everything are taken for each odd value, read as a caller's are, and left out."""
    met: set[str] = set()

    def noted(error: ErrorDetails, place: str, label: str) -> Fault:
        if "words" not in error.get("ctx", {}):
            met.add(error["type"])
        return fault_of(error, place, label)

    monkeypatch.setattr(records, "fault_of", noted)
    readers: tuple[tuple[Callable[[Any], Any], Any], ...] = ((read_request, whole_floor()), (read_plate_check, WHOLE))
    for read, whole in readers:
        for odd in (*ODD_VALUES, ...):
            document = copy.deepcopy(whole)
            for fields in list(all_rows(document)):
                given: dict[str, Any] = {} if odd is ... else dict.fromkeys(fields, odd)
                fields.clear()
                fields.update(given)
            with pytest.raises(RequestRefused) as refused:
                read(document)
            assert all(fault.detail and fault.mend for fault in refused.value.faults)
    assert len(met) > 12
    assert met <= set(_SAID)


def test_an_error_that_nobody_thought_of_is_still_said() -> None:
    """A new version of the library may bring one."""
    fault = fault_of({"type": "made_up", "loc": ("quantity",), "msg": "Input is odd", "input": 8}, "/orders/0", "order O1")
    assert (fault.pointer, fault.code, fault.detail) == ("/orders/0/quantity", "wrong-type", "order O1: quantity cannot be 8")
