"""Shifts, breaks and closures as they may and may not be written."""

from __future__ import annotations

from typing import Any

import pytest

from .tiny_shop import add, changed, found, row


@pytest.mark.parametrize(
    ("start", "end", "breaks"),
    [
        ("06:00", "14:00", ["06:00-06:30", "13:30-14:00"]), ("22:00", "06:00", ["23:45-00:15", "02:00-02:30", "05:30-06:00"]),
        ("22:00", "06:00", ["23:30-24:00", "00:00-00:30"]), ("00:00", "24:00", ["23:00-24:00"]), ("06:00", "06:00", ["05:00-06:00"]),
        ("24:00", "06:00", ["00:30-01:00"]), ("06:00", "14:00", ["10:00-11:00", "10:30-11:30"]),
    ],
)
def test_breaks_inside_the_shift_are_no_fault(start: str, end: str, breaks: list[str]) -> None:
    assert found(changed(row("shifts", start=start, end=end, breaks=breaks))) == []


@pytest.mark.parametrize(
    ("start", "end", "written", "code"),
    [
        ("06:00", "14:00", "05:30-06:30", "break-outside-shift"), ("06:00", "14:00", "13:45-14:15", "break-outside-shift"),
        ("06:00", "14:00", "15:00-15:15", "break-outside-shift"), ("06:00", "14:00", "10:15-10:00", "break-outside-shift"),
        ("22:00", "06:00", "21:00-21:15", "break-outside-shift"), ("22:00", "06:00", "05:45-06:15", "break-outside-shift"),
        ("06:00", "14:00", "10:00-10:00", "ends-before-start"), ("22:00", "06:00", "02:00-02:00", "ends-before-start"),
    ],
)
def test_breaks_outside_the_shift_or_of_no_length_are_faults(start: str, end: str, written: str, code: str) -> None:
    assert found(changed(row("shifts", start=start, end=end, breaks=[written]))) == [
        ("/shop/shifts/0/breaks/0", code),
    ]


def test_a_shift_from_midnight_to_the_same_midnight_is_a_fault() -> None:
    assert found(changed(row("shifts", start="24:00", end="00:00", breaks=[]))) == [("/shop/shifts/0/end", "ends-before-start")]


@pytest.mark.parametrize("breaks", [["06:00-14:00"], ["10:00-14:00", "06:00-10:30"]])
def test_a_shift_that_is_all_breaks_is_one_fault(breaks: list[str]) -> None:
    assert found(changed(row("shifts", breaks=breaks))) == [("/shop/shifts/0/breaks", "shift-all-breaks")]


@pytest.mark.parametrize(
    ("dates", "faults"),
    [
        ({"from_": "2027-03-01", "to": "2027-03-01"}, []), ({"from_": "2027-03-01"}, []), ({"to": "2027-03-01"}, []),
        ({"from_": "2027-03-02", "to": "2027-03-01"}, [("/shop/shifts/1/to", "ends-before-start")]),
        ({"from_": "2027-03-02", "to": "2027-03-07"}, [("/shop/shifts/1/days", "shift-never-falls")]),
        ({"from_": "2027-03-02", "to": "2027-03-08"}, []), ({"from_": "2020-03-02", "to": "2020-03-31"}, []),
    ],
)
def test_first_and_last_date_of_a_monday_shift(dates: dict[str, str], faults: list[Any]) -> None:
    assert found(changed(add("shifts", operator="Ann", days=["mon"], start="14:00", end="16:00", **dates))) == faults


@pytest.mark.parametrize(("end", "faults"),
    [("2027-03-02T08:00:00", []), ("2027-03-02T06:00:00", [("/shop/closures/0/end", "ends-before-start")])])
def test_a_closure_ends_after_it_starts(end: str, faults: list[Any]) -> None:
    assert found(changed(add("closures", start="2027-03-02T06:00:00", end=end))) == faults


def test_a_closure_that_is_no_closure_closes_nobody() -> None:
    # Ended before it starts, it would close the shop for the whole horizon if its ends were swapped.
    document = changed(add("closures", start="2027-06-01T06:00:00", end="2027-03-01T06:00:00"))
    assert found(document) == [("/shop/closures/0/end", "ends-before-start")]
