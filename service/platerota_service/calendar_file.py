"""Load windows as a calendar (iCalendar, RFC 5545): one event for each load, in the shop's timezone."""

# The calendar library's values have no types.
# pyright: reportUnknownMemberType=false
from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Final
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event, Timezone, TimezoneDaylight, TimezoneStandard, vText

from platerota_service.named_rows import NamedRows, beside, load_keys, note_words
from platerota_service.pictures.cautions import STANDING_CAUTION, About, warnings_about
from platerota_service.pictures.lettering import clipped
from platerota_service.pictures.week import NOTE_CELLS
from platerota_service.workbook.plan_tables import pieces_text
from platerota_shared.instants import local_text
from platerota_shared.plan import LoadWindow, Plan, Run, Warning_
from platerota_shared.tables import PlanRequest

_NAMESPACE: Final = UUID("6f0f2c0e-9a55-5d0c-8f0e-3d5a0c6b7e11")
_HOUR: Final = 3_600
_DAY: Final = 86_400


def load_windows_calendar(
    plan: Plan, *, stamp: dt.datetime, operator: str | None = None, released: bool = False, revision: int = 0,
    request: PlanRequest | None = None,
) -> bytes:
    """The load windows of a plan as a calendar, UTF-8.

    An event's UID depends on plan and run alone, so a calendar that fetches it again moves the event and adds none.

    Parameters
    ----------
    stamp
        When this revision was made (DTSTAMP), an aware time.
    operator
        Whose loads; everybody's where not given.
    released
        Whether the plan is the shop's current one: events are CONFIRMED then, else TENTATIVE.
    revision
        Raised whenever the plan or its release changes (SEQUENCE, RFC 5545 section 3.8.7.4).
    request
        What the plan answers; with it names, notes and the warnings about plate and pieces are in the description.
    """
    zone = ZoneInfo(plan.timezone)
    calendar = Calendar()
    calendar.add("prodid", "-//platerota//load windows//EN")
    calendar.add("version", "2.0")
    # The library knows this name of a calendar for no text, and would leave it as it is.
    calendar.add("x-wr-calname", vText(_one_line(f"Loads of {operator}" if operator is not None else "Loads")))
    calendar.add("x-wr-timezone", plan.timezone)
    calendar.add_component(_timezone(plan, zone))
    runs, rows = {run.id: run for run in plan.runs}, NamedRows(request)
    warnings = warnings_about(plan.warnings, request) if request is not None else dict[About, list[Warning_]]()
    for window in sorted(plan.load_windows, key=lambda window: (window.start, window.operator, window.run)):
        if operator is None or window.operator == operator:
            run = runs.get(window.run)
            held = dict.fromkeys((row.part, row.op) for row in run.pieces) if run is not None else ()
            warned = [one.detail for about in (window.plate, *held) for one in warnings.get(about, ())]
            event = _event(window, run, zone, rows, warned)
            event.add("uid", str(uuid5(_NAMESPACE, f"{plan.id}/{window.run}")))
            event.add("dtstamp", stamp.astimezone(dt.UTC).replace(microsecond=0))
            event.add("sequence", revision)
            event.add("status", "CONFIRMED" if released else "TENTATIVE")
            calendar.add_component(event)
    content: bytes = calendar.to_ical()
    return content


def _event(window: LoadWindow, run: Run | None, zone: ZoneInfo, rows: NamedRows, cautions: list[str]) -> Event:
    event = Event()
    event.add("summary", _one_line(f"Load {window.plate} for {window.machine}" if window.machine is not None else f"Load {window.plate}"))
    event.add("dtstart", dt.datetime.fromtimestamp(window.start, zone))
    event.add("dtend", dt.datetime.fromtimestamp(window.end, zone))
    event.add("description", _printable("\n".join(_lines(window, run, zone, rows, cautions))))
    event.add("categories", ["load"])
    return event


def _lines(window: LoadWindow, run: Run | None, zone: ZoneInfo, rows: NamedRows, cautions: list[str]) -> Iterator[str]:
    def called(table: str, row_id: str) -> str:
        return beside(row_id, _one_line(rows.name(table, row_id)))

    fixture = f" with fixture {called('fixtures', run.fixture)}" if run is not None else ""
    yield f"{called('operators', window.operator)} loads plate {called('plates', window.plate)}{fixture}"
    yield f"Pieces: {pieces_text(run, lambda order: called('orders', order))}"
    earliest, latest = local_text(window.earliest_start, zone), local_text(window.latest_end, zone)
    yield f"From {earliest} at the earliest; done by {latest} so that nothing waits"
    if window.machine is not None:
        yield f"It goes into {called('machines', window.machine)} at {local_text(window.place_at, zone)}"
    for (table, row_id), note in rows.noted(load_keys(window, run)):
        yield note_words(table, row_id, clipped(_one_line(note), NOTE_CELLS))
    yield from cautions
    yield STANDING_CAUTION


def _printable(text: str) -> str:
    """Text without the control characters that a calendar must not hold (RFC 5545 section 3.3.11); line breaks stay."""
    return "".join(char if char == "\n" or char.isprintable() else " " for char in text.replace("\r\n", "\n").replace("\r", "\n"))


def _one_line(text: str) -> str:
    return " ".join(_printable(text).split())


def _timezone(plan: Plan, zone: ZoneInfo) -> Timezone:
    """The timezone with every change of the clock that the plan meets (RFC 5545 section 3.6.5).

    Written here because the library's own sets the onset of daylight time to the hour after the change instead of the one before.
    """
    found = Timezone()
    found.add("tzid", zone.key)
    first = min((window.start for window in plan.load_windows), default=plan.now) - _DAY
    last = max((window.end for window in plan.load_windows), default=plan.horizon_end) + _DAY
    onsets = [first, *_changes(first, last, zone)]
    for onset in onsets:
        before, after = (dt.datetime.fromtimestamp(second, zone) for second in (onset - 1, onset))
        part = TimezoneDaylight() if after.dst() else TimezoneStandard()
        offset = before.utcoffset() if onset != first else after.utcoffset()
        assert offset is not None
        part.add("dtstart", dt.datetime.fromtimestamp(onset, dt.timezone(offset)).replace(tzinfo=None))
        part.add("tzoffsetfrom", offset)
        part.add("tzoffsetto", after.utcoffset())
        part.add("tzname", after.tzname())
        found.add_component(part)
    return found


def _changes(first: int, last: int, zone: ZoneInfo) -> Iterator[int]:
    """The instants in UTC seconds, after `first` and up to `last`, at which the zone's offset changes."""
    for start in range(first, last, 6 * _HOUR):
        low, high = start, min(start + 6 * _HOUR, last)
        if _offset(low, zone) == _offset(high, zone):
            continue
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if _offset(middle, zone) == _offset(low, zone) else (low, middle)
        yield high


def _offset(second: int, zone: ZoneInfo) -> dt.timedelta | None:
    return dt.datetime.fromtimestamp(second, zone).utcoffset()
