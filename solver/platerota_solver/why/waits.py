"""What an order waited for, as facts: cause, resource, span, and the task that stood in the way."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Cause = Literal[
    "work", "op_before", "after", "material", "closure", "plate", "build", "machine", "setup", "unattended", "nobody", "break", "operator",
    "first_article", "turn",
]
"""Why an order was not done yet.

`work`: work of its last op went on; `op_before`: work of an earlier op, or pieces of another order in a shared run; `after`: the
wait after an op (cooling, an outside process); `material`: before its release; `closure`: plate, machine or operator closed;
`plate`, `machine`, `operator`: busy with something else; `build`, `setup`, `first_article`: that work itself; `unattended`: the cut
would have run past the machine's unattended limit; `nobody`: nobody with the skill on shift; `break`: all of those on shift on a
break; `turn`: everything was free, the plan put the task later.
"""


@dataclass(frozen=True, slots=True)
class Wait:
    """A stretch of an order's time, `start` to `end` (UTC seconds), and what it went into.

    `resource` is the id of what stood in the way: a machine, a plate, an operator (several as ``Ana, Ben`` where none of those who
    have the skill was there), an order (material, pieces, turn), or ``op 10``. `skill` is what was asked of people, blank where none
    were. `task` is the id of the task that held it last, None where no task did. `seconds` is the length; in a sum of
    several waits (:func:`summed`) the total, with span and task of the longest.
    """

    cause: Cause
    resource: str
    seconds: int
    task: str | None
    start: int
    end: int
    skill: str = ""


def summed(waits: Sequence[Wait]) -> list[Wait]:
    """Waits added up by cause and resource, longest first; each keeps span and task of its longest stretch."""
    groups: dict[tuple[Cause, str], list[Wait]] = defaultdict(list)
    for wait in waits:
        groups[wait.cause, wait.resource].append(wait)
    sums: list[Wait] = []
    for own in groups.values():
        longest = max(own, key=lambda wait: wait.seconds)
        total = sum(wait.seconds for wait in own)
        sums.append(Wait(longest.cause, longest.resource, total, longest.task, longest.start, longest.end, longest.skill))
    return sorted(sums, key=lambda wait: (-wait.seconds, wait.start))
