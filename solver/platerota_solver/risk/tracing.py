"""What made orders late: from each late finish back through whatever each task waited for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from platerota_solver.risk.network import Network
from platerota_solver.risk.openings import Ints
from platerota_solver.risk.running import Bools, Weeks

_CELLS = 4_000_000
"""Cells of the largest table that one look back may fill; more late finishes are looked at in slices."""


@dataclass
class Tally:
    """How often something lay on a chain: by key, times and the seconds it added (0 for resources)."""

    times: dict[int, int] = field(default_factory=dict[int, int])
    seconds: dict[int, float] = field(default_factory=dict[int, float])

    def add(self, times: Ints, seconds: Ints) -> None:
        """Count arrays that hold one entry for each key."""
        for key in np.flatnonzero(times).tolist():
            self.times[key] = self.times.get(key, 0) + int(times[key])
            self.seconds[key] = self.seconds.get(key, 0.0) + float(seconds[key])


@dataclass
class Blame:
    """Late weeks, and what was on the chains in them: tasks by index, resources by 2 × index + (1 where it was away)."""

    late: int = 0
    tasks: Tally = field(default_factory=Tally)
    resources: Tally = field(default_factory=Tally)


class Tracer:
    """Looks back from late finishes, for each order and for all of them together."""

    def __init__(self, network: Network, orders: int) -> None:
        self.orders = [Blame() for _ in range(orders)]
        self.plan = Blame()
        self._steps = len(network.steps)
        self._codes = 2 * len(network.resources)
        self._offset = np.cumsum([0, *(len(step.waits) for step in network.steps)])
        self._before = np.array([wait.task for step in network.steps for wait in step.waits], dtype=np.int64)
        self._busy = np.array([wait.resource for step in network.steps for wait in step.waits], dtype=np.int64)
        self._away = np.array([step.away for step in network.steps], dtype=np.int64)
        self._planned = np.array([step.planned for step in network.steps], dtype=np.int64)
        self._works = network.works

    def trace(self, weeks: Weeks, late: Bools, last: Ints) -> None:
        """Count the chains of some weeks.

        Parameters
        ----------
        weeks
            What happened.
        late
            Orders × weeks: whether a finish is late and later than planned.
        last
            Orders × weeks: the task (index) that the finish waited for, -1 for none.
        """
        count = late.shape[1]
        extra = weeks.taken + weeks.stood - self._works[:, None]
        on_any = np.zeros((self._steps, count), dtype=np.bool_)
        held_any = np.zeros((self._codes, count), dtype=np.bool_)
        for first, until in self._slices(late):
            orders, week = np.nonzero(late[first:until])
            held = self._walk(weeks, extra, (first, orders, week, last[first + orders, week]), until - first, on_any)
            held_any[:, np.unique(week)] |= _any_of(held, week)
        self.plan.late += int(late.any(axis=0).sum())
        self.plan.tasks.add(on_any.sum(axis=1), np.where(on_any, extra, 0).sum(axis=1))
        self.plan.resources.add(held_any.sum(axis=1), np.zeros(self._codes, dtype=np.int64))

    def _slices(self, late: Bools) -> Iterator[tuple[int, int]]:
        """Orders in groups whose tables have a bearable size."""
        first, cells = 0, 0
        for order, weeks in enumerate(late.sum(axis=1).tolist()):
            cells += weeks * self._codes + self._steps
            if cells > _CELLS and order > first:
                yield first, order
                first, cells = order, weeks * self._codes + self._steps
        yield first, len(late)

    def _walk(
        self, weeks: Weeks, extra: Ints, heads: tuple[int, Ints, Ints, Ints], orders: int, on_any: Bools,
    ) -> Bools:
        """Follow every chain of a slice back at once, one task a turn, and count it; returns who held it up, chains × codes."""
        first, order, week, task = heads
        times, seconds = (np.zeros(orders * self._steps, dtype=np.int64) for _ in range(2))
        held = np.zeros((len(order), self._codes), dtype=np.bool_)
        chain = np.flatnonzero(task >= 0)
        while chain.size:
            at, when = task[chain], week[chain]
            on_any[at, when] = True
            key = order[chain] * self._steps + at
            np.add.at(times, key, 1)
            np.add.at(seconds, key, extra[at, when])
            moved = weeks.moved[at, when] & (weeks.starts[at, when] > self._planned[at])
            held[chain[moved], 2 * self._away[at[moved]] + 1] = True
            # A task that started when it was planned waited for nothing that was late.
            which = weeks.wait[at, when]
            goes_on = (which >= 0) & (weeks.starts[at, when] > self._planned[at])
            chain = chain[goes_on]
            tie = self._offset[at[goes_on]] + which[goes_on]
            named = self._busy[tie] >= 0
            held[chain[named], 2 * self._busy[tie[named]]] = True
            task[chain] = self._before[tie]
        self._count(first, order, times.reshape(orders, -1), seconds.reshape(orders, -1), held)
        return held

    def _count(self, first: int, order: Ints, times: Ints, seconds: Ints, held: Bools) -> None:
        nothing = np.zeros(self._codes, dtype=np.int64)
        for row in np.unique(order).tolist():
            blame = self.orders[first + row]
            own = slice(*np.searchsorted(order, [row, row + 1]).tolist())
            blame.late += own.stop - own.start
            blame.tasks.add(times[row], seconds[row])
            blame.resources.add(held[own].sum(axis=0), nothing)


def _any_of(held: Bools, week: Ints) -> Bools:
    """Codes × distinct weeks: whether any chain of the week was held up so."""
    if not len(week):
        return np.zeros((held.shape[1], 0), dtype=np.bool_)
    by_week = np.argsort(week, kind="stable")
    heads = np.flatnonzero(np.diff(week[by_week], prepend=-1))
    return np.logical_or.reduceat(held[by_week], heads, axis=0).T
