"""Money: what a plan, an order, a piece and an overtime hour cost, from the hour costs of mills and operators.

A mill costs its `hour_cost` for each cutting hour, an operator for each hour of tasks, as the key figures have it
(:func:`platerota_shared.kpi_formulas.money`). An order bears the hours of its runs: bench work and first articles its own; a
cut by its formula (F1), each piece its cutting seconds and the fixed cycle by pieces; load, place, pull, unload and the setup
by pieces; a build by the pieces of all runs on that plate. The orders' costs add up to the plan's.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping

from platerota_shared.audit.book import Book
from platerota_shared.audit.spans import common, seconds_in, without
from platerota_shared.audit.trip import Trip, spans_of
from platerota_shared.calendars import Span, clip
from platerota_shared.kpi_formulas import money
from platerota_shared.plan import Out, Plan, Task
from platerota_shared.tables import PlanRequest


class OrderCost(Out):
    """What one order costs in this plan; work done before `now` is not in it."""

    id: str
    """The order."""
    spindle_seconds: int
    """Its share of cutting seconds, rounded."""
    operator_seconds: int
    """Its share of hand work, seconds, rounded."""
    pieces: int
    """Pieces that the plan unloads from their last op."""
    cost: float | None
    """Money; null where the request gives no hour costs."""
    piece_cost: float | None
    """cost ÷ pieces; null where the plan finishes none, or no hour costs are given."""


class OvertimeCost(Out):
    """Overtime that the plan buys from one operator."""

    operator: str
    """Who works it."""
    worked_seconds: int
    """Seconds of tasks in time that only overtime shifts cover, as the score counts them."""
    bought_seconds: int
    """Seconds of overtime working time, breaks left out, of the overtime shifts that are called in, whole."""
    worked_cost: float | None
    """worked hours × hour_cost; part of the plan's cost. null where the request gives no hour costs."""
    bought_cost: float | None
    """bought hours × hour_cost: what it costs where a shift called in is paid whole."""
    worked_hour_cost: float | None
    """bought_cost ÷ worked hours: what an hour of overtime work costs then; null where none is worked."""


class PlanCosts(Out):
    """Hours and money of a plan."""

    spindle_seconds: int
    """Cutting seconds of all machines."""
    operator_seconds: int
    """Seconds of tasks of all operators."""
    cost: float | None
    """Money: planned_cost of the key figures; null where the request gives no hour costs."""
    orders: tuple[OrderCost, ...]
    """Each order of the request, in its order."""
    overtime: tuple[OvertimeCost, ...]
    """Each operator who is called in for overtime, in the order of the request."""


def costs_given(request: PlanRequest) -> bool:
    """Whether a request gives any hour cost."""
    costs = [*(row.hour_cost for row in request.shop.machines), *(row.hour_cost for row in request.shop.operators)]
    return any(cost > 0 for cost in costs)


def plan_costs(request: PlanRequest, plan: Plan, since: int | None = None) -> PlanCosts:
    """Hours and money of a plan that the audit passed.

    Parameters
    ----------
    since
        Count what lies after this instant only (UTC seconds); None: all of it.
    """
    return costs_of(Book(request, plan), plan.now if since is None else since)


def costs_of(book: Book, since: int) -> PlanCosts:
    """Hours and money of what lies after `since` (UTC seconds) in the plan of a book."""
    given = costs_given(book.request)
    shares = _Shares(book, since)
    return PlanCosts(
        spindle_seconds=sum(cutting_seconds(book, name, since) for name in book.machines),
        operator_seconds=sum(working_seconds(book, name, since) for name in book.operators),
        cost=_plan_cost(book, since) if given else None,
        orders=tuple(shares.order(name, given=given) for name in book.orders),
        overtime=tuple(_overtime(book, since, given=given)),
    )


def cutting_seconds(book: Book, machine: str, since: int) -> int:
    """Seconds after `since` in which a machine cuts."""
    return sum(_seconds(cut, since) for cut in book.cuts.get(machine, ()))


def working_seconds(book: Book, operator: str, since: int) -> int:
    """Seconds of an operator's tasks after `since`."""
    return sum(_seconds(task, since) for task in book.by_operator.get(operator, ()))


def overtime_seconds(book: Book, operator: str, since: int) -> int:
    """Seconds of an operator's tasks after `since` in time that only overtime shifts cover."""
    if operator not in book.hours:
        return 0
    spans = book.hours[operator].overtime
    return sum(seconds_in(common(_after(task, since), spans)) for task in book.by_operator.get(operator, ()))


def _after(task: Task, since: int) -> list[Span]:
    return clip(spans_of(task), since, max(since, task.end))


def _seconds(task: Task, since: int) -> int:
    return seconds_in(_after(task, since))


def _plan_cost(book: Book, since: int) -> float:
    mills = sum(money(cutting_seconds(book, row.id, since), row.hour_cost) for row in book.machines.values())
    return mills + sum(money(working_seconds(book, row.id, since), row.hour_cost) for row in book.operators.values())


def _overtime(book: Book, since: int, *, given: bool) -> Iterator[OvertimeCost]:
    for row in book.operators.values():
        hours = book.hours[row.id]
        bought = seconds_in(clip(without(hours.called, hours.regular), since, max(since, book.horizon_end)))
        if not bought:
            continue
        worked, paid = overtime_seconds(book, row.id, since), money(bought, row.hour_cost)
        yield OvertimeCost(
            operator=row.id, worked_seconds=worked, bought_seconds=bought, worked_cost=money(worked, row.hour_cost) if given else None,
            bought_cost=paid if given else None, worked_hour_cost=paid * 3_600 / worked if given and worked else None,
        )


class _Shares:
    """What each order bears, from every task of the plan after `since`."""

    def __init__(self, book: Book, since: int) -> None:
        self._book, self._since = book, since
        self._spindle: dict[str, float] = defaultdict(float)
        self._hands: dict[str, float] = defaultdict(float)
        self._money: dict[str, float] = defaultdict(float)
        self._pieces: Counter[str] = Counter()
        on_plate: dict[str, Counter[str]] = defaultdict(Counter)
        for trip in book.trips:
            pieces = _pieces(trip)
            on_plate[trip.run.plate].update(pieces)
            self._trip(trip, pieces)
        for build in book.builds:
            self._share(build, on_plate[build.plate or ""])

    def order(self, name: str, *, given: bool) -> OrderCost:
        """What an order bears."""
        pieces, cost = self._pieces[name], self._money[name]
        return OrderCost(
            id=name, spindle_seconds=round(self._spindle[name]), operator_seconds=round(self._hands[name]), pieces=pieces,
            cost=cost if given else None, piece_cost=cost / pieces if given and pieces else None,
        )

    def _trip(self, trip: Trip, pieces: Mapping[str, int]) -> None:
        for task in (trip.load, trip.place, trip.pull, trip.unload, trip.setup):
            if task is not None:
                self._share(task, pieces)
        if trip.cut is not None:
            self._share(trip.cut, self._cut_weights(trip, pieces))
        for (order, _), task in (*trip.benches.items(), *trip.articles.items()):
            self._share(task, {order: 1})
        if trip.unload is not None and trip.unload.end > self._since:
            for row in trip.run.pieces:
                self._pieces[row.order] += row.pieces if row.op == self._book.ops[row.part][-1] else 0

    def _cut_weights(self, trip: Trip, pieces: Mapping[str, int]) -> Mapping[str, float]:
        """The seconds of a cut by order, before the machine's factor: cutting seconds of its pieces and its part of the cycle."""
        cycle, total = self._book.fixtures[trip.run.fixture].cycle_seconds, sum(pieces.values())
        weights = {order: cycle * count / total for order, count in pieces.items()}
        for row in trip.run.pieces:
            weights[row.order] += row.pieces * self._book.operations[row.part, row.op].cut_seconds
        return weights

    def _share(self, task: Task, weights: Mapping[str, float]) -> None:
        """Share a task's seconds and money by weight."""
        seconds, total = _seconds(task, self._since), sum(weights.values())
        if not seconds or not total:
            return
        cut = task.kind == "cut"
        rate = self._book.machines[task.machine or ""].hour_cost if cut else self._book.operators[task.operator or ""].hour_cost
        for order, weight in weights.items():
            part = seconds * weight / total
            (self._spindle if cut else self._hands)[order] += part
            self._money[order] += money(part, rate)


def _pieces(trip: Trip) -> Counter[str]:
    """Pieces of a run by order."""
    found: Counter[str] = Counter()
    for row in trip.run.pieces:
        found[row.order] += row.pieces
    return found
