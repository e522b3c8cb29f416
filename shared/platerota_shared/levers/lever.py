"""One lever: a single change that might help a plan, as the changes that it is and the words for it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any, Final, Literal, get_args

FoundKind = Literal["plate", "operator", "shift", "machine", "nests", "due"]
"""What a lever that is found moves: one more plate, one more person, a further shift of somebody, a machine allowed for a fixture, more
nests on a fixture, a due date.
"""
LeverKind = Literal["plate", "operator", "shift", "machine", "nests", "due", "own"]
"""The same, and `own`: one that the caller named."""
KINDS: Final[tuple[FoundKind, ...]] = get_args(FoundKind)
"""Every kind that is found."""

_DAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")

LeverChange = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Lever:
    """A single change.

    Attributes
    ----------
    kind
        What it moves.
    words
        What it is, as a planner would say it.
    changes
        The same as changes of a what-if, JSON values.
    promise
        Points that it might save, as far as the plan tells: a rough sum by which levers are put in order before any is solved.
    """

    kind: FoundKind
    words: str
    changes: tuple[LeverChange, ...]
    promise: float = 0.0


def spoken(day: date) -> str:
    """A day as words name it: ``Thursday 2027-03-04``."""
    return f"{_DAYS[day.weekday()]} {day:%Y-%m-%d}"
