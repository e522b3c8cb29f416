"""The shape of the document: ids, references and fields, as the contract has them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import CONTRACT, Finding
from platerota_shared.audit.trip import Trip, ids
from platerota_shared.plan import Kind, Plan, Run, Task
from platerota_shared.tables import PlanRequest

_REFERENCES = ("run", "operator", "machine", "plate", "order", "op", "fixture")
_FIELDS: dict[Kind, frozenset[str]] = {
    "build": frozenset({"operator", "plate", "fixture"}),
    "load": frozenset({"run", "operator", "plate"}),
    "place": frozenset({"run", "operator", "machine", "plate"}),
    "setup": frozenset({"run", "operator", "machine", "fixture"}),
    "cut": frozenset({"run", "machine", "plate"}),
    "pull": frozenset({"run", "operator", "machine", "plate"}),
    "unload": frozenset({"run", "operator", "plate"}),
    "first_article": frozenset({"run", "operator", "order", "op"}),
    "bench": frozenset({"run", "operator", "order", "op"}),
}


def unsound(request: PlanRequest, plan: Plan) -> Iterator[Finding]:
    """Faults that make every other check meaningless: double ids, unknown references, fields that are missing."""
    yield from _doubles("task", (task.id for task in plan.tasks))
    yield from _doubles("run", (run.id for run in plan.runs))
    yield from _doubles("order", (result.id for result in plan.orders))
    wanted = {order.id for order in request.orders}
    for name in sorted(wanted ^ {result.id for result in plan.orders}):
        yield _fault((), f"order {name} is in the request or in the plan, but not in both")
    yield from _runs(request, plan)
    yield from _tasks(request, plan)


def _doubles(what: str, names: Iterable[str]) -> Iterator[Finding]:
    for name, times in Counter(names).items():
        if times > 1:
            yield _fault((name,) if what == "task" else (), f"{what} id {name} is used {times} times")


def _runs(request: PlanRequest, plan: Plan) -> Iterator[Finding]:
    shop = request.shop
    known = {
        "plate": {plate.id for plate in shop.plates},
        "fixture": {fixture.id for fixture in shop.fixtures},
        "machine": {machine.id for machine in shop.machines},
    }
    parts = {order.id: order.part for order in request.orders}
    operations = {(row.part, row.op) for row in shop.operations}
    for run in plan.runs:
        for column, names in known.items():
            if getattr(run, column) not in names and not (column == "machine" and run.machine is None):
                yield _fault((), f"run {run.id} names {column} {getattr(run, column)}, which the shop does not have")
        yield from _rows(run, parts, operations)


def _rows(run: Run, parts: dict[str, str], operations: set[tuple[str, int]]) -> Iterator[Finding]:
    for row in run.pieces:
        if parts.get(row.order) != row.part:
            yield _fault((), f"run {run.id} holds part {row.part} of order {row.order}, which has part {parts.get(row.order)}")
        if (row.part, row.op) not in operations:
            yield _fault((), f"run {run.id} holds op {row.op} of part {row.part}, which has no such op")
    for (order, op), times in Counter((row.order, row.op) for row in run.pieces).items():
        if times > 1:
            yield _fault((), f"run {run.id} lists op {op} of order {order} {times} times")


def _tasks(request: PlanRequest, plan: Plan) -> Iterator[Finding]:
    shop = request.shop
    known: dict[str, set[Any]] = {
        "run": {run.id for run in plan.runs},
        "operator": {operator.id for operator in shop.operators},
        "machine": {machine.id for machine in shop.machines},
        "plate": {plate.id for plate in shop.plates},
        "order": {order.id for order in request.orders},
        "fixture": {fixture.id for fixture in shop.fixtures},
    }
    staying = {plate.id for plate in shop.plates if plate.stays_in is not None}
    held = {(run.id, row.order, row.op) for run in plan.runs for row in run.pieces}
    for task in plan.tasks:
        yield from _references(task, known)
        yield from _fields(task, staying)
        if task.kind in ("bench", "first_article") and (task.run, task.order, task.op) not in held:
            yield _fault((task.id,), f"{task.id} is work on op {task.op} of order {task.order}, of which run {task.run} holds no pieces")
    places = Counter((task.run, task.kind, task.order, task.op) for task in plan.tasks if task.run is not None)
    for (run, kind, _, _), times in places.items():
        if times > 1:
            yield _fault((), f"run {run} has {times} tasks of kind {kind} where one belongs")


def _references(task: Task, known: dict[str, set[Any]]) -> Iterator[Finding]:
    for column, names in known.items():
        value = getattr(task, column)
        if value is not None and value not in names:
            yield _fault((task.id,), f"{task.id} names {column} {value}, which does not exist")


def _fields(task: Task, staying: set[str]) -> Iterator[Finding]:
    """Each kind of task sets the fields the contract gives it and leaves the others null."""
    wanted = _FIELDS[task.kind]
    if task.kind in ("load", "unload") and task.plate in staying:
        wanted = wanted | {"machine"}
    for column in _REFERENCES:
        value = getattr(task, column)
        if (value is not None) != (column in wanted):
            yield _fault((task.id,), f"{task.id} {'lacks' if value is None else 'sets'} '{column}', which a {task.kind} "
                         f"{'needs' if value is None else 'leaves null'}")
    if task.end < task.start or any(span.end <= span.start for span in task.spans or ()):
        yield _fault((task.id,), f"{task.id} ends before it starts")


def faults(book: Book) -> Iterator[Finding]:
    """What a reader of the document would stumble over: the header, names, a run and its tasks that disagree."""
    plan, request = book.plan, book.request
    if (plan.now, plan.horizon_end, plan.timezone) != (request.now, request.horizon_end, request.shop.timezone):
        yield _fault((), "now, horizon_end or timezone of the plan are not the request's")
    for task in book.builds:
        if re.fullmatch(r"B[1-9]\d*\.build", task.id) is None:
            yield _fault((task.id,), f"build {task.id} is not named like B1.build")
    for trip in book.trips:
        yield from _names(trip)
        yield from _agreement(book, trip)


def _names(trip: Trip) -> Iterator[Finding]:
    """Ids are the run's, a dot, and the kind; for bench work and first articles the op, and the order where there are several."""
    run, several = trip.run.id, len(trip.orders) > 1
    for task in [*trip.chain, *([trip.setup] if trip.setup else []), *trip.benches.values(), *trip.articles.values()]:
        name = f"{run}.{task.kind}"
        if task.op is not None:
            name += f".{task.op}" + (f".{task.order}" if several else "")
        if task.id != name:
            yield _fault((task.id,), f"{task.id} should be named {name}")


def _agreement(book: Book, trip: Trip) -> Iterator[Finding]:
    run = trip.run
    for task in trip.chain:
        if task.plate != run.plate:
            yield _fault((task.id,), f"{task.id} is on plate {task.plate}, its run on {run.plate}")
    at_machine = [task for task in [*trip.chain, trip.setup] if task is not None and task.machine is not None]
    for task in at_machine:
        if task.machine != run.machine:
            yield _fault((task.id,), f"{task.id} is at machine {task.machine}, its run at {run.machine}")
    if trip.setup is not None and trip.setup.fixture != run.fixture:
        yield _fault((trip.setup.id,), f"{trip.setup.id} is for fixture {trip.setup.fixture}, its run for {run.fixture}")
    came_pulled = trip.floor is not None and trip.floor.stage == "pulled" and not trip.stays
    if came_pulled != (run.machine is None):
        yield _fault(ids(trip.chain), f"run {run.id} {'came pulled from the floor and has no' if came_pulled else 'needs a'} machine")


def _fault(tasks: tuple[str, ...], detail: str) -> Finding:
    return Finding(CONTRACT, tasks, detail)
