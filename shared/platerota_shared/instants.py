"""Instants: RFC 3339 text or local text in, whole UTC seconds inside, local text with offset out."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import SerializationInfo, ValidationInfo

_INSTANT = re.compile(r"(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2}(?::\d{2})?)(?:\.(\d+))?([Zz]|[+-]\d{2}:\d{2})?")
_NUMBER = re.compile(r"\s*[+-]?\d+(?:[.,]\d+)?\s*")
_SHEET_DAY_ZERO = datetime(1899, 12, 30)


def read_instant(value: Any, info: ValidationInfo) -> int:
    """UTC seconds from RFC 3339 text, or from local text in the zone of the context.

    Without a context (our own code builds a value) a whole number of UTC seconds passes as it is.

    Raises
    ------
    ValueError
        For anything else, with the date a bare number probably meant; for a local time that the clock change skips or doubles.
    """
    zone = (info.context or {}).get("zone")
    if zone is None and isinstance(value, int) and not isinstance(value, bool):
        return value
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise ValueError(_number_words(float(value), repr(value)))
    if not isinstance(value, str):
        raise ValueError("is not an instant; write it like 2027-03-01T06:00:00 or 2027-03-01T06:00:00+00:00")
    if _NUMBER.fullmatch(value):
        raise ValueError(_number_words(float(value.replace(",", ".")), f"'{value}'"))
    match = _INSTANT.fullmatch(value.strip())
    if match is None:
        raise ValueError(f"'{value}' is not an instant; write it like 2027-03-01T06:00:00 or 2027-03-01T06:00:00+00:00")
    if match[3] is not None and match[3].strip("0"):
        raise ValueError(f"'{value}' has a fraction of a second; instants are whole seconds")
    try:
        stamp = datetime.fromisoformat(f"{match[1]}T{match[2]}")
        if match[4] is not None:
            offset = "+00:00" if match[4] in "Zz" else match[4]
            return int(datetime.fromisoformat(f"{stamp.isoformat()}{offset}").timestamp())
    except (ValueError, OverflowError) as error:
        raise ValueError(f"'{value}' is no date and time of the calendar ({error})") from None
    return local_seconds(stamp, zone if zone is not None else ZoneInfo("UTC"))


def local_seconds(stamp: datetime, zone: ZoneInfo) -> int:
    """UTC seconds of a local time that exists exactly once.

    Raises
    ------
    ValueError
        Where the clock change skips that time or runs through it twice.
    """
    first, second = (stamp.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() != second.utcoffset():
        back = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
        if back != stamp:
            raise ValueError(f"{stamp.isoformat()} does not exist in {zone.key}: the clock skips that hour; give an offset or another time")
        raise ValueError(
            f"{stamp.isoformat()} happens twice in {zone.key} when the clock goes back; add the offset:"
            f" {first.isoformat()} or {second.isoformat()}"
        )
    return int(first.timestamp())


def instant_text(value: int, info: SerializationInfo) -> str | int:
    """RFC 3339 text in the zone of the context; the plain UTC seconds where there is none."""
    zone = (info.context or {}).get("zone")
    return value if zone is None else local_text(value, zone)


def local_text(value: int, zone: ZoneInfo) -> str:
    """RFC 3339 text with offset of an instant in UTC seconds."""
    return datetime.fromtimestamp(value, zone).isoformat()


def _number_words(number: float, shown: str) -> str:
    """What a bare number given as an instant probably meant."""
    mend = "write it like 2027-03-01T06:00:00"
    if 20_000 <= number <= 80_000:
        guess = (_SHEET_DAY_ZERO + timedelta(days=number)).replace(microsecond=0)
        return f"{shown} is a bare number; it looks like the spreadsheet date {guess.isoformat()}; {mend}"
    for scale in (1, 1_000):
        if 10**9 * scale <= number <= 5 * 10**9 * scale:
            guess = datetime.fromtimestamp(number / scale, UTC).replace(microsecond=0)
            return f"{shown} is a bare number; it looks like the Unix time {guess.isoformat()}; {mend}"
    return f"{shown} is a bare number, not an instant; {mend}"
