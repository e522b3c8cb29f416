"""The risks of a plan: simulate, count, say."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from platerota_shared.faults import Fault, RequestRefused
from platerota_shared.plan import Plan
from platerota_shared.risks import Likely, MachineRisk, OrderRisk, ResourceDriver, Risks, RisksQuestion, TaskDriver
from platerota_shared.tables import PlanRequest
from platerota_solver.describe.book import PlanBook, open_book
from platerota_solver.risk.network import Network, network_of
from platerota_solver.risk.openings import NEVER, Ints
from platerota_solver.risk.running import Bools, Weeks, run_weeks
from platerota_solver.risk.tracing import Blame, Tally, Tracer

BLOCK_CELLS = 2_000_000
"""Tasks × weeks that are simulated at once, so that memory stays bounded whatever is asked."""
MOST_STOPS = 20_000_000
"""Stops in all simulated weeks together, on average; more would take minutes."""
OF_ORDER, OF_PLAN = 3, 10
"""Drivers named for an order and for the plan."""


def risks(request: PlanRequest, plan: Plan, question: RisksQuestion) -> Risks:
    """How sure a plan is, with its assignments and sequences kept.

    Parameters
    ----------
    request
        What the plan is for.
    plan
        A plan of that request, valid by the audit.
    question
        Spreads, stops, seed and how many weeks to simulate.

    Returns
    -------
    Risks
        The same for the same arguments, to the byte.

    Raises
    ------
    ValueError
        Where the plan is not one of that request.
    platerota_shared.faults.RequestRefused
        Where so many stops are asked for that they cannot be simulated.
    """
    _check(request, plan)
    book = open_book(request, plan.runs, plan.tasks, [order.id for order in plan.orders if not order.placed])
    _check_stops(book, question)
    network = network_of(book, stay=round(question.stay_minutes * 60), ahead=question.work_ahead)
    return _Counting(book, plan, network, question).risks()


def _check(request: PlanRequest, plan: Plan) -> None:
    """Refuse a plan of another request; where the rows agree, the plan's links can be read."""
    shop = request.shop
    known = {row.id for table in (shop.machines, shop.plates, shop.operators) for row in table}
    used = {name for task in plan.tasks for name in (task.machine, task.plate, task.operator) if name is not None}
    same = (plan.now, plan.horizon_end) == (request.now, request.horizon_end)
    if not same or {row.id for row in plan.orders} != {order.id for order in request.orders} or not used <= known:
        raise ValueError("the plan is not one of this request: now, horizon, orders or resources differ")


def _check_stops(book: PlanBook, question: RisksQuestion) -> None:
    hours = sum(task.end - task.start for task in book.tasks if task.kind == "cut") / 3_600.0
    stops = hours * question.stops.per_cutting_hour * question.samples
    if stops > MOST_STOPS:
        words = f"stops.per_cutting_hour: {hours:,.0f} hours of cutting in {question.samples:,} weeks would stop about {stops:,.0f} times"
        raise RequestRefused([Fault(
            "/stops/per_cutting_hour", "out-of-range", f"{words}; the most is {MOST_STOPS:,}", "simulate fewer weeks, or fewer stops",
        )])


@dataclass
class _Shares:
    """Cutting and standing of every machine as a share of each week, machines × weeks."""

    cutting: list[np.ndarray[tuple[int, ...], np.dtype[np.float64]]]
    standing: list[np.ndarray[tuple[int, ...], np.dtype[np.float64]]]


class _Counting:
    """One question being answered."""

    def __init__(self, book: PlanBook, plan: Plan, network: Network, question: RisksQuestion) -> None:
        self._book, self._network, self._question = book, network, question
        self._now = book.request.now
        self._results = {row.id: row for row in plan.orders}
        self._placed = [order for order in book.request.orders if order.id in network.finishes]
        self._tracer = Tracer(network, len(self._placed))
        self._finishes: list[Ints] = []
        self._shares = _Shares([], [])

    def risks(self) -> Risks:
        """Simulate block by block, then answer."""
        for weeks, random in self._blocks():
            self._count(run_weeks(self._network, self._question, weeks, random))
        finishes = np.sort(np.concatenate(self._finishes, axis=1), axis=1)
        on_time = np.concatenate([self._on_time(finish) for finish in self._finishes], axis=1)
        sure = bool(len(self._placed) == len(self._book.request.orders))
        place = {order.id: index for index, order in enumerate(self._placed)}
        return Risks(
            question=self._question,
            all_on_time=float(on_time.all(axis=0).mean()) if sure else 0.0,
            orders=tuple(
                self._order(order.id, finishes[place[order.id]], on_time[place[order.id]], self._tracer.orders[place[order.id]])
                if order.id in place else _unplaced(order.id, order.due)
                for order in self._book.request.orders
            ),
            tasks=self._tasks(self._tracer.plan, OF_PLAN), resources=self._resources(self._tracer.plan, OF_PLAN),
            machines=tuple(self._machines()),
        )

    def _blocks(self) -> Iterator[tuple[int, np.random.Generator]]:
        """Weeks in blocks of bearable size, each with random numbers of its own from the one seed."""
        size = max(1, BLOCK_CELLS // max(1, len(self._network.steps)))
        sizes = [min(size, self._question.samples - done) for done in range(0, self._question.samples, size)]
        for weeks, seed in zip(sizes, np.random.SeedSequence(self._question.seed).spawn(len(sizes)), strict=True):
            yield weeks, np.random.Generator(np.random.PCG64(seed))

    def _count(self, weeks: Weeks) -> None:
        count = weeks.starts.shape[1]
        finishes = np.zeros((len(self._placed), count), dtype=np.int64)
        last = np.full((len(self._placed), count), -1, dtype=np.int64)
        for row, order in enumerate(self._placed):
            for wait in self._network.finishes[order.id]:
                end = weeks.ends[wait.task] + wait.lag
                last[row][end > finishes[row]] = wait.task
                np.maximum(finishes[row], end, out=finishes[row])
        finishes[finishes > self._network.horizon] = NEVER
        self._finishes.append(finishes)
        planned = np.array([self._results[order.id].finish or 0 for order in self._placed], dtype=np.int64) - self._now
        self._tracer.trace(weeks, ~self._on_time(finishes) & (finishes > planned[:, None]), last)
        self._share(weeks)

    def _on_time(self, finishes: Ints) -> Bools:
        due = np.array([order.due for order in self._placed], dtype=np.int64) - self._now
        return (finishes <= due[:, None]) & (finishes < NEVER)

    def _share(self, weeks: Weeks) -> None:
        done = weeks.starts < NEVER
        span = np.maximum(1, np.where(done, weeks.ends, 0).max(axis=0, initial=0))
        rows = [self._cuts(machine.id) for machine in self._book.request.shop.machines]
        for kept, seconds in ((self._shares.cutting, weeks.taken), (self._shares.standing, weeks.stood)):
            kept.append(np.array([np.where(done[cuts], seconds[cuts], 0).sum(axis=0) / span for cuts in rows]).reshape(len(rows), -1))

    def _cuts(self, machine: str) -> list[int]:
        return [index for index in self._book.on_machine.get(machine, ()) if self._book.tasks[index].kind == "cut"]

    def _order(self, name: str, finishes: Ints, on_time: Bools, blame: Blame) -> OrderRisk:
        result = self._results[name]
        early, middle, late, promise = (self._instant(finishes, share) for share in (0.1, 0.5, 0.9, self._question.certainty))
        return OrderRisk(
            id=name, due=result.due, planned_finish=result.finish, on_time=float(on_time.mean()),
            finish=Likely(early=early, middle=middle, late=late), promise=promise,
            tasks=self._tasks(blame, OF_ORDER), resources=self._resources(blame, OF_ORDER),
        )

    def _instant(self, ascending: Ints, share: float) -> int | None:
        """The least instant by which at least that share of the weeks has finished; None beyond the horizon."""
        found = int(ascending[_rank(share, len(ascending))])
        return None if found >= NEVER else self._now + found

    def _tasks(self, blame: Blame, most: int) -> tuple[TaskDriver, ...]:
        return tuple(
            TaskDriver(
                id=self._book.tasks[index].id, kind=self._book.tasks[index].kind, share=blame.tasks.times[index] / blame.late,
                adds_seconds=round(blame.tasks.seconds[index] / blame.tasks.times[index], 1),
            )
            for index in _foremost(blame.tasks, most)
        )

    def _resources(self, blame: Blame, most: int) -> tuple[ResourceDriver, ...]:
        return tuple(
            ResourceDriver(
                resource=self._network.resources[code // 2][0], id=self._network.resources[code // 2][1],
                cause="away" if code % 2 else "busy", share=blame.resources.times[code] / blame.late,
                waited_seconds=round(blame.resources.seconds[code] / blame.resources.times[code], 1),
            )
            for code in _foremost(blame.resources, most)
        )

    def _machines(self) -> Iterator[MachineRisk]:
        cutting = np.sort(np.concatenate(self._shares.cutting, axis=1), axis=1)
        standing = np.concatenate(self._shares.standing, axis=1)
        span = max(1, self._book.end - self._now)
        for machine, shares, stood in zip(self._book.request.shop.machines, cutting, standing, strict=True):
            planned = sum(self._book.tasks[index].end - self._book.tasks[index].start for index in self._cuts(machine.id))
            # Six digits: more would say how a sum was rounded, not how the machine runs.
            yield MachineRisk(
                id=machine.id, planned_share=round(planned / span, 6), mean_share=round(float(shares.mean()), 6),
                low_share=round(float(shares[_rank(0.1, len(shares))]), 6), high_share=round(float(shares[_rank(0.9, len(shares))]), 6),
                stopped_share=round(float(stood.mean()), 6),
            )


def _rank(share: float, count: int) -> int:
    """The place of a quantile among `count` sorted values: the first that at least that share does not exceed."""
    return max(0, math.ceil(share * count - 1e-9) - 1)


def _foremost(tally: Tally, most: int) -> list[int]:
    """The keys that add most over all late weeks; of equals the earlier one. What adds nothing drives nothing."""
    adding = [key for key in tally.times if tally.seconds[key] > 0.0]
    return sorted(adding, key=lambda key: (-tally.seconds[key], key))[:most]


def _unplaced(name: str, due: int) -> OrderRisk:
    return OrderRisk(id=name, due=due, planned_finish=None, on_time=None, finish=None, promise=None)
