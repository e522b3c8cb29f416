"""Hours, instants and names as sentences give them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from platerota_shared.faults import listed
from platerota_shared.tables import PlanRequest

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_WEEK = 6 * 86_400

ACT = {
    "load": "load", "unload": "unload", "exchange": "exchange plates", "setup": "set up", "first_article": "check first articles",
    "bench": "do bench work", "build": "build fixtures",
}
"""What an operator with the skill can do, to follow "can"."""


def hours(seconds: int) -> str:
    """A duration: ``14 h 20 min``, ``35 min``, ``40 s``."""
    if seconds < 60:
        return f"{seconds} s"
    minutes = round(seconds / 60)
    whole, rest = divmod(minutes, 60)
    return " ".join(filter(None, [f"{whole} h" if whole else "", f"{rest} min" if rest else ""]))


def at_least(seconds: int) -> str:
    """A duration rounded down, so that whatever is shorter in words is shorter in seconds: ``14 h 20 min``, ``40 s``."""
    return hours(seconds - seconds % 60 if seconds >= 60 else seconds)


def moment(request: PlanRequest, instant: int) -> str:
    """An instant in the shop's timezone: ``Tue 10:40``; with the date where that day is not the next of its name."""
    local = datetime.fromtimestamp(instant, request.shop.zone)
    date = "" if 0 <= instant - request.now < _WEEK else f"{local:%Y-%m-%d} "
    return f"{_DAYS[local.weekday()]} {date}{local:%H:%M}"


def able(request: PlanRequest, skill: str) -> list[str]:
    """The ids of the operators who have `skill`."""
    return [row.id for row in request.shop.operators if not row.skills or skill in row.skills]


def people(request: PlanRequest, skill: str) -> str:
    """Who can do it: ``Ana, the only one who can load`` or ``Ana and Ben, who can load``."""
    names = able(request, skill)
    return f"{names[0]}, the only one who can {ACT[skill]}" if len(names) == 1 else f"{listed(names)}, who can {ACT[skill]}"


def joined(phrases: Sequence[str]) -> str:
    """Phrases in a row: ``a, b and c``."""
    return listed(phrases, len(phrases))
