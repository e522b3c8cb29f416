"""Local times of day in shift tables: `HH:MM` and `HH:MM-HH:MM`, held as minutes after midnight."""

from __future__ import annotations

import re
from typing import Any

_TIME = re.compile(r"(\d{2}):(\d{2})")


def read_local_time(value: Any) -> int:
    """Minutes after midnight (0 to 1440) from ``"HH:MM"``; ``"24:00"`` is the end of the day.

    Raises
    ------
    ValueError
        Where the value is not such a time.
    """
    match = _TIME.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise ValueError("is not a local time; write HH:MM, such as 06:00 or 24:00")
    minutes = int(match[1]) * 60 + int(match[2])
    if int(match[2]) > 59 or minutes > 1440:
        raise ValueError(f"'{value}' is not a time of day; write 00:00 to 24:00")
    return minutes


def read_break(value: Any) -> tuple[int, int]:
    """A break ``"HH:MM-HH:MM"`` as two local times in minutes after midnight.

    Raises
    ------
    ValueError
        Where the value is not such a pair.
    """
    parts = value.split("-") if isinstance(value, str) else []
    if len(parts) != 2:
        raise ValueError("is not a break; write HH:MM-HH:MM, such as 10:00-10:15")
    return read_local_time(parts[0]), read_local_time(parts[1])
