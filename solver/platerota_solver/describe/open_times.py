"""Time that is open for a task, and the latest start in it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from itertools import accumulate

from platerota_shared.calendars import Span


class OpenTime:
    """Sorted disjoint spans of UTC seconds in which a task may be done."""

    def __init__(self, spans: Sequence[Span]) -> None:
        self._starts = [start for start, _ in spans]
        self._ends = [end for _, end in spans]
        self._before = [0, *accumulate(end - start for start, end in spans)]

    def latest_unbroken(self, seconds: int, end: int) -> int | None:
        """The latest start of a task of `seconds` that lies in one span and ends by `end`; None where there is none."""
        for index in range(bisect_right(self._starts, end - seconds) - 1, -1, -1):
            start = min(self._ends[index], end) - seconds
            if start >= self._starts[index]:
                return start
        return None

    def latest_pausing(self, seconds: int, end: int) -> int | None:
        """The latest start of a task that works `seconds` in these spans, pauses between them and ends by `end`."""
        target = self.worked(end) - seconds
        if target < 0:
            return None
        index = bisect_right(self._before, target) - 1
        return self._starts[index] + target - self._before[index] if index < len(self._starts) else None

    def worked(self, until: int) -> int:
        """Seconds in these spans before `until`."""
        index = bisect_left(self._starts, until) - 1
        return 0 if index < 0 else self._before[index] + min(self._ends[index], until) - self._starts[index]
