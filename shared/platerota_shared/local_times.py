"""Local times of day and dates in shift tables: `HH:MM` and `HH:MM-HH:MM`, held as minutes after midnight, and `YYYY-MM-DD`."""

from __future__ import annotations

import re
from datetime import date
from typing import Any

from platerota_shared.faults import refusal, shown

_TIME = re.compile(r"([0-9]{2}):([0-9]{2})")
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def read_local_time(value: Any) -> int:
    """Minutes after midnight (0 to 1440) from ``"HH:MM"``; ``"24:00"`` is the end of the day.

    Raises
    ------
    PydanticCustomError
        Where the value is not such a time.
    """
    match = _TIME.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise refusal("bad-time-of-day", f"must be a time of day, not {shown(value)}", "write HH:MM, such as 06:00 or 24:00")
    minutes = int(match[1]) * 60 + int(match[2])
    if int(match[2]) > 59 or minutes > 1440:
        raise refusal("bad-time-of-day", f"must be a time of day, not {shown(value)}", "write 00:00 to 24:00")
    return minutes


def read_break(value: Any) -> tuple[int, int]:
    """A break ``"HH:MM-HH:MM"`` as two local times in minutes after midnight.

    Raises
    ------
    PydanticCustomError
        Where the value is not such a pair.
    """
    parts = value.split("-") if isinstance(value, str) else []
    if len(parts) != 2:
        raise refusal("bad-time-of-day", f"must be a break, not {shown(value)}", "write HH:MM-HH:MM, such as 10:00-10:15")
    return read_local_time(parts[0]), read_local_time(parts[1])


def read_date(value: Any) -> date:
    """A date from ``"YYYY-MM-DD"``.

    Raises
    ------
    PydanticCustomError
        Where the value is not such a date; a bare number would be days or seconds of some epoch, so it is refused.
    """
    if isinstance(value, date):
        return value
    if isinstance(value, str) and _DATE.fullmatch(value):
        try:
            return date.fromisoformat(value)
        except ValueError:
            raise refusal("bad-date", f"must be a date of the calendar, which {value} is not", "give a day that exists") from None
    raise refusal("bad-date", f"must be a date, not {shown(value)}", "write YYYY-MM-DD, such as 2027-03-01")
