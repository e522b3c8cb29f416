"""Instants: what is refused with which words, and what is read as what second."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from platerota_shared.fields import Instant
from platerota_shared.instants import local_text

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


def test_a_skipped_hour_is_refused_and_names_the_next_one() -> None:
    # European Union summer time begins on the last Sunday of March at 01:00 UTC (Directive 2000/84/EC): 2027-03-28.
    error = refused("2027-03-28T01:30:00")
    assert error["type"] == "skipped-hour"
    assert "2027-03-28T02:30:00" in error["ctx"]["mend"]


def test_a_doubled_hour_is_refused_and_names_both_offsets() -> None:
    # It ends on the last Sunday of October at 01:00 UTC (the same directive): 2027-10-31.
    error = refused("2027-10-31T01:30:00")
    assert error["type"] == "doubled-hour"
    assert "2027-10-31T01:30:00+01:00" in error["ctx"]["mend"]
    assert "2027-10-31T01:30:00+00:00" in error["ctx"]["mend"]


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


def test_our_own_code_builds_instants_from_seconds() -> None:
    assert ADAPTER.validate_python(1_804_075_200) == 1_804_075_200


@given(st.integers(0, int(datetime(2199, 12, 31, tzinfo=UTC).timestamp())),
       st.sampled_from(["Europe/Lisbon", "Australia/Lord_Howe", "UTC"]))
def test_what_is_written_is_read_back(seconds: int, name: str) -> None:
    zone = ZoneInfo(name)
    assert read(local_text(seconds, zone), zone) == seconds
