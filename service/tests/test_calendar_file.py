"""The calendar of load windows against RFC 5545: read back by icalendar, its timezone by dateutil, its lines by hand."""

from __future__ import annotations

import copy
import datetime as dt
import io
import re
from typing import Any
from zoneinfo import ZoneInfo

import icalendar
import pytest
from dateutil.tz import tzical
from icalendar import vText

from platerota_service.answers import example
from platerota_service.calendar_file import load_windows_calendar
from platerota_shared.plan import Plan, Warning_
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest
from proof_tools.outside import Outside

STAMP = dt.datetime(2027, 3, 1, 5, 55, 12, 345_000, tzinfo=dt.UTC)


@pytest.fixture
def plan(plan_document: dict[str, Any]) -> Plan:
    """The example plan with a second load, by somebody else, in summer time."""
    plan = Plan.from_document(plan_document)
    july = int(dt.datetime(2027, 7, 1, 9, tzinfo=dt.UTC).timestamp())
    (first,) = plan.load_windows
    moved = {name: july + getattr(first, name) - first.start for name in ("earliest_start", "start", "end", "latest_end", "place_at")}
    return plan.model_copy(update={"load_windows": (first.model_copy(update={**moved, "operator": "rui", "run": "R2"}), first)})


def with_loads(plan: Plan, **change: Any) -> Plan:
    """The plan with every load changed."""
    return plan.model_copy(update={"load_windows": tuple(one.model_copy(update=change) for one in plan.load_windows)})


def events(content: bytes) -> list[Any]:
    """The events of a calendar by the library's reader."""
    return list(icalendar.Calendar.from_ical(content).walk("VEVENT"))


def test_each_load_is_an_event_in_the_shops_timezone(outside: Outside, plan: Plan) -> None:
    first, second = events(load_windows_calendar(plan, stamp=STAMP))
    assert first.decoded("DTSTART").utctimetuple() == dt.datetime(2027, 3, 1, 6, tzinfo=dt.UTC).utctimetuple()
    assert second.decoded("DTSTART") == dt.datetime(2027, 7, 1, 10, tzinfo=ZoneInfo("Europe/Lisbon"))
    start = str(second.decoded("DTSTART"))
    outside("start of a load at 09:00 UTC in July, read back", start, "2027-07-01 10:00:00+01:00", "icalendar", "library")
    outside("its time zone, read back", second["DTSTART"].params["TZID"], "Europe/Lisbon", "icalendar", "library")
    assert first.decoded("DTSTAMP") == STAMP.replace(microsecond=0)
    assert "P1" in first["SUMMARY"]
    for word in ("ana", "bracket-vise", "A-1042 op 10: 4", "at the earliest", "done by", "mill-1", "stop it", "hoist"):
        assert word in first["DESCRIPTION"], word


def test_names_stand_beside_ids_and_notes_below(plan: Plan) -> None:
    document = copy.deepcopy(example("request"))
    shop_rows = (row for table in ("machines", "plates", "fixtures", "operators") for row in document["shop"][table])
    for row in (*shop_rows, *document["orders"]):
        row |= {"name": f"name of\r\n{row['id']}", "note": f"note of\n{row['id']}"}
    lines = events(load_windows_calendar(plan, stamp=STAMP, request=read_request(document)))[0]["DESCRIPTION"].split("\n")
    assert lines[:2] == [
        "ana (name of ana) loads plate P1 (name of P1) with fixture bracket-vise (name of bracket-vise)",
        "Pieces: A-1042 (name of A-1042) op 10: 4",
    ]
    assert lines[3].startswith("It goes into mill-1 (name of mill-1) at 2027-03-01T")
    assert lines[4:9] == [f"note on {what}: note of {what.split()[1]}" for what in (
        "operator ana", "plate P1", "fixture bracket-vise", "order A-1042", "machine mill-1",
    )]


def test_events_keep_their_uid_and_have_one_of_their_own(plan: Plan) -> None:
    now = [event["UID"] for event in events(load_windows_calendar(plan, stamp=STAMP))]
    moved = with_loads(plan, operator="eva")
    moved = moved.model_copy(update={
        "load_windows": tuple(one.model_copy(update={"start": one.start + 600, "end": one.end + 600}) for one in moved.load_windows),
    })
    later = events(load_windows_calendar(moved, stamp=STAMP + dt.timedelta(hours=1), released=True, revision=4))
    assert [event["UID"] for event in later] == now
    assert len(set(now)) == 2
    assert {event["SEQUENCE"] for event in later} == {4}
    other = events(load_windows_calendar(plan.model_copy(update={"id": "another"}), stamp=STAMP))
    assert not {event["UID"] for event in other} & set(now)


def test_events_are_tentative_until_the_plan_is_released(plan: Plan) -> None:
    assert {event["STATUS"] for event in events(load_windows_calendar(plan, stamp=STAMP))} == {"TENTATIVE"}
    assert {event["STATUS"] for event in events(load_windows_calendar(plan, stamp=STAMP, released=True))} == {"CONFIRMED"}


def test_an_operator_sees_the_own_loads_only(plan: Plan) -> None:
    (event,) = events(load_windows_calendar(plan, stamp=STAMP, operator="rui"))
    assert "rui" in event["DESCRIPTION"]
    assert events(load_windows_calendar(plan, stamp=STAMP, operator="nobody")) == []


def test_a_plates_own_warnings_are_in_its_events(plan: Plan, request_document: dict[str, Any]) -> None:
    request = PlanRequest.model_validate(request_document, context={"zone": ZoneInfo("Europe/Lisbon")})
    warned = plan.model_copy(update={"warnings": (
        Warning_(code="lift-needs-care", detail="plate 'P1' weighs 31 kg: two people", pointer="/shop/plates/0"),
        Warning_(code="due-before-now", detail="order 'A-1042' was due", pointer="/orders/0/due"),
    )})
    first, _ = events(load_windows_calendar(warned, stamp=STAMP, request=request))
    assert "31 kg: two people" in first["DESCRIPTION"]
    assert "was due" not in first["DESCRIPTION"]


def test_the_warning_on_a_heavy_blank_is_in_the_events_that_load_it(plan: Plan, request_document: dict[str, Any]) -> None:
    """The second event is of R1; nothing is known of the run of the first."""
    request = PlanRequest.model_validate(request_document, context={"zone": ZoneInfo("Europe/Lisbon")})
    (held,) = plan.runs[0].pieces
    for number, operation in enumerate(request.shop.operations):
        heavy = Warning_(code="lift-needs-care", detail="one piece weighs 41 kg: two people", pointer=f"/shop/operations/{number}")
        found = events(load_windows_calendar(plan.model_copy(update={"warnings": (heavy,)}), stamp=STAMP, request=request))
        said = ["41 kg: two people" in event["DESCRIPTION"] for event in found]
        assert sorted(said) == [False, (operation.part, operation.op) == (held.part, held.op)]


def test_lines_are_folded_at_75_octets_and_end_with_cr_lf(outside: Outside, plan: Plan) -> None:
    """RFC 5545 section 3.1."""
    content = load_windows_calendar(with_loads(plan, plate="Größe 板 " * 30), stamp=STAMP)
    lines = content.split(b"\r\n")
    assert lines[-1] == b""
    outside("lines of more than 75 octets, of long names", sum(len(line) > 75 for line in lines), 0, "RFC 5545", "memory")
    assert b"\n" not in content.replace(b"\r\n", b"")
    for line in lines:
        line.decode("utf-8")  # no character is cut in two
    unfolded = content.replace(b"\r\n ", b"").decode()
    assert all(re.fullmatch(r"[A-Z-]+(;[A-Z-]+=[^:;]+)*:.*", line) for line in unfolded.split("\r\n")[:-1])


def test_the_properties_that_the_standard_demands_are_there_once(outside: Outside, plan: Plan) -> None:
    """RFC 5545 sections 3.6 (PRODID, VERSION), 3.6.1 (UID, DTSTAMP, DTSTART), 3.6.5 (TZID and the offsets of each part)."""
    calendar = icalendar.Calendar.from_ical(load_windows_calendar(plan, stamp=STAMP))
    outside("VERSION of the calendar", str(calendar["VERSION"]), "2.0", "RFC 5545", "memory")
    assert calendar["PRODID"]
    assert [zone["TZID"] for zone in calendar.walk("VTIMEZONE")] == ["Europe/Lisbon"]
    for part in (*calendar.walk("STANDARD"), *calendar.walk("DAYLIGHT")):
        assert {"DTSTART", "TZOFFSETFROM", "TZOFFSETTO"} <= set(part)
    for event in calendar.walk("VEVENT"):
        assert {"UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY", "STATUS", "SEQUENCE"} <= set(event)
        needed = sorted({"UID", "DTSTAMP", "DTSTART"} & set(event))
        outside("what an event must have", needed, ["DTSTAMP", "DTSTART", "UID"], "RFC 5545", "memory")


@pytest.mark.parametrize("text", [
    "a,b;c\\d", "line\nbreak", "line\r\nbreak", "BEGIN:VEVENT\r\nUID:evil", "bell\x07\x1b[31m", "=1+1", "\u202eoverride", "🔧" * 80,
])
def test_hostile_names_stay_text(plan: Plan, text: str) -> None:
    hostile = with_loads(plan, plate=text, operator=text)
    content = load_windows_calendar(hostile, stamp=STAMP, operator=text)
    assert len(events(content)) == 2
    words = "".join(char if char.isprintable() else " " for char in text).split()
    assert events(content)[0]["SUMMARY"] == f"Load {' '.join(words)} for mill-1"
    assert icalendar.Calendar.from_ical(content)["X-WR-CALNAME"] == vText(f"Loads of {' '.join(words)}").to_ical().decode()
    assert not re.search(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", content)  # RFC 5545 section 3.3.11


@pytest.mark.parametrize(
    "name", ["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "Pacific/Apia", "UTC", "Europe/Dublin"],
)
def test_the_timezone_is_that_of_the_public_database_in_every_hour(outside: Outside, plan: Plan, name: str) -> None:
    """Read by dateutil, which shares nothing with the library that writes it; the year has both changes of the clock."""
    zone = ZoneInfo(name)
    start = int(dt.datetime(2027, 1, 3, tzinfo=dt.UTC).timestamp())
    end = start + 360 * 86_400
    wide = plan.model_copy(update={
        "timezone": name, "load_windows": tuple(one.model_copy(update={"start": start, "end": end}) for one in plan.load_windows[:1]),
    })
    content = load_windows_calendar(wide, stamp=STAMP).decode()
    block = content[content.index("BEGIN:VTIMEZONE") : content.index("END:VTIMEZONE") + len("END:VTIMEZONE\r\n")]
    read = tzical(io.StringIO(f"BEGIN:VCALENDAR\r\n{block}END:VCALENDAR\r\n")).get(name)
    locals_ = (dt.datetime.fromtimestamp(second, zone) for second in range(start, end, 1_800))
    wrong = [local for local in locals_ if local.fold == 0 and local.replace(tzinfo=read).utcoffset() != local.utcoffset()]
    outside(f"half hours of 2027 with another offset than in the calendar: {name}", len(wrong), 0, "python-dateutil", "library")


def test_a_plan_without_loads_is_a_calendar_without_events(plan: Plan) -> None:
    content = load_windows_calendar(plan.model_copy(update={"load_windows": ()}), stamp=STAMP)
    assert events(content) == []
    assert b"BEGIN:VTIMEZONE" in content
