"""When an operator works, and which overtime shifts the plan calls in."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from platerota_shared.audit.spans import common, overlapped, seconds_in, within, without
from platerota_shared.audit.trip import spans_of
from platerota_shared.calendars import ShiftDay, Span, clip, merge, operator_closures, shift_days
from platerota_shared.plan import Task
from platerota_shared.tables import Shop


@dataclass(frozen=True, slots=True)
class Hours:
    """Working time of one operator from `now` to the horizon (UTC seconds).

    `regular` is the time of regular shifts, `overtime` the time that only overtime shifts cover, `working` both; `called`
    is `regular` and those overtime shifts in which the operator has a task, `called_days` these shifts. `extra` holds
    each overtime shift's share of `overtime`.
    """

    regular: list[Span]
    overtime: list[Span]
    working: list[Span]
    called: list[Span]
    called_days: tuple[ShiftDay, ...]
    extra: list[list[Span]]

    def is_overtime(self, task: Task) -> bool:
        """Whether a task lies, partly or whole, in time that only overtime shifts cover."""
        if task.start == task.end:
            return not within(self.regular, task.start, task.end) and within(self.overtime, task.start, task.end)
        return any(overlapped(self.overtime, *span) for span in spans_of(task))

    def overtime_seconds(self, task: Task) -> int:
        """The seconds of a task in time that only overtime shifts cover."""
        return seconds_in(common(spans_of(task), self.overtime))

    def needs(self, day: ShiftDay, task: Task) -> bool:
        """Whether a task lies in an overtime shift so that it brings the operator in."""
        return bool(_called([day], [task], self.regular))

    def called_by(self, task: Task, tasks: Sequence[Task]) -> list[ShiftDay]:
        """The overtime shifts that count for `task` alone: without it the operator, who has `tasks`, would have none there."""
        return [
            day for day in _called(self.called_days, [task], self.regular)
            if not _called([day], [other for other in tasks if other is not task], self.regular)
        ]


def hours(shop: Shop, operator: str, tasks: Sequence[Task], begin: int, end: int) -> Hours:
    """Working time of `operator`, who has these tasks, in ``[begin, end)``."""
    days = shift_days(shop, operator, begin, end)
    closed = operator_closures(shop, operator)
    regular = _open(_worked(day for day in days if not day.overtime), closed, begin, end)

    def only_overtime(chosen: Iterable[ShiftDay]) -> list[Span]:
        return without(_open(_worked(chosen), closed, begin, end), regular)

    extra_days = [day for day in days if day.overtime]
    overtime = only_overtime(extra_days)
    called_days = tuple(_called(extra_days, tasks, regular))
    return Hours(
        regular,
        overtime,
        merge([*regular, *overtime]),
        merge([*regular, *only_overtime(called_days)]),
        called_days,
        [only_overtime([day]) for day in extra_days],
    )


def _worked(days: Iterable[ShiftDay]) -> list[Span]:
    return merge(span for day in days for span in without([(day.start, day.end)], day.breaks))


def _open(spans: list[Span], closed: list[Span], begin: int, end: int) -> list[Span]:
    return clip(without(spans, closed), begin, end)


def _called(days: Sequence[ShiftDay], tasks: Sequence[Task], regular: list[Span]) -> list[ShiftDay]:
    """The overtime shifts in which the operator has a task.

    A task of no length at the seam of a regular shift needs no overtime.
    """
    busy = merge(span for task in tasks for span in spans_of(task))
    moments = [task.start for task in tasks if task.start == task.end and not within(regular, task.start, task.end)]
    return [
        day
        for day in days
        if overlapped(busy, day.start, day.end) or any(day.start <= moment <= day.end for moment in moments)
    ]
