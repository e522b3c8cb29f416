"""A plan made ready to be run again and again: each task with what it waits for and when it may be done."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from platerota_shared.calendars import Span, machine_closures, merge, plate_closures, subtract
from platerota_shared.plan import Task
from platerota_solver.describe.attendance import attended, forbidden
from platerota_solver.describe.book import PlanBook
from platerota_solver.describe.chains import ON_PLATE
from platerota_solver.describe.links import links, operator_ties
from platerota_solver.describe.presence import parts, work_seconds
from platerota_solver.risk.openings import Ints, Opening

Resource = tuple[Literal["machine", "plate", "operator"], str]


@dataclass(frozen=True)
class Wait:
    """A task starts at least `lag` seconds after the task with index `task` has ended, because of `resource` (index; -1: its own run)."""

    task: int
    lag: int
    resource: int


@dataclass(frozen=True)
class Step:
    """One task. Instants are seconds after `now`.

    `planned` is its start in the plan, `earliest` the one before which it never starts, `work` its seconds without pauses. A cut has no
    operator; build and bench work pause outside their opening. `away` is the resource (index) whose opening it is.
    """

    planned: int
    earliest: int
    work: int
    cut: bool
    pauses: bool
    opening: Opening
    away: int
    waits: tuple[Wait, ...]


@dataclass(frozen=True)
class Network:
    """All tasks in sequence: a task waits only for tasks before it.

    `finishes` has for each placed order the tasks that it ends with, each with the wait after it; `attended` is when somebody is there.
    """

    steps: tuple[Step, ...]
    resources: tuple[Resource, ...]
    finishes: dict[str, tuple[Wait, ...]]
    attended: Opening
    horizon: int

    @property
    def works(self) -> Ints:
        """Planned seconds of every task."""
        return np.array([step.work for step in self.steps], dtype=np.int64)

    @property
    def cuts(self) -> Ints:
        """The indices of all cuts."""
        return np.array([index for index, step in enumerate(self.steps) if step.cut], dtype=np.int64)


def network_of(book: PlanBook, *, stay: int, ahead: bool) -> Network:
    """The network of a plan.

    Parameters
    ----------
    book
        The plan.
    stay
        Seconds that people stay beyond their working time for work that ends by then.
    ahead
        Whether tasks may start before their planned start.
    """
    return _Weaver(book, stay, ahead).network()


class _Weaver:
    def __init__(self, book: PlanBook, stay: int, ahead: bool) -> None:
        self._book, self._now = book, book.request.now
        self._ahead = ahead
        self._numbers: dict[Resource, int] = {}
        self._hours = _Hours(book, stay)
        tied, _, self._kept = operator_ties(book)
        self._waits: dict[int, dict[int, Wait]] = defaultdict(dict)
        for (a, b, lag), by_operator in (*((link, False) for link in links(book)), *((link, True) for link in tied)):
            # A link that the plan itself breaks is a finding of the audit; no week can be run by it.
            if book.tasks[a].end + lag <= book.tasks[b].start and a < b:
                self._tie(a, b, lag, by_operator)

    def _tie(self, a: int, b: int, lag: int, by_operator: bool) -> None:
        known = self._waits[b].get(a)
        if known is None or lag > known.lag:
            resource = known.resource if known is not None else self._resource(self._book.tasks[a], self._book.tasks[b], by_operator)
            self._waits[b][a] = Wait(a, lag, resource)

    def _resource(self, a: Task, b: Task, by_operator: bool) -> int:
        """The resource that the link from `a` to `b` is about; -1: their run, or pieces of the order."""
        if by_operator:
            return self._number(("operator", b.operator or ""))
        if a.run is not None and a.run == b.run:
            return -1
        if a.machine is not None and a.machine == b.machine:
            return self._number(("machine", a.machine))
        if a.plate is not None and a.plate == b.plate:
            return self._number(("plate", a.plate))
        return -1

    def _number(self, resource: Resource) -> int:
        return self._numbers.setdefault(resource, len(self._numbers))

    def network(self) -> Network:
        """Every step, then what hangs on them."""
        steps = tuple(self._step(index, task) for index, task in enumerate(self._book.tasks))
        return Network(
            steps=steps, resources=tuple(self._numbers), finishes=self._finishes(),
            attended=Opening(self._hours.since_now(self._hours.there)), horizon=self._book.request.horizon_end - self._now,
        )

    def _step(self, index: int, task: Task) -> Step:
        planned = task.start - self._now
        free = self._ahead and not task.frozen and index not in self._kept
        return Step(
            planned=planned, earliest=self._released(task) if free else planned, work=work_seconds(task), cut=task.kind == "cut",
            pauses=task.kind in ("build", "bench"), opening=self._hours.opening(task),
            away=self._number(("machine", task.machine or "") if task.operator is None else ("operator", task.operator)),
            waits=tuple(self._waits[index].values()),
        )

    def _released(self, task: Task) -> int:
        """F14: raw stock is there from the order's release; 0 for every other task."""
        if task.kind != "load":
            return 0
        book = self._book
        run = next(run for run in book.runs if run.id == task.run)
        first = [book.orders[held.order].release for held in run.pieces if held.op == book.ops[held.part][0]]
        return max((release - self._now for release in first if release is not None and release > self._now), default=0)

    def _finishes(self) -> dict[str, tuple[Wait, ...]]:
        """F19: the tasks that each placed order ends with, as `finish_times` has them."""
        book = self._book
        found: dict[str, list[Wait]] = {order.id: [] for order in book.request.orders if order.id not in book.unplaced}
        for (order, op), runs in book.holders.items():
            ends = (book.of_run[run].get("unload") for run, _ in runs), (book.bench.get((run, order, op)) for run, _ in runs)
            if order in found:
                found[order] += [Wait(index, book.after_seconds(order, op), -1) for some in ends for index in some if index is not None]
        for (order, _), index in book.articles.items():
            if order in found:
                found[order].append(Wait(index, 0, -1))
        return {order: tuple(waits) for order, waits in found.items()}


class _Hours:
    """The open time of each kind of task: working time for people, less what closes machine and plate; kept once per combination."""

    def __init__(self, book: PlanBook, stay: int) -> None:
        self._book, self._stay = book, stay
        shop = book.request.shop
        self.there = attended(book)
        self._machine_closed = {row.id: machine_closures(shop, row.id) for row in shop.machines}
        self._plate_closed = {row.id: plate_closures(shop, row.id) for row in shop.plates}
        self._no_cut = {row.id: forbidden(book, row, self.there) for row in shop.machines}
        self._openings: dict[tuple[object, ...], Opening] = {}

    def opening(self, task: Task) -> Opening:
        """When `task` may be done: overtime counts where the plan uses it."""
        plate = task.plate if task.kind in ON_PLATE and self._plate_closed.get(task.plate or "") else None
        # What a pausing task leaves out (an overtime shift) it leaves out in every simulated week.
        own = parts(task)
        pauses = tuple((a[1], b[0]) for a, b in pairwise(own))
        key = (task.operator, task.machine, plate, pauses)
        if key not in self._openings:
            request = self._book.request
            closed = [*self._machine_closed.get(task.machine or "", ()), *self._plate_closed.get(plate or "", ()), *pauses]
            if task.operator is None:
                closed += self._no_cut.get(task.machine or "", ())
            base = [(request.now, request.horizon_end)] if task.operator is None else self._book.presence[task.operator].here
            stay = 0 if task.operator is None else self._stay
            self._openings[key] = Opening(self.since_now(subtract(base, merge(closed))), stay)
        return self._openings[key]

    def since_now(self, spans: Sequence[Span]) -> list[Span]:
        """Spans of UTC seconds as seconds after `now`."""
        now = self._book.request.now
        return [(start - now, end - now) for start, end in spans]
