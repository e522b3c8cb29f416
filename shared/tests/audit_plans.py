"""Writes plans down in a few words, so that a test shows the numbers only.

Times are seconds after `now`, Monday 2027-03-01 06:00 in Lisbon (UTC in winter). :func:`completed` fills in what follows
from the tasks (lanes, windows, floats, score, figures); `test_audit.py` holds these figures worked out by hand.
"""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from platerota_shared.audit import kpis, score
from platerota_shared.audit.book import Book
from platerota_shared.audit.floats import floats
from platerota_shared.audit.results import finish_times
from platerota_shared.audit.sequence import Sequence
from platerota_shared.audit.stock import stocks
from platerota_shared.audit.windows import windows
from platerota_shared.plan import (
    Kpis,
    Lane,
    OrderResult,
    Plan,
    Run,
    RunPieces,
    Score,
    ScoreParts,
    SolverReport,
    Task,
    TaskSpan,
)
from platerota_shared.tables import PlanRequest

NOW = 1_803_880_800  # 2027-03-01T06:00:00Z
ZONE = ZoneInfo("Europe/Lisbon")
Document = dict[str, Any]


def read(document: Document) -> PlanRequest:
    """The request of a raw document, features that are not enabled yet included."""
    return PlanRequest.model_validate(document, context={"zone": ZONE})


def run(name: str, plate: str, fixture: str, machine: str | None, *pieces: tuple[str, str, int, int]) -> Run:
    """A run that holds ``(order, part, op, pieces)``."""
    rows = tuple(RunPieces(order=order, part=part, op=op, pieces=count) for order, part, op, count in pieces)
    return Run(id=name, plate=plate, fixture=fixture, machine=machine, pieces=rows)


def task(name: str, start: int, end: int, operator: str | None = None, **more: Any) -> Task:
    """A task named as the contract does; its run, kind, op and order follow from the name, the rest from the run."""
    parts = name.split(".")
    spans = tuple(TaskSpan(start=NOW + a, end=NOW + b) for a, b in more.pop("spans", ())) or None
    op = int(parts[2]) if len(parts) > 2 else None
    order = more.pop("order", parts[3] if len(parts) > 3 else None)
    return Task(
        id=name, kind=parts[1], run=None if parts[1] == "build" else parts[0], operator=operator, op=op, order=order,
        start=NOW + start, end=NOW + end, spans=spans, **more,
    )


def drafted(request: PlanRequest, runs: list[Run], tasks: list[Task], unplaced: tuple[str, ...] = (), end: str = "feasible") -> Plan:
    """A plan with what follows from the tasks alone, but without load windows and floats."""
    staying = {plate.id for plate in request.shop.plates if plate.stays_in is not None}
    plan = Plan(
        quality=end, now=request.now, timezone=request.shop.timezone, horizon_end=request.horizon_end,
        score=Score(total=0, bound=0, gap=0, parts=ScoreParts()), runs=tuple(runs),
        orders=tuple(
            OrderResult(id=o.id, start=None, finish=None, due=o.due, late_seconds=None, placed=o.id not in unplaced, runs=0, why=None)
            for o in request.orders
        ),
        tasks=tuple(_whole(t, {r.id: r for r in runs}, staying) for t in tasks),
        lanes=(), load_windows=(), kpis=Kpis(), solver=SolverReport(seconds=0, seed=1),
    )
    return described(request, plan)


def _whole(task: Task, runs: dict[str, Run], staying: set[str]) -> Task:
    """The task with the fields that its run gives it."""
    if task.run is None:
        return task
    own = runs[task.run]
    machine = task.kind in ("place", "pull", "cut", "setup") or (task.kind in ("load", "unload") and own.plate in staying)
    changes: Document = {"machine": own.machine if machine else None}
    if task.kind in ("load", "place", "cut", "pull", "unload"):
        changes["plate"] = own.plate
    elif task.kind == "setup":
        changes["fixture"] = own.fixture
    elif task.order is None:
        changes["order"] = own.pieces[0].order
    return task.model_copy(update=changes)


def described(request: PlanRequest, plan: Plan) -> Plan:
    """The plan with lanes, results, score and figures that follow from its tasks; windows and floats stay as they are."""
    plan = plan.model_copy(update={"lanes": _lanes(request, plan)})
    book = Book(request, plan)
    tasks = tuple(
        t.model_copy(update={"overtime": t.operator is not None and book.hours[t.operator].is_overtime(t)}) for t in plan.tasks
    )
    plan = plan.model_copy(update={"tasks": tasks, "orders": _results(book)})
    book = Book(request, plan)
    parts = score.parts(book)
    total = parts.total()
    bound = total if plan.quality == "optimal" else total / 2
    gap = (total - bound) / total if total else 0.0
    return plan.model_copy(update={"score": Score(total=total, bound=bound, gap=gap, parts=parts), "kpis": kpis.recomputed(book)})


def completed(request: PlanRequest, plan: Plan) -> Plan:
    """A valid plan with its load windows and floats."""
    book = Book(request, plan)
    flows = stocks(book)
    sequence = Sequence(book, flows)
    slack = floats(book, sequence)
    return plan.model_copy(update={
        "load_windows": tuple(windows(book, sequence, flows)),
        "tasks": tuple(t.model_copy(update={"float_seconds": slack[t.id]}) for t in plan.tasks),
    })


def _lanes(request: PlanRequest, plan: Plan) -> tuple[Lane, ...]:
    shop = request.shop
    groups = (("machine", shop.machines), ("plate", shop.plates), ("operator", shop.operators))
    rows = [(what, row.id) for what, table in groups for row in table]
    tasks = sorted(plan.tasks, key=lambda t: (t.start, t.end))
    return tuple(
        Lane(resource=what, id=name, tasks=tuple(t.id for t in tasks if getattr(t, what) == name))
        for what, name in rows
    )


def _results(book: Book) -> tuple[OrderResult, ...]:
    finishes = finish_times(book)
    found: list[OrderResult] = []
    for result in book.plan.orders:
        trips = [trip for trip in book.trips if result.id in trip.orders]
        start = min((trip.load.start for trip in trips if trip.load is not None), default=None)
        changes: Document = {"runs": len(trips), "start": None, "finish": None, "late_seconds": None, "why": "no operator is on shift"}
        if result.placed:
            finish = finishes[result.id]
            changes |= {"start": start, "finish": finish, "late_seconds": max(0, finish - result.due), "why": None}
        found.append(result.model_copy(update=changes))
    return tuple(found)
