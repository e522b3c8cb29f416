"""Shifts and closures that cannot be as they are written (F11, F17)."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Final

from platerota_shared.calendars import Span, break_minutes, day_name, merge, shift_minutes
from platerota_shared.faults import Fault, listed, pointer
from platerota_shared.records import Record
from platerota_shared.request_tables import RequestTables
from platerota_shared.tables import Closure, Shift

_NAMED: Final = ("machine", "plate", "operator")


def impossible_times(tables: RequestTables) -> Iterator[Fault]:
    """A fault for each shift, break and closure that makes no sense by itself; such a shift is in doubt from then on."""
    for shift_record, shift in tables.shifts.good():
        for fault in (*_breaks(shift_record, shift), *_dates(shift_record, shift)):
            tables.shifts.doubt(shift_record, "times")
            yield fault
    for closure_record, closure in tables.closures.good():
        yield from _closure(closure_record, closure)


def _breaks(record: Record[Shift], shift: Shift) -> Iterator[Fault]:
    start, end = shift_minutes(shift)
    if start == end:
        words = f"{record.label}: a shift from 24:00 to 00:00 has no length"
        yield Fault(record.pointer + "/end", "ends-before-start", words, "give 24:00 as its end for a whole day")
        return
    spans: list[Span] = []
    for index in range(len(shift.breaks)):
        opens, closes = break_minutes(shift, index)
        spans.append((opens, closes))
        where, written = record.pointer + pointer("breaks", index), _written(*shift.breaks[index])
        if opens == closes:
            yield Fault(where, "ends-before-start", f"{record.label}: break {written} has no length", "give its end, or leave it out")
        elif closes > end:
            yield Fault(
                where, "break-outside-shift",
                f"{record.label}: break {written} is not inside the shift of {shift.operator}, {_written(shift.start, shift.end)}",
                "move it inside the shift, its start before its end",
            )
    if merge(spans) == [(start, end)]:
        yield Fault(
            record.pointer + "/breaks", "shift-all-breaks", f"{record.label}: the breaks of {shift.operator} fill the whole shift",
            "shorten them, or leave the shift out",
        )


def _dates(record: Record[Shift], shift: Shift) -> Iterator[Fault]:
    first, last = shift.from_, shift.to
    if first is None or last is None:
        return
    if first > last:
        yield Fault(
            record.pointer + "/to", "ends-before-start", f"{record.label}: its last date {last} is before its first, {first}",
            "swap from and to",
        )
    elif not any(day_name(first + timedelta(days=ahead)) in shift.days for ahead in range(min(7, (last - first).days + 1))):
        yield Fault(
            record.pointer + "/days", "shift-never-falls", f"{record.label}: no {listed(shift.days, 7)} lies between {first} and {last}",
            "widen from and to, or change the days",
        )


def _closure(record: Record[Closure], closure: Closure) -> Iterator[Fault]:
    if closure.end <= closure.start:
        yield Fault(
            record.pointer + "/end", "ends-before-start", f"{record.label}: the closure ends at or before its start",
            "put its end after its start",
        )
    named = [name for name in _NAMED if getattr(closure, name) is not None]
    if len(named) > 1:
        yield Fault(
            record.pointer, "closure-names-several", f"{record.label} names {listed(named)}; a closure is of one thing",
            "write a closure of its own for each, or name none to close the whole shop",
        )
    if closure.present and closure.operator is None:
        yield Fault(
            record.pointer + "/present", "present-names-nobody", f"{record.label} says that somebody is present, and names no operator",
            "name the operator who is in the shop and busy, or leave present out",
        )


def _written(first: int, last: int) -> str:
    return "-".join(f"{minutes // 60:02}:{minutes % 60:02}" for minutes in (first, last))
