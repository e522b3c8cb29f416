"""Why a task moved, is gone or is new, as far as the two requests and the two plans tell."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from platerota_shared.moves import Matching
from platerota_shared.plan import OrderResult, Plan, Run, RunPieces, Task
from platerota_shared.tables import Closure, Order, PlanRequest

_CHAIN = ("load", "place", "cut", "pull", "unload")
_AT_MACHINE = ("place", "setup", "cut", "pull")


class Reasons:
    """Looks for the first of: under way (a closure says more), order gone or changed, closure of the task, then of its run's cut, pieces
    put together otherwise, later work of its own run, somebody or something busy, its run elsewhere, somebody or something free earlier;
    else it says that nothing is in its way.
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
        self._kept = {new.id for _, new in matching.kept}
        self._by_run = _by_run(plan)
        self._busy, self._was_busy = _busy(plan), _busy(base)
        self._base_cuts = {task.run: task for task in base.tasks if task.kind == "cut"}
        self._base_kept = {old.id for old, _ in matching.kept}

    def orders(self, task: Task, *, in_base: bool) -> tuple[str, ...]:
        """The orders whose pieces a task works on."""
        if task.order is not None:
            return (task.order,)
        return tuple(dict.fromkeys(row.order for row in _run((self._base_runs if in_base else self._runs), task)))

    def of_old(self, task: Task, now_at: Task | None) -> str:
        """Why a task of the base is not where it was."""
        if task.start < self._now:
            return self._closed(task) or "it was under way and not over when the plan begins"
        return next(reason for reason in self._told(task, now_at) if reason is not None)

    def of_new(self, task: Task) -> str:
        """Why a task is new."""
        for name in self.orders(task, in_base=False):
            if name not in self._before:
                return f"order {name} is new"
            if (words := self._changed(name)) is not None:
                return words
        return self._otherwise(task, in_base=False)

    def changed(self, name: str) -> tuple[str, ...]:
        """The fields of an order that the two requests give differently."""
        old, new = self._before[name], self._orders[name]
        return tuple(field for field in Order.model_fields if getattr(old, field) != getattr(new, field))

    def _told(self, task: Task, now_at: Task | None) -> Iterator[str | None]:
        yield self._order(task, gone=now_at is None)
        yield self._closed(task)
        yield self._cut_closed(task)
        if now_at is None:
            yield self._otherwise(task, in_base=True)
            return
        if now_at.start > task.start:
            yield self._held_up(task, now_at)
        yield self._taken(task, now_at)
        yield self._with_its_run(task, now_at)
        yield self._free(task, now_at)
        yield "nothing is in its way there; it was moved for the plan as a whole"

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
        row = self._closure(task)
        return f"{_shut(row)} then{_why(row)}" if row is not None else None

    def _cut_closed(self, task: Task) -> str | None:
        """A closure in which its run was to be cut: the run goes elsewhere as a whole."""
        cut = self._base_cuts.get(task.run) if task.kind in _CHAIN else None
        row = self._closure(cut) if cut is not None else None
        return f"{_shut(row)} when {cut.id} was to run{_why(row)}" if cut is not None and row is not None else None

    def _closure(self, task: Task) -> Closure | None:
        """The first closure that only the plan knows and that lies where the task was."""
        return next((row for row in self._closures if row.start < task.end and task.start < row.end and _concerns(row, task)), None)

    def _held_up(self, task: Task, now_at: Task) -> str | None:
        """Work of its own run that is not over when the task was to start."""
        if now_at.kind not in _CHAIN or now_at.run is None:
            return None
        earlier = _CHAIN[: _CHAIN.index(now_at.kind)]
        late = [other for other in self._by_run[now_at.run] if other.kind in earlier and other.end > task.start]
        return f"{min(late, key=lambda other: _CHAIN.index(other.kind)).id} is not over then" if late else None

    def _taken(self, task: Task, now_at: Task) -> str | None:
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


    def _with_its_run(self, task: Task, now_at: Task) -> str | None:
        """The cut of its run, which went the same way."""
        old = self._base_cuts.get(task.run) if task.kind in _CHAIN and task.kind != "cut" else None
        new = next((other for other in self._by_run.get(now_at.run or "", ()) if other.kind == "cut"), None)
        if old is None or new is None or (now_at.start - task.start) * (new.start - old.start) <= 0:
            return None
        return f"it goes with {new.id}, which is {'later' if new.start > old.start else 'earlier'}"

    def _free(self, task: Task, now_at: Task) -> str | None:
        """For a task that is earlier: who or what was needed elsewhere at that time, and is not any more."""
        if now_at.start >= task.start:
            return None
        for what in ("operator", "machine", "plate"):
            for other in self._was_busy.get((what, getattr(now_at, what)), ()):
                if other.id not in self._base_kept and other is not task and other.start < now_at.end and now_at.start < other.end:
                    return f"{getattr(now_at, what)} is free earlier: {other.id} of the plan before is not there"
        return None

    def _otherwise(self, task: Task, *, in_base: bool) -> str:
        """A task that only one of the two plans has, though both have its orders."""
        if task.kind in ("setup", "build"):
            return f"fixtures follow each other otherwise on {task.machine or task.plate}"
        return f"pieces of order {', '.join(self.orders(task, in_base=in_base))} are put together to runs otherwise"


def _by_run(plan: Plan) -> dict[str, list[Task]]:
    found: dict[str, list[Task]] = defaultdict(list)
    for task in plan.tasks:
        if task.run is not None:
            found[task.run].append(task)
    return found


def _busy(plan: Plan) -> dict[tuple[str, str], list[Task]]:
    """What operators, machines and plates do, each by its kind and id."""
    found: dict[tuple[str, str], list[Task]] = defaultdict(list)
    for task in plan.tasks:
        for what in ("operator", "machine", "plate"):
            name = getattr(task, what)
            if name is not None:
                found[what, name].append(task)
    return found


def _shut(row: Closure) -> str:
    return f"{row.machine or row.plate or row.operator or 'the shop'} is {'away' if row.operator else 'closed'}"


def _why(row: Closure) -> str:
    return f": {row.reason}" if row.reason else ""


def _run(runs: dict[str, Run], task: Task) -> Iterable[RunPieces]:
    return runs[task.run].pieces if task.run is not None else ()


def _concerns(row: Closure, task: Task) -> bool:
    named = (row.machine, row.plate, row.operator)
    return named == (None, None, None) or any(
        name is not None and name == own for name, own in zip(named, (task.machine, task.plate, task.operator), strict=True)
    )
