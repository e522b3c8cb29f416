"""Instants: what is refused with which words, and what is read as what second."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from platerota_shared.fields import Instant
from platerota_shared.instants import local_text
from proof_tools.outside import Outside

ADAPTER = TypeAdapter[int](Instant)
LISBON = ZoneInfo("Europe/Lisbon")


def read(value: Any, zone: ZoneInfo = LISBON) -> int:
    return ADAPTER.validate_python(value, context={"zone": zone})


def refused(value: Any, zone: ZoneInfo = LISBON) -> dict[str, Any]:
    with pytest.raises(ValidationError) as caught:
        read(value, zone)
    return dict(caught.value.errors()[0])


@pytest.mark.parametrize("value", [46_449.5, "46449.5", " 46449,5 "])
def test_a_spreadsheet_serial_is_refused_with_the_date_it_probably_means(value: Any) -> None:
    # Day 46449 of the 1900 date system is 2027-03-03 (46023 is 2026-01-01, common knowledge of spreadsheets: 45658 is 2025-01-01).
    error = refused(value)
    assert error["type"] == "bare-number-instant"
    assert "2027-03-03T12:00:00" in error["ctx"]["words"]
    assert "2027-03-03T12:00:00" in error["ctx"]["mend"]


@pytest.mark.parametrize(("serial", "day"), [(46_023, "2026-01-01"), (45_658, "2025-01-01"), (44_197, "2021-01-01")])
def test_serials_count_days_as_spreadsheets_do(outside: Outside, serial: int, day: str) -> None:
    said = re.search(r"\d{4}-\d\d-\d\d", refused(serial)["ctx"]["words"])
    outside(f"day of serial {serial} in the 1900 date system", said and said[0], day, "ECMA-376", "memory")


@pytest.mark.parametrize("value", [1_804_075_200, "1804075200", 1_804_075_200_000])
def test_unix_time_is_refused_with_the_date_it_probably_means(value: Any) -> None:
    assert "2027-03-03T12:00:00+00:00" in refused(value)["ctx"]["words"]


@pytest.mark.parametrize("value", [0, 7, -1.5, "12", 10**300])
def test_any_other_number_is_refused_without_a_guess(value: Any) -> None:
    error = refused(value)
    assert error["type"] == "bare-number-instant"
    assert "looks like" not in error["ctx"]["words"]


@pytest.mark.parametrize(
    "value", [True, None, [], {}, "", "Wednesday", "2027-03-03", "03/03/2027 12:00",
    "2027-3-3T12:00", "٢٠٢٧-03-03T12:00", "2027-03-03T12:00:00 Z"],
)
def test_what_is_not_rfc_3339_or_local_is_refused(value: Any) -> None:
    assert refused(value)["type"] == "bad-instant"


@pytest.mark.parametrize("value", ["2027-02-30T12:00:00", "2027-03-03T25:00:00", "2027-03-03T12:00:00+25:00", "2027-03-03T12:00:00.5"])
def test_what_no_clock_or_calendar_shows_is_refused(value: str) -> None:
    assert refused(value)["type"] == "bad-instant"


@pytest.mark.parametrize("value", ["1969-12-31T23:59:59Z", "2200-01-01T00:00:00Z", "0001-01-01T00:00:00", "9999-12-31T23:59:59"])
def test_years_that_nobody_means_are_refused(value: str) -> None:
    assert refused(value)["type"] in {"out-of-range", "bad-instant"}


def test_a_skipped_hour_is_refused_and_names_the_next_one(outside: Outside) -> None:
    # European Union summer time begins on the last Sunday of March at 01:00 UTC (Directive 2000/84/EC): 2027-03-28.
    error = refused("2027-03-28T01:30:00")
    assert error["type"] == "skipped-hour"
    assert "2027-03-28T02:30:00" in error["ctx"]["mend"]
    gap = read("2027-03-28T02:00:00") - read("2027-03-28T00:59:59")
    outside("seconds from 00:59:59 to 02:00:00 in Lisbon, the last Sunday of March 2027", gap, 1, "Directive 2000/84/EC", "memory")


def test_a_doubled_hour_is_refused_and_names_both_offsets(outside: Outside) -> None:
    # It ends on the last Sunday of October at 01:00 UTC (the same directive): 2027-10-31.
    error = refused("2027-10-31T01:30:00")
    assert error["type"] == "doubled-hour"
    assert "2027-10-31T01:30:00+01:00" in error["ctx"]["mend"]
    assert "2027-10-31T01:30:00+00:00" in error["ctx"]["mend"]
    gap = read("2027-10-31T02:00:00") - read("2027-10-31T00:59:59")
    outside("seconds from 00:59:59 to 02:00:00 in Lisbon, the last Sunday of October 2027", gap, 7_201, "Directive 2000/84/EC", "memory")


def test_with_an_offset_a_doubled_hour_is_two_instants_an_hour_apart() -> None:
    assert read("2027-10-31T01:30:00+00:00") - read("2027-10-31T01:30:00+01:00") == 3_600


@pytest.mark.parametrize(
    ("value", "seconds"),
    [
        ("2027-03-03T12:00:00", 1_804_075_200), ("2027-03-03t12:00:00z", 1_804_075_200), ("2027-03-03 12:00", 1_804_075_200),
        ("2027-03-03T12:00:00.000", 1_804_075_200), ("2027-03-03T14:30:00+02:30", 1_804_075_200), ("2027-07-01T12:00:00", 1_814_439_600),
    ],
)
def test_local_and_rfc_3339_text_are_read(value: str, seconds: int) -> None:
    assert read(value) == seconds


# RFC 3339 section 5.8: an example of it, and two that are moved to instants that a request may name (a leap second, 1937).
@pytest.mark.parametrize(
    ("written", "same", "known"),
    [("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z", "memory"), ("1990-12-31T15:59:59-08:00", "1990-12-31T23:59:59Z", "worked out"),
     ("2037-01-01T12:00:27+00:20", "2037-01-01T11:40:27Z", "worked out")],
)
def test_an_offset_is_taken_off_as_rfc_3339_says(outside: Outside, written: str, same: str, known: str) -> None:
    outside(f"{written} in UTC", local_text(read(written), ZoneInfo("UTC")).replace("+00:00", "Z"), same, "RFC 3339", known)


def test_our_own_code_builds_instants_from_seconds() -> None:
    assert ADAPTER.validate_python(1_804_075_200) == 1_804_075_200


@given(st.integers(0, int(datetime(2199, 12, 31, tzinfo=UTC).timestamp())),
       st.sampled_from(["Europe/Lisbon", "Australia/Lord_Howe", "UTC"]))
def test_what_is_written_is_read_back(seconds: int, name: str) -> None:
    zone = ZoneInfo(name)
    assert read(local_text(seconds, zone), zone) == seconds
