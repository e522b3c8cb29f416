"""Times of day, breaks and dates of shift tables."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from pydantic_core import PydanticCustomError

from platerota_shared.local_times import read_break, read_date, read_local_time


@pytest.mark.parametrize(("written", "minutes"), [("00:00", 0), ("06:30", 390), ("23:59", 1_439), ("24:00", 1_440)])
def test_times_are_minutes_after_midnight(written: str, minutes: int) -> None:
    assert read_local_time(written) == minutes


@pytest.mark.parametrize("written", ["6:30", "06:60", "24:01", "06.30", "06:30:00", " 06:30", "6 am", "", None, 630, True, "٠٦:30"])
def test_other_times_are_refused(written: Any) -> None:
    with pytest.raises(PydanticCustomError) as refused:
        read_local_time(written)
    assert refused.value.type == "bad-time-of-day"


def test_a_break_is_two_times() -> None:
    assert read_break("10:00-10:15") == (600, 615)


@pytest.mark.parametrize("written", ["10:00", "10:00-10:15-10:30", "10:00 to 10:15", "10:00-25:00", None, ["10:00", "10:15"]])
def test_other_breaks_are_refused(written: Any) -> None:
    with pytest.raises(PydanticCustomError) as refused:
        read_break(written)
    assert refused.value.type == "bad-time-of-day"


def test_a_date_is_a_day_of_the_calendar() -> None:
    assert read_date("2028-02-29") == date(2028, 2, 29)


@pytest.mark.parametrize("written", [46_449, "46449", "2027-02-29", "20270301", "03/04/2027", "2027-03-01T00:00:00", None, True])
def test_a_bare_number_is_no_date(written: Any) -> None:
    with pytest.raises(PydanticCustomError) as refused:
        read_date(written)
    assert refused.value.type == "bad-date"
