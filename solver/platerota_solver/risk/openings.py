"""Open time, asked for many simulated weeks at once. All instants here are seconds after the plan's `now`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from platerota_shared.calendars import Span

Ints = NDArray[np.int64]

NEVER: Final = 1 << 40
"""An instant that no plan reaches: what does not fit before the horizon starts then."""


class Opening:
    """Sorted disjoint spans in which a kind of work may be done.

    `stay` seconds are what people stay beyond the end of a span for work that is short enough to end by then.
    """

    def __init__(self, spans: Sequence[Span], stay: int = 0) -> None:
        self._starts = np.array([*(start for start, _ in spans), NEVER], dtype=np.int64)
        self._ends = np.array([*(end for _, end in spans), 2 * NEVER], dtype=np.int64)
        self._before = np.concatenate(([0], np.cumsum(self._ends - self._starts)))
        self._stay = stay
        self._long: dict[int, tuple[Ints, Ints]] = {}

    def fitting(self, at: Ints, seconds: int) -> Ints:
        """The earliest start from `at` on of unbroken work that is expected to take `seconds`; `NEVER` or later where there is none."""
        if seconds not in self._long:
            fits = self._ends - self._starts >= seconds
            self._long[seconds] = (self._starts[fits], self._ends[fits] + self._stay)
        starts, ends = self._long[seconds]
        return np.maximum(at, starts[np.searchsorted(ends, at + seconds)])

    def resumed(self, at: Ints) -> Ints:
        """The first open instant from `at` on."""
        return np.maximum(at, self._starts[np.searchsorted(self._ends, at, side="right")])

    def worked_off(self, start: Ints, seconds: Ints) -> Ints:
        """When work of `seconds` that begins at the open instant `start` and pauses outside the spans has ended."""
        index = np.searchsorted(self._ends, start, side="right")
        target = self._before[index] + start - self._starts[index] + seconds
        last = np.maximum(index, np.searchsorted(self._before, target) - 1)
        return self._starts[last] + target - self._before[last]
