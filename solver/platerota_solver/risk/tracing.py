"""What made orders late: from each late finish back through whatever each task waited for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from platerota_solver.risk.network import Network
from platerota_solver.risk.openings import Ints
from platerota_solver.risk.running import Bools, Weeks

_CELLS = 4_000_000
"""Cells of the largest table that one look back may fill; more late finishes are looked at in slices."""


@dataclass
class Tally:
    """How often something lay on a chain, and the seconds it added (tasks) or had others wait (resources) there, by key."""

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
        self._first_wait = np.cumsum([0, *(len(step.waits) for step in network.steps)])
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
        held_any = np.zeros((self._codes, count), dtype=np.int64)
        for first, until in self._slices(late):
            orders, week = np.nonzero(late[first:until])
            if len(week):
                held = self._walk(weeks, extra, (orders, week, last[first + orders, week]), self.orders[first:until], on_any)
                distinct, longest = _longest(held, week)
                held_any[:, distinct] = np.maximum(held_any[:, distinct], longest)
        self.plan.late += int(late.any(axis=0).sum())
        self.plan.tasks.add(on_any.sum(axis=1), np.where(on_any, extra, 0).sum(axis=1))
        self.plan.resources.add((held_any > 0).sum(axis=1), held_any.sum(axis=1))

    def _slices(self, late: Bools) -> Iterator[tuple[int, int]]:
        """Orders in groups whose tables have a bearable size."""
        first, cells = 0, 0
        for order, weeks in enumerate(late.sum(axis=1).tolist()):
            own = weeks * self._codes + self._steps
            if cells + own > _CELLS and order > first:
                yield first, order
                first, cells = order, 0
            cells += own
        yield first, len(late)

    def _walk(self, weeks: Weeks, extra: Ints, heads: tuple[Ints, Ints, Ints], blames: Sequence[Blame], on_any: Bools) -> Ints:
        """Follow every chain of a slice back at once, one task a turn, and count it.

        `heads` are order (row of `blames`), week and last task of each late finish. Returns the longest wait of each chain for each
        resource, seconds.
        """
        order, week, task = heads
        times, seconds = (np.zeros(len(blames) * self._steps, dtype=np.int64) for _ in range(2))
        held = np.zeros((len(order), self._codes), dtype=np.int64)
        chain = np.flatnonzero(task >= 0)
        while chain.size:
            at, when = task[chain], week[chain]
            on_any[at, when] = True
            key = order[chain] * self._steps + at
            np.add.at(times, key, 1)
            np.add.at(seconds, key, extra[at, when])
            # A task that started when it was planned waited for nothing that was late.
            later = weeks.starts[at, when] > self._planned[at]
            chain, at, when = chain[later], at[later], when[later]
            _keep_longest(held, chain, 2 * self._away[at] + 1, weeks.moved[at, when])
            which = weeks.wait[at, when]
            tied = which >= 0
            chain, at, when = chain[tied], at[tied], when[tied]
            tie = self._first_wait[at] + which[tied]
            named = self._busy[tie] >= 0
            _keep_longest(held, chain[named], 2 * self._busy[tie[named]], weeks.held[at[named], when[named]])
            task[chain] = self._before[tie]
        self._count(blames, order, (times.reshape(len(blames), -1), seconds.reshape(len(blames), -1)), held)
        return held

    def _count(self, blames: Sequence[Blame], order: Ints, tasks: tuple[Ints, Ints], held: Ints) -> None:
        for row, blame in enumerate(blames):
            first, until = np.searchsorted(order, [row, row + 1]).tolist()
            blame.late += until - first
            blame.tasks.add(tasks[0][row], tasks[1][row])
            blame.resources.add((held[first:until] > 0).sum(axis=0), held[first:until].sum(axis=0))


def _keep_longest(held: Ints, chain: Ints, code: Ints, seconds: Ints) -> None:
    # Waits do not add up: a delay that one resource passes on shows again at every task behind it.
    held[chain, code] = np.maximum(held[chain, code], seconds)


def _longest(held: Ints, week: Ints) -> tuple[Ints, Ints]:
    """The distinct weeks, and for each the longest wait of any of its chains, resources × weeks."""
    by_week = np.argsort(week, kind="stable")
    heads = np.flatnonzero(np.diff(week[by_week], prepend=-1))
    return week[by_week][heads], np.maximum.reduceat(held[by_week], heads, axis=0).T
