"""Instants: RFC 3339 text or local text in, whole UTC seconds inside, local text with offset out."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any, cast
from zoneinfo import ZoneInfo

from pydantic import SerializationInfo, ValidationInfo
from pydantic_core import PydanticCustomError

from platerota_shared.faults import refusal, shown

EARLIEST = 0
LATEST = int(datetime(2200, 1, 1, tzinfo=UTC).timestamp())
"""Instants from outside lie in ``[EARLIEST, LATEST)``, UTC seconds; past them clocks and calendars mean nothing."""

_MEND = "write it like 2027-03-01T06:00:00 or 2027-03-01T06:00:00+00:00"
_INSTANT = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})[Tt ]([0-9]{2}:[0-9]{2}(?::[0-9]{2})?)(?:\.([0-9]+))?([Zz]|[+-][0-9]{2}:[0-9]{2})?")
_NUMBER = re.compile(r"\s*[+-]?[0-9]+(?:[.,][0-9]+)?\s*")
_SHEET_DAY_ZERO = datetime(1899, 12, 30)


def read_instant(value: Any, info: ValidationInfo) -> int:
    """UTC seconds from RFC 3339 text, or from local text in the zone of the context.

    Without a context (our own code builds a value) a whole number of UTC seconds passes as it is.

    Raises
    ------
    PydanticCustomError
        For anything else, with the date a bare number probably meant; for a local time that the clock change skips or doubles.
    """
    zone = _zone_of(info)
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        if zone is None and isinstance(value, int):
            return value
        raise _bare_number(float(value), shown(value))
    if not isinstance(value, str):
        raise refusal("bad-instant", f"must be an instant, not {shown(value)}", _MEND)
    if _NUMBER.fullmatch(value):
        raise _bare_number(float(value.replace(",", ".")), shown(value))
    seconds = _parsed(value, zone if zone is not None else ZoneInfo("UTC"))
    if not EARLIEST <= seconds < LATEST:
        raise refusal("out-of-range", f"must lie in the years 1970 to 2199, not {shown(value)}", "look for a mistyped year")
    return seconds


def _zone_of(info: ValidationInfo | SerializationInfo) -> ZoneInfo | None:
    context = cast("dict[str, ZoneInfo]", info.context or {})
    return context.get("zone")


def _parsed(value: str, zone: ZoneInfo) -> int:
    match = _INSTANT.fullmatch(value.strip())
    if match is None:
        raise refusal("bad-instant", f"must be an instant, not {shown(value)}", _MEND)
    if match[3] is not None and match[3].strip("0"):
        raise refusal("bad-instant", f"must be a whole second, not {shown(value)}", "leave out the fraction of a second")
    try:
        stamp = datetime.fromisoformat(f"{match[1]}T{match[2]}")
        if match[4] is not None:
            offset = "+00:00" if match[4] in "Zz" else match[4]
            return int(datetime.fromisoformat(f"{stamp.isoformat()}{offset}").timestamp())
        return local_seconds(stamp, zone)
    except PydanticCustomError:
        raise
    except (ValueError, OverflowError):
        raise refusal("bad-instant", f"must be a time of the calendar, which {shown(value)} is not", "give one that exists") from None


def local_seconds(stamp: datetime, zone: ZoneInfo) -> int:
    """UTC seconds of a local time that exists exactly once.

    Raises
    ------
    PydanticCustomError
        Where the clock change skips that time or runs through it twice.
    """
    first, second = (stamp.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() != second.utcoffset():
        back = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
        if back != stamp:
            raise refusal(
                "skipped-hour", f"does not exist: on that day the clock in {zone.key} is put forward over {stamp.isoformat()}",
                f"give another time, such as {back.isoformat()}",
            )
        raise refusal(
            "doubled-hour", f"happens twice: on that day the clock in {zone.key} is put back over {stamp.isoformat()}",
            f"add the offset: {first.isoformat()} or {second.isoformat()}",
        )
    return int(first.timestamp())


def instant_text(value: int, info: SerializationInfo) -> str | int:
    """RFC 3339 text in the zone of the context; the plain UTC seconds where there is none."""
    zone = _zone_of(info)
    return value if zone is None else local_text(value, zone)


def local_text(value: int, zone: ZoneInfo) -> str:
    """RFC 3339 text with offset of an instant in UTC seconds."""
    return datetime.fromtimestamp(value, zone).isoformat()


def _bare_number(number: float, quoted: str) -> PydanticCustomError:
    """The refusal of a bare number, with what it probably meant."""
    guess = _guess(number)
    words = f"must be an instant, not the bare number {quoted}"
    if guess is None:
        return refusal("bare-number-instant", words, _MEND)
    kind, stamp = guess
    return refusal("bare-number-instant", f"{words}, which looks like {kind} for {stamp}", f"write {stamp} if that is meant")


def _guess(number: float) -> tuple[str, str] | None:
    if 20_000 <= number <= 80_000:
        return "a spreadsheet's serial date", (_SHEET_DAY_ZERO + timedelta(seconds=round(number * 86_400))).isoformat()
    for scale in (1, 1_000):
        if 10**9 * scale <= number <= 5 * 10**9 * scale:
            return "Unix time", datetime.fromtimestamp(int(number / scale), UTC).isoformat()
    return None
