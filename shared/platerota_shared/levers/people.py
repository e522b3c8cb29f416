"""One more person, or a further shift of somebody who is there: where work waits for hands."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Any, Final, NamedTuple

from platerota_shared.audit.spans import common, overlapped, seconds_in
from platerota_shared.calendars import Span, day_name, merge, operator_closures, shift_days, wall_seconds
from platerota_shared.levers.lever import Lever, spoken
from platerota_shared.levers.plates import new_id
from platerota_shared.levers.week import HANDS, Week
from platerota_shared.tables import Operator, Shift

DAYS_AHEAD: Final = 14
"""Days from `now` on which a further shift is thought of; what is later can wait for the next plan."""
EVENING: Final = 180
"""Minutes that somebody stays longer, less where midnight comes before."""
SHORTEST: Final = 60
"""Minutes below which nobody is asked to stay."""
SATURDAY: Final = (6 * 60, 12 * 60)
"""A shift on a Saturday, minutes after midnight."""
LATE_SHIFT: Final = 8 * 60
"""Minutes of a shift after everybody has left, a pause in it; less where midnight comes before, but half of it at least."""
PAUSE: Final = 30
"""Minutes of that pause."""
MOST_SHIFTS: Final = 100
"""The most shifts of a person who is added."""
_DAY: Final = 24 * 60


class _Stay(NamedTuple):
    """A further shift of somebody on one day, `start` and `end` in minutes after its midnight."""

    day: date
    what: str
    start: int
    end: int
    breaks: tuple[Span, ...] = ()


def helpers(week: Week) -> Iterator[Lever]:
    """Another person like each who is busy while work waits and no colleague is free; and one for a late shift.

    Of people who are alike in skills, cost and shifts the one whose copy promises most stands for all: it is one lever.
    """
    best: dict[str, Lever] = {}
    for row in week.request.shop.operators:
        crew = [row, *week.colleagues(row)]
        short = common(common(week.nobody_free(crew), week.busy(row.id)), week.waiting)
        hands = sum(seconds_in(common(week.busy(one.id), short)) for one in crew)
        promise = week.worth_of_all(short, seconds_in(short) / (seconds_in(short) + hands)) if short else 0.0
        shifts = _regular_shifts(week, row)
        if promise > 0 and 0 < len(shifts) <= MOST_SHIFTS:
            words = f"another operator like {row.id}, in the same shifts"
            lever = _helper(week, row, words, [_shift_row(shift) for shift in shifts], promise)
            alike = repr([{**change, "id": None} for change in lever.changes])
            if alike not in best or promise > best[alike].promise:
                best[alike] = lever
    yield from best.values()
    yield from _late_shift(week)


def _late_shift(week: Week) -> Iterator[Lever]:
    """Somebody who comes when everybody has left, on the days on which anybody works."""
    crew = [row for row in week.request.shop.operators if any(row.can(skill) for skill in HANDS)]
    shifts = [shift for row in crew for shift in _regular_shifts(week, row)]
    start = max((shift.end if shift.end > shift.start else _DAY for shift in shifts), default=_DAY)
    end = min(start + LATE_SHIFT, _DAY)
    if end - start < LATE_SHIFT // 2:
        return
    days = {day for shift in shifts for day in shift.days}
    spans = [_span(week, day, start, end) for day in _days(week) if day_name(day) in days]
    promise = week.worth_of_all(merge(spans), 1 / len(crew))
    if promise > 0:
        model = max(crew, key=lambda row: (len(row.skills) or _DAY, seconds_in(week.busy(row.id))))
        pause = (start + end - PAUSE) // 2
        shift = {
            "days": [day for day in ("mon", "tue", "wed", "thu", "fri", "sat", "sun") if day in days], "start": clock(start),
            "end": clock(end), "breaks": [_between(pause, pause + PAUSE)],
        }
        yield _helper(week, model, f"another operator like {model.id}, in a late shift {_between(start, end)}", [shift], promise)


def _helper(week: Week, like: Operator, words: str, shifts: list[dict[str, Any]], promise: float) -> Lever:
    change = {
        "kind": "add_operator", "id": new_id(like.id, set(week.book.operators)), "skills": list(like.skills), "hour_cost": like.hour_cost,
        "shifts": shifts,
    }
    return Lever("operator", words, (change,), promise)


def stays(week: Week) -> Iterator[Lever]:
    """For each day the further shifts that promise most: an evening, a Saturday morning, a day on which somebody does not work.

    They are overtime, and their points are counted. Rest times are for the planner to mind: what is allowed is not known here.
    """
    best: dict[tuple[date, str], Lever] = {}
    for row in week.request.shop.operators:
        for stay in _stays_of(week, row):
            lever = _stay(week, row, stay)
            known = best.get((stay.day, stay.what))
            if lever is not None and (known is None or lever.promise > known.promise):
                best[stay.day, stay.what] = lever
    yield from best.values()


def _stay(week: Week, row: Operator, stay: _Stay) -> Lever | None:
    """The lever of a further shift; None where it is not free, or promises nothing."""
    span = start, end = _span(week, stay.day, stay.start, stay.end)
    shop = week.request.shop
    taken = merge([*week.book.hours[row.id].working, *operator_closures(shop, row.id)])
    if start < week.book.now or end > week.book.horizon_end or start >= end or overlapped(taken, start, end):
        return None
    colleagues = week.colleagues(row)
    alone = common([span], week.nobody_free(colleagues)) if colleagues else [span]
    price = week.request.settings.score.overtime_hour * (end - start) / 3_600
    promise = week.worth_of_all(alone, 1 / (1 + len(colleagues))) - price
    if promise <= 0:
        return None
    change: dict[str, Any] = {
        "kind": "add_shift", "operator": row.id, "days": [day_name(stay.day)], "start": clock(stay.start), "end": clock(stay.end),
        "from": stay.day.isoformat(), "to": stay.day.isoformat(), "overtime": True,
    }
    if stay.breaks:
        change["breaks"] = [_between(*pause) for pause in stay.breaks]
    words = f"{stay.what} for {row.id} on {spoken(stay.day)}, {_between(stay.start, stay.end)}"
    return Lever("shift", words, (change,), promise)


def _stays_of(week: Week, row: Operator) -> Iterator[_Stay]:
    ends = _last_ends(week, row)
    shifts = _regular_shifts(week, row)
    for day in _days(week):
        if day.weekday() == 5:
            yield _Stay(day, "a shift", *SATURDAY)
        elif day in ends and min(ends[day] + EVENING, _DAY) - ends[day] >= SHORTEST:
            yield _Stay(day, "overtime", ends[day], min(ends[day] + EVENING, _DAY))
        elif day.weekday() < 5 and day not in ends and shifts:
            usual = shifts[0]
            yield _Stay(day, "a further shift", usual.start, usual.end, usual.breaks)


def _last_ends(week: Week, row: Operator) -> dict[date, int]:
    """Day -> minutes after its midnight at which somebody's last regular shift of that day ends, at most 24:00."""
    zone = week.request.shop.zone
    found: dict[date, int] = {}
    for shift in shift_days(week.request.shop, row.id, week.book.now, week.book.horizon_end):
        if not shift.overtime:
            start, end = (datetime.fromtimestamp(instant, zone) for instant in (shift.start, shift.end))
            minutes = end.hour * 60 + end.minute if end.date() == start.date() else _DAY
            found[start.date()] = max(found.get(start.date(), 0), minutes)
    return found


def _regular_shifts(week: Week, row: Operator) -> list[Shift]:
    """The shifts of somebody that are no overtime and fall into the plan's time."""
    zone = week.request.shop.zone
    first, last = (datetime.fromtimestamp(instant, zone).date() for instant in (week.book.now, week.book.horizon_end))
    return [
        shift for shift in week.request.shop.shifts
        if shift.operator == row.id and not shift.overtime and (shift.from_ or first) <= last and (shift.to or last) >= first
    ]


def _days(week: Week) -> Iterator[date]:
    """The days from `now` until the last order finishes, :data:`DAYS_AHEAD` at most."""
    zone = week.request.shop.zone
    first, last = (datetime.fromtimestamp(instant, zone).date() for instant in (week.book.now, week.end))
    for ahead in range(min((last - first).days + 1, DAYS_AHEAD)):
        yield first + timedelta(days=ahead)


def _span(week: Week, day: date, start: int, end: int) -> Span:
    zone = week.request.shop.zone
    return wall_seconds(day, start, zone), wall_seconds(day, end if end > start else end + _DAY, zone)


def _shift_row(shift: Shift) -> dict[str, Any]:
    """A shift as the row of an added person."""
    row: dict[str, Any] = {"days": list(shift.days), "start": clock(shift.start), "end": clock(shift.end)}
    row |= {name: day.isoformat() for name, day in (("from", shift.from_), ("to", shift.to)) if day is not None}
    return row | ({"breaks": [_between(*pause) for pause in shift.breaks]} if shift.breaks else {})


def clock(minutes: int) -> str:
    """A local time as shift tables write it: ``06:00``, ``24:00``."""
    return f"{minutes // 60:02}:{minutes % 60:02}"


def _between(start: int, end: int) -> str:
    return f"{clock(start)}-{clock(end)}"
