"""Working time against an independent model: the wall clock of the shop read minute by minute from zoneinfo.

The model never converts a local time to UTC. It lists what the clock on the wall shows at every UTC minute; a shift begins at the
first minute at which the clock shows its start or later on its day, and ends likewise. That is F11's rule for skipped and doubled
hours: moved forward to the first instant that exists, and the first of two.
"""

from __future__ import annotations

from bisect import bisect_left
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platerota_shared import Shift, Shop
from platerota_shared.calendars import (
    Span,
    attended_spans,
    clip,
    machine_closures,
    merge,
    plate_closures,
    shift_days,
    subtract,
    wall_seconds,
    working_spans,
)
from proof_tools.outside import Outside

CHANGES = {
    # Zone: local dates of the clock changes of 2027 or another year; each is checked below to be one.
    "Europe/Lisbon": (date(2027, 3, 28), date(2027, 10, 31)),
    "America/New_York": (date(2027, 3, 14), date(2027, 11, 7)),
    "Australia/Lord_Howe": (date(2027, 4, 4), date(2027, 10, 3)),  # half an hour
    "America/Santiago": (date(2025, 4, 5), date(2025, 9, 7)),  # at midnight
    "Asia/Beirut": (date(2026, 3, 29), date(2026, 10, 24)),  # at midnight
    "Pacific/Apia": (date(2011, 12, 30),),  # a whole day skipped
}
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
AROUND = 5


@lru_cache(maxsize=32)
def wall_clock(name: str, middle: date) -> tuple[int, list[datetime]]:
    """The first UTC minute looked at (in seconds), and what the clock shows at each minute from there, folds and all."""
    zone = ZoneInfo(name)
    begin = datetime(middle.year, middle.month, middle.day, tzinfo=UTC) - timedelta(days=AROUND)
    minutes = range(AROUND * 2 * 1440)
    return int(begin.timestamp()), [(begin + timedelta(minutes=minute)).astimezone(zone).replace(tzinfo=None) for minute in minutes]


@lru_cache(maxsize=32)
def first_minutes(name: str, middle: date) -> list[tuple[datetime, int]]:
    """Each new highest reading of the clock with its minute: where the first instant at or after a reading is looked up."""
    highest: list[tuple[datetime, int]] = []
    for minute, reading in enumerate(wall_clock(name, middle)[1]):
        if not highest or reading > highest[-1][0]:
            highest.append((reading, minute))
    return highest


def model_minute(name: str, middle: date, day: date, minutes: int) -> int:
    """The first minute at which the clock shows `minutes` after midnight of `day`, or later."""
    stamp = datetime(day.year, day.month, day.day) + timedelta(minutes=minutes)
    highest = first_minutes(name, middle)
    return highest[bisect_left(highest, (stamp, -1))][1]


def model_minutes(name: str, middle: date, shift: Shift, days: list[date]) -> set[int]:
    """The minutes worked in a shift on each of `days`, breaks left out."""
    worked: set[int] = set()
    for day in days:
        if DAYS[day.weekday()] not in shift.days:
            continue
        last = shift.end + 1440 * (shift.end <= shift.start)
        span = set(range(model_minute(name, middle, day, shift.start), model_minute(name, middle, day, last)))
        for first, after in shift.breaks:
            opens, closes = (minutes + 1440 * (minutes < shift.start) for minutes in (first, after))
            span -= set(range(model_minute(name, middle, day, opens), model_minute(name, middle, day, closes)))
        worked |= span
    return worked


def as_minutes(spans: list[Span], begin: int) -> set[int]:
    assert all((start - begin) % 60 == 0 and (end - begin) % 60 == 0 for start, end in spans)
    return {minute for start, end in spans for minute in range((start - begin) // 60, (end - begin) // 60)}


@st.composite
def shifts(draw: st.DrawFn) -> Shift:
    """A shift with up to two breaks inside it, its times often at the hours where clocks change."""
    hours = st.one_of(st.integers(0, 1439), st.sampled_from([0, 30, 60, 90, 120, 150, 180, 1380, 1410, 1440]))
    start, end = draw(st.tuples(hours, hours).filter(lambda pair: pair != (1440, 0)))
    # The very end of a shift of 24 hours has the clock time of its start; test_checks_times covers it.
    length = min((end if end > start else end + 1440) - start, 1439)
    breaks: list[tuple[int, int]] = []
    for _ in range(draw(st.integers(0, 2))):
        first, after = sorted(draw(st.tuples(st.integers(0, length), st.integers(0, length))))
        breaks.append(((start + first) % 1440, (start + after) % 1440))
    days = draw(st.sets(st.sampled_from(DAYS), min_size=1))
    return Shift.model_construct(
        operator="Ann", days=tuple(days), start=start, end=end, from_=None, to=None, breaks=tuple(breaks), overtime=draw(st.booleans()),
    )


def shop(name: str, *rows: Shift, **tables: Any) -> Shop:
    people = [{"id": "Ann"}, {"id": "Bob"}]
    return Shop.model_validate({"timezone": name, "operators": people, "shifts": rows, **tables})


CASES = st.sampled_from([(name, day) for name, days in CHANGES.items() for day in days])


@settings(max_examples=200)
@given(CASES, st.lists(shifts(), min_size=1, max_size=3))
def test_working_time_is_that_of_the_clock_on_the_wall(case: tuple[str, date], rows: list[Shift]) -> None:
    name, middle = case
    begin, _ = wall_clock(name, middle)
    days = [middle + timedelta(days=ahead) for ahead in range(-AROUND, AROUND - 2)]
    # Shifts of the first days may have begun before the model's window, so the middle alone is compared.
    low, high = 2 * 1440, (2 * AROUND - 4) * 1440
    regular, extra = (
        set[int]().union(*(model_minutes(name, middle, row, days) for row in rows if row.overtime is overtime))
        for overtime in (False, True)
    )
    window = set(range(low, high))
    place = shop(name, *rows)
    ends = begin + low * 60, begin + high * 60
    assert as_minutes(working_spans(place, "Ann", *ends), begin) == regular & window
    assert as_minutes(working_spans(place, "Ann", *ends, overtime=True), begin) == (extra - regular) & window


@settings(max_examples=100)
@given(CASES, st.integers(-2, 2), st.integers(0, 2 * 1440))
def test_any_local_time_is_the_first_instant_that_the_clock_shows_it_or_later(case: tuple[str, date], ahead: int, minutes: int) -> None:
    name, middle = case
    day = middle + timedelta(days=ahead)
    begin, _ = wall_clock(name, middle)
    assert wall_seconds(day, minutes, ZoneInfo(name)) == begin + 60 * model_minute(name, middle, day, minutes)


@pytest.mark.parametrize(("name", "day"), [(name, day) for name, days in CHANGES.items() for day in days])
def test_the_days_looked_at_are_days_on_which_the_clock_changes(outside: Outside, name: str, day: date) -> None:
    before, after = (datetime(day.year, day.month, day.day, 12, tzinfo=ZoneInfo(name)) + timedelta(days=ahead) for ahead in (-1, 2))
    assert before.utcoffset() != after.utcoffset()
    noons = wall_seconds(day + timedelta(days=2), 720, ZoneInfo(name)) - wall_seconds(day - timedelta(days=1), 720, ZoneInfo(name))
    ours = noons - int((after.astimezone(UTC) - before.astimezone(UTC)).total_seconds())
    outside(f"seconds between two noons around {day} in {name}, less those of zoneinfo", ours, 0, "tz database", "library")


@pytest.mark.parametrize(
    ("day", "start", "end", "hours"),
    [("2027-03-28", "00:00", "06:00", 5), ("2027-10-31", "00:00", "06:00", 7), ("2027-03-27", "22:00", "06:00", 7),
     ("2027-10-30", "22:00", "06:00", 9), ("2027-03-28", "01:00", "02:00", 0), ("2027-03-28", "01:30", "02:30", 0.5)],
)
def test_a_night_shift_in_lisbon_is_an_hour_shorter_in_march_and_longer_in_october(
    outside: Outside, day: str, start: str, end: str, hours: float,
) -> None:
    # 01:00 to 02:00 is skipped on 2027-03-28 and doubled on 2027-10-31 (Directive 2000/84/EC: the change is at 01:00 UTC).
    row = {"operator": "Ann", "days": list(DAYS), "start": start, "end": end, "from": day, "to": day}
    begin = wall_seconds(date.fromisoformat(day), 0, ZoneInfo("Europe/Lisbon")) - 86_400
    spans = working_spans(shop("Europe/Lisbon", Shift.model_validate(row)), "Ann", begin, begin + 4 * 86_400)
    worked = sum(last - first for first, last in spans) / 3_600
    outside(f"hours worked in Lisbon from {start} on {day} to {end}", worked, hours, "Directive 2000/84/EC", "worked out")


MONDAY = 1_803_859_200
"""2027-03-01T00:00:00Z."""


def hour(clock: float) -> int:
    return int(MONDAY + clock * 3_600)


def monday(**fields: Any) -> Shift:
    return Shift.model_validate({"operator": "Ann", "days": ["mon"], "start": "06:00", "end": "14:00", "breaks": ["10:00-10:30"], **fields})


def test_from_and_to_name_the_day_a_shift_starts() -> None:
    night = monday(start="22:00", end="06:00", breaks=[], days=list(DAYS), **{"from": "2027-03-01", "to": "2027-03-02"})
    found = working_spans(shop("UTC", night), "Ann", hour(-48), hour(96))
    assert found == [(hour(22), hour(30)), (hour(46), hour(54))]


def test_shifts_add_up_and_one_shifts_break_is_anothers_work() -> None:
    place = shop("UTC", monday(), monday(start="10:15", end="16:00", breaks=[]))
    assert working_spans(place, "Ann", hour(0), hour(24)) == [(hour(6), hour(10)), (hour(10.25), hour(16))]


def test_closures_of_the_operator_and_of_the_shop_are_no_working_time() -> None:
    closed = [
        {"operator": "Ann", "start": hour(7), "end": hour(8)}, {"operator": "Bob", "start": hour(8), "end": hour(9)},
        {"machine": "M1", "start": hour(8), "end": hour(9)}, {"start": hour(13), "end": hour(15)},
    ]
    place = shop("UTC", monday(breaks=[]), closures=closed)
    assert working_spans(place, "Ann", hour(0), hour(24)) == [(hour(6), hour(7)), (hour(8), hour(13))]
    assert machine_closures(place, "M1") == [(hour(8), hour(9)), (hour(13), hour(15))]
    assert plate_closures(place, "P1") == [(hour(13), hour(15))]


def test_attended_time_counts_breaks_but_not_closures_and_overtime_only_where_it_is_worked() -> None:
    place = shop(
        "UTC", monday(), monday(operator="Bob", start="12:00", end="18:00", breaks=[]),
        monday(start="20:00", end="22:00", breaks=[], overtime=True),
        closures=[{"operator": "Bob", "start": hour(16), "end": hour(17)}, {"operator": "Ann", "start": hour(7), "end": hour(8)}],
    )
    regular = [(hour(6), hour(7)), (hour(8), hour(16)), (hour(17), hour(18))]
    assert attended_spans(place, hour(0), hour(24)) == regular
    worked = [day for day in shift_days(place, "Ann", hour(0), hour(24)) if day.overtime]
    assert attended_spans(place, hour(0), hour(24), worked) == [*regular, (hour(20), hour(22))]


def test_somebody_who_is_busy_in_the_shop_does_no_work_and_is_there() -> None:
    place = shop("UTC", monday(breaks=[]), closures=[{"operator": "Ann", "start": hour(7), "end": hour(8), "present": True}])
    assert working_spans(place, "Ann", hour(0), hour(24)) == [(hour(6), hour(7)), (hour(8), hour(14))]
    assert attended_spans(place, hour(0), hour(24)) == [(hour(6), hour(14))]


def test_overtime_is_what_no_regular_shift_covers() -> None:
    place = shop("UTC", monday(), monday(start="09:00", end="15:00", breaks=[], overtime=True))
    assert working_spans(place, "Ann", hour(0), hour(24), overtime=True) == [(hour(10), hour(10.5)), (hour(14), hour(15))]


SPANS = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=8)


def points(spans: list[Span]) -> set[int]:
    return {second for start, end in spans for second in range(start, end)}


@given(SPANS, SPANS, st.integers(0, 40), st.integers(0, 40))
def test_spans_are_sets_of_seconds(left: list[Span], right: list[Span], begin: int, end: int) -> None:
    one, other = merge(left), merge(right)
    assert points(one) == points(left)
    assert all(a[1] < b[0] for a, b in pairwise(one))
    assert points(subtract(one, other)) == points(left) - points(right)
    assert points(clip(one, begin, end)) == points(left) & set(range(begin, end))
