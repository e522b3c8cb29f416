"""How long a solve may go on: wall time, or counted work where the same plan must come out every time."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from time import perf_counter

from platerota_shared.tables import Settings
from platerota_solver.listener import Listener

STEPS_PER_SECOND = 20_000
"""Counted work that stands for a second where a plan must be repeatable: runs decoded on one slow core."""


@dataclass
class Clock:
    """Wall time since the solve began, and the work done where the solve is repeatable.

    `share` of a stage is how much of the whole budget has passed, 0 to 1, by wall time or by counted work.
    """

    settings: Settings
    listener: Listener
    began: float = field(default_factory=perf_counter)
    work: int = 0
    halted: bool = False
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def seconds(self) -> float:
        """Wall seconds since the solve began."""
        return perf_counter() - self.began

    @property
    def share(self) -> float:
        """The share of the budget that has passed, 0 to 1 and above."""
        if self.settings.repeatable:
            return self.work / (self.settings.solve_seconds * STEPS_PER_SECOND)
        return self.seconds / self.settings.solve_seconds

    @property
    def spent(self) -> float:
        """Seconds of the budget that have passed, by wall time or by counted work."""
        return self.share * self.settings.solve_seconds

    def count(self, steps: int) -> None:
        """Work has been done: `steps` runs decoded."""
        with self._lock:
            self.work += steps

    def spend(self, share: float) -> None:
        """A share of the budget is used up by work that is counted in another way."""
        self.count(int(share * self.settings.solve_seconds * STEPS_PER_SECOND))

    def tries(self, runs: int, seconds: float) -> float:
        """Decodes of `runs` runs, each of which took `seconds`, that the whole budget allows."""
        if self.settings.repeatable:
            return self.settings.solve_seconds * STEPS_PER_SECOND / max(1, runs)
        return self.settings.solve_seconds / max(1e-5, seconds)

    def over(self, share: float = 1.0) -> bool:
        """Whether `share` of the budget has passed or the caller wants to stop."""
        if self.halted or self.listener.should_stop():
            self.halted = True
        return self.halted or self.share >= share
