"""When an operator is there: regular time, time that only overtime covers, and the overtime shifts that the plan uses."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from platerota_shared.calendars import ShiftDay, Span, clip, merge, operator_closures, shift_days, subtract, working_spans
from platerota_shared.plan import Task
from platerota_shared.tables import PlanRequest


@dataclass(frozen=True)
class Presence:
    """One operator's time from `now` to the horizon's end, as spans of UTC seconds.

    `regular` is the working time of regular shifts, `overtime` what only overtime shifts cover, `here` the regular time
    with the overtime shifts in which this operator has a task, `used` those shifts.
    """

    regular: tuple[Span, ...]
    overtime: tuple[Span, ...]
    here: tuple[Span, ...]
    used: tuple[ShiftDay, ...]

    @cached_property
    def every(self) -> list[Span]:
        """All working time, overtime shifts included whether used or not (F11)."""
        return merge((*self.regular, *self.overtime))

    def overtime_seconds(self, task: Task) -> int:
        """Seconds of `task` in time that only overtime shifts cover."""
        return sum(seconds_within(part, self.overtime) for part in parts(task))

    def in_overtime(self, task: Task) -> bool:
        """Whether `task` lies, wholly or partly, in time that only overtime shifts cover; one of 0 s at a seam of both does not."""
        if task.start == task.end:
            return contains(self.overtime, task.start) and not contains(self.regular, task.start)
        return any(touches(part, self.overtime) for part in parts(task))

    def calls(self, day: ShiftDay, task: Task) -> bool:
        """Whether overtime shift `day` counts because `task` lies in it; one of 0 s in regular time does not need it."""
        if task.start == task.end:
            return day.start <= task.start <= day.end and not contains(self.regular, task.start)
        return any(start < day.end and end > day.start for start, end in parts(task))


def parts(task: Task) -> list[Span]:
    """The unbroken stretches of a task: its spans, or the whole of it."""
    return [(span.start, span.end) for span in task.spans] if task.spans else [(task.start, task.end)]


def work_seconds(task: Task) -> int:
    """Seconds worked on a task: its length less its pauses."""
    return sum(end - start for start, end in parts(task))


def length(spans: Iterable[Span]) -> int:
    """Seconds in disjoint spans."""
    return sum(end - start for start, end in spans)


def touches(span: Span, others: Sequence[Span]) -> bool:
    """Whether `span`, longer than 0 seconds, shares time with sorted disjoint `others`."""
    index = bisect_left(others, span[1], key=lambda other: other[0]) - 1
    return index >= 0 and others[index][1] > span[0]


def contains(spans: Sequence[Span], instant: int) -> bool:
    """Whether `instant` lies in one of the sorted disjoint `spans`, their ends included."""
    index = bisect_left(spans, instant, key=lambda span: span[1])
    return index < len(spans) and spans[index][0] <= instant


def seconds_within(span: Span, others: Sequence[Span]) -> int:
    """Seconds that `span` shares with sorted disjoint `others`."""
    shared = 0
    index = bisect_left(others, span[1], key=lambda other: other[0]) - 1
    while index >= 0 and others[index][1] > span[0]:
        shared += min(span[1], others[index][1]) - max(span[0], others[index][0])
        index -= 1
    return shared


def presence_of(request: PlanRequest, operator: str, tasks: Sequence[Task]) -> Presence:
    """The presence of `operator`, whose tasks are `tasks`."""
    shop, now, end = request.shop, request.now, request.horizon_end
    regular = working_spans(shop, operator, now, end)
    extra = [day for day in shift_days(shop, operator, now, end) if day.overtime]
    if not extra:
        return Presence(tuple(regular), (), tuple(regular), ())
    busy = merge(part for task in tasks for part in parts(task))
    instants = sorted(task.start for task in tasks if task.start == task.end and not contains(regular, task.start))
    used = tuple(day for day in extra if _works_in(day, busy, instants))
    worked = merge(span for day in used for span in subtract([(day.start, day.end)], day.breaks))
    here = clip(merge((*regular, *subtract(worked, operator_closures(shop, operator)))), now, end)
    return Presence(tuple(regular), tuple(working_spans(shop, operator, now, end, overtime=True)), tuple(here), used)


def _works_in(day: ShiftDay, busy: Sequence[Span], instants: Sequence[int]) -> bool:
    """Whether a task lies in the shift; `instants` are those of tasks of 0 seconds that no regular shift covers."""
    first = bisect_left(instants, day.start)
    return touches((day.start, day.end), busy) or (first < len(instants) and instants[first] <= day.end)
