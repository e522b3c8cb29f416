"""Working time: shifts, breaks and closures as spans of UTC seconds.

A :data:`Span` is ``(start, end)`` in UTC seconds, start < end. Every list of spans that leaves this module is sorted,
disjoint and merged. "begin" and "end" clip the answer to ``[begin, end)``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from platerota_shared.tables import Shift, Shop

Span = tuple[int, int]
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@dataclass(frozen=True, slots=True)
class ShiftDay:
    """One shift on one day, in UTC seconds: the whole span, its breaks, and whether it is overtime."""

    operator: str
    start: int
    end: int
    breaks: tuple[Span, ...]
    overtime: bool


def wall_seconds(day: date, minutes: int, zone: ZoneInfo) -> int:
    """UTC seconds of local midnight of `day` plus `minutes` on the clock.

    A time that the clock change skips becomes the first instant that exists; one that it doubles is the first (F11).
    """
    stamp = datetime.combine(day, datetime.min.time()) + timedelta(minutes=minutes)
    aware = stamp.replace(tzinfo=zone, fold=0)
    back = aware.astimezone(UTC).astimezone(zone)
    if back.replace(tzinfo=None) == stamp:
        return int(aware.timestamp())
    # In a gap fold=0 uses the offset before the change, which lands after it; the change itself is the first instant
    # that exists, found between the two readings of the skipped time.
    low = int(stamp.replace(tzinfo=zone, fold=1).timestamp()) - 1
    high = int(aware.timestamp())
    before = datetime.fromtimestamp(low, zone).utcoffset()
    while high - low > 1:
        middle = (low + high) // 2
        if datetime.fromtimestamp(middle, zone).utcoffset() == before:
            low = middle
        else:
            high = middle
    return high


def shift_minutes(shift: Shift) -> Span:
    """Start and end of a shift in minutes after midnight of its day; an end at or before the start is on the next day."""
    return shift.start, shift.end if shift.end > shift.start else shift.end + 1440


def break_minutes(shift: Shift, index: int) -> Span:
    """Start and end of one break in minutes after midnight of the shift's day (F11): earlier than the shift's start is the next day.

    A break that would end before it starts ends a day later: in a shift of 24 hours that is its very end.
    """
    opens, closes = (minutes if minutes >= shift.start else minutes + 1440 for minutes in shift.breaks[index])
    return opens, closes if closes >= opens else closes + 1440


def shift_day(shift: Shift, day: date, zone: ZoneInfo) -> ShiftDay:
    """The shift as it falls on `day`, breaks that a clock change leaves no time for dropped."""
    start, end = (wall_seconds(day, minutes, zone) for minutes in shift_minutes(shift))
    breaks: list[Span] = []
    for index in range(len(shift.breaks)):
        opens, closes = (wall_seconds(day, minutes, zone) for minutes in break_minutes(shift, index))
        breaks.append((opens, closes))
    return ShiftDay(shift.operator, start, end, tuple(merge(breaks)), shift.overtime)


def day_name(day: date) -> str:
    """The day of the week as shift tables name it: ``mon`` … ``sun``."""
    return _DAYS[day.weekday()]


def shift_days(shop: Shop, operator: str, begin: int, end: int) -> list[ShiftDay]:
    """Every shift of `operator` that touches ``[begin, end)``, whole, by start."""
    zone = shop.zone
    first = datetime.fromtimestamp(begin, zone).date() - timedelta(days=2)
    last = datetime.fromtimestamp(end, zone).date() + timedelta(days=1)
    days: list[ShiftDay] = []
    for shift in shop.shifts:
        if shift.operator != operator:
            continue
        day = max(first, shift.from_) if shift.from_ else first
        stop = min(last, shift.to) if shift.to else last
        while day <= stop:
            if day_name(day) in shift.days:
                found = shift_day(shift, day, zone)
                if found.start < end and found.end > begin and found.start < found.end:
                    days.append(found)
            day += timedelta(days=1)
    return sorted(days, key=lambda found: (found.start, found.end, found.overtime))


def working_spans(shop: Shop, operator: str, begin: int, end: int, *, overtime: bool = False) -> list[Span]:
    """Working time of `operator`: shifts less their own breaks, added up, less closures.

    With `overtime`, the time that only overtime shifts cover; without it, the time of regular shifts.
    """
    regular: list[Span] = []
    extra: list[Span] = []
    for day in shift_days(shop, operator, begin, end):
        (extra if day.overtime else regular).extend(subtract([(day.start, day.end)], day.breaks))
    spans = subtract(merge(extra), merge(regular)) if overtime else merge(regular)
    return clip(subtract(spans, operator_closures(shop, operator)), begin, end)


def attended_spans(shop: Shop, begin: int, end: int, overtime_days: Iterable[ShiftDay] = ()) -> list[Span]:
    """Attended time (F9): any operator inside a shift, breaks included, closures in which that operator is away not.

    Overtime shifts count only where listed in `overtime_days` (those in which their operator has a task).
    """
    spans: list[Span] = []
    counted = set(overtime_days)
    for operator in shop.operators:
        own = [(d.start, d.end) for d in shift_days(shop, operator.id, begin, end) if not d.overtime or d in counted]
        spans.extend(subtract(merge(own), _closures(shop, "operator", operator.id, away=True)))
    return clip(merge(spans), begin, end)


def operator_closures(shop: Shop, operator: str) -> list[Span]:
    """When `operator`, or the whole shop, is closed."""
    return _closures(shop, "operator", operator)


def machine_closures(shop: Shop, machine: str) -> list[Span]:
    """When `machine`, or the whole shop, is closed."""
    return _closures(shop, "machine", machine)


def plate_closures(shop: Shop, plate: str) -> list[Span]:
    """When `plate`, or the whole shop, is closed."""
    return _closures(shop, "plate", plate)


def _closures(shop: Shop, column: str, name: str, *, away: bool = False) -> list[Span]:
    """The closures of one thing and of the whole shop; with `away` without those of somebody who is in the shop meanwhile."""
    found: list[Span] = []
    for closure in shop.closures:
        named = (closure.machine, closure.plate, closure.operator)
        if (getattr(closure, column) == name or named == (None, None, None)) and not (away and closure.present):
            found.append((closure.start, closure.end))
    return merge(found)


def merge(spans: Iterable[Span]) -> list[Span]:
    """The union of spans: sorted, disjoint, touching ones joined, empty ones dropped."""
    merged: list[Span] = []
    for start, end in sorted(span for span in spans if span[0] < span[1]):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((start, end))
    return merged


def subtract(spans: Sequence[Span], holes: Sequence[Span]) -> list[Span]:
    """`spans` less `holes`; both sorted and disjoint, or `spans` a single one."""
    left: list[Span] = []
    first = 0
    for start, end in spans:
        while first < len(holes) and holes[first][1] <= start:
            first += 1
        cursor, index = start, first
        while index < len(holes) and holes[index][0] < end:
            if holes[index][0] > cursor:
                left.append((cursor, holes[index][0]))
            cursor = max(cursor, holes[index][1])
            index += 1
        if cursor < end:
            left.append((cursor, end))
    return left


def clip(spans: Iterable[Span], begin: int, end: int) -> list[Span]:
    """The parts of `spans` inside ``[begin, end)``."""
    return [(max(a, begin), min(b, end)) for a, b in spans if max(a, begin) < min(b, end)]
