"""Why a task moved, is gone or is new, where the two requests and the plan tell."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from platerota_shared.moves import Matching
from platerota_shared.plan import OrderResult, Plan, Run, RunPieces, Task
from platerota_shared.tables import Closure, Order, PlanRequest

_CHAIN = ("load", "place", "cut", "pull", "unload")
_AT_MACHINE = ("place", "setup", "cut", "pull")


class Reasons:
    """Looks for the first of: under way (a closure says more), order gone or changed, closure, later work of its own run, somebody or
    something busy.
    """

    def __init__(self, base_request: PlanRequest, base: Plan, request: PlanRequest, plan: Plan, matching: Matching) -> None:
        self._now = plan.now
        self._base_runs = {run.id: run for run in base.runs}
        self._runs = {run.id: run for run in plan.runs}
        self._before = {order.id: order for order in base_request.orders}
        self._orders = {order.id: order for order in request.orders}
        self._results = {result.id: result for result in plan.orders}
        known = set(base_request.shop.closures)
        self._closures = [row for row in request.shop.closures if row not in known]
        stayed = {new.id for _, new in matching.kept}
        self._kept = stayed
        self._by_run: dict[str, list[Task]] = defaultdict(list)
        self._busy: dict[tuple[str, str], list[Task]] = defaultdict(list)
        for task in plan.tasks:
            if task.run is not None:
                self._by_run[task.run].append(task)
            for what in ("operator", "machine", "plate"):
                name = getattr(task, what)
                if name is not None:
                    self._busy[what, name].append(task)

    def orders(self, task: Task, *, in_base: bool) -> tuple[str, ...]:
        """The orders whose pieces a task works on."""
        if task.order is not None:
            return (task.order,)
        return tuple(dict.fromkeys(row.order for row in _run((self._base_runs if in_base else self._runs), task)))

    def of_old(self, task: Task, now_at: Task | None) -> str | None:
        """Why a task of the base is not where it was."""
        if task.start < self._now:
            return self._closed(task) or "it was under way and not over when the plan begins"
        return next((reason for reason in self._told(task, now_at) if reason is not None), None)

    def of_new(self, task: Task) -> str | None:
        """Why a task is new."""
        for name in self.orders(task, in_base=False):
            if name not in self._before:
                return f"order {name} is new"
            if (words := self._changed(name)) is not None:
                return words
        return None

    def changed(self, name: str) -> tuple[str, ...]:
        """The fields of an order that the two requests give differently."""
        old, new = self._before[name], self._orders[name]
        return tuple(field for field in Order.model_fields if getattr(old, field) != getattr(new, field))

    def _told(self, task: Task, now_at: Task | None) -> Iterator[str | None]:
        yield self._order(task, gone=now_at is None)
        yield self._closed(task)
        if now_at is not None and now_at.start > task.start:
            yield self._held_up(task, now_at)
        yield self._taken(task, now_at)

    def _order(self, task: Task, *, gone: bool) -> str | None:
        for name in self.orders(task, in_base=True):
            if name not in self._orders:
                return f"order {name} is not in this plan"
            result: OrderResult = self._results[name]
            if gone and not result.placed:
                return f"order {name} is not placed"
            if gone and (words := self._changed(name)) is not None:
                return words
        return None

    def _changed(self, name: str) -> str | None:
        fields = self.changed(name) if name in self._before and name in self._orders else ()
        return f"order {name} has another {' and '.join(fields)}" if fields else None

    def _closed(self, task: Task) -> str | None:
        for row in self._closures:
            if row.start < task.end and task.start < row.end and _concerns(row, task):
                name = row.machine or row.plate or row.operator
                return f"{name or 'the shop'} is {'away' if row.operator else 'closed'} then" + (f": {row.reason}" if row.reason else "")
        return None

    def _held_up(self, task: Task, now_at: Task) -> str | None:
        """Work of its own run that is not over when the task was to start."""
        if now_at.kind not in _CHAIN or now_at.run is None:
            return None
        earlier = _CHAIN[: _CHAIN.index(now_at.kind)]
        late = [other for other in self._by_run[now_at.run] if other.kind in earlier and other.end > task.start]
        return f"{min(late, key=lambda other: _CHAIN.index(other.kind)).id} is not over then" if late else None

    def _taken(self, task: Task, now_at: Task | None) -> str | None:
        """Another task, not where it was itself, for which somebody or something is needed then."""
        for what in ("operator", "machine", "plate"):
            name = getattr(task, what)
            if name is None or (what == "machine" and task.kind not in _AT_MACHINE):
                continue
            for other in self._busy[what, name]:
                if other is now_at or other.id in self._kept or not other.start < max(task.end, task.start + 1) or other.end <= task.start:
                    continue
                orders = self.orders(other, in_base=False)
                return f"{name} is at {other.id} then" + (f", for order {', '.join(orders)}" if orders else "")
        return None


def _run(runs: dict[str, Run], task: Task) -> Iterable[RunPieces]:
    return runs[task.run].pieces if task.run is not None else ()


def _concerns(row: Closure, task: Task) -> bool:
    named = (row.machine, row.plate, row.operator)
    return named == (None, None, None) or any(
        name is not None and name == own for name, own in zip(named, (task.machine, task.plate, task.operator), strict=True)
    )
