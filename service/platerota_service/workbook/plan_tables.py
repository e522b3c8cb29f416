"""A plan as flat tables, the same for workbook and CSV: what each is called, its columns with their meaning, its rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypeVar

from pydantic import BaseModel

from platerota_service.named_rows import NamedRows, load_keys, note_words
from platerota_shared.kpi_formulas import (
    MACHINE_ELEMENTS,
    MACHINE_FORMULAS,
    OPERATOR_ELEMENTS,
    OPERATOR_FORMULAS,
    SHOP_ELEMENTS,
    SHOP_FORMULAS,
    SPINDLE_USES,
)
from platerota_shared.plan import (
    Kpis,
    LoadWindow,
    MachineKpis,
    OrderResult,
    Plan,
    Run,
    RunPieces,
    Score,
    ScoreParts,
    ShopKpis,
    Task,
    Warning_,
)
from platerota_shared.tables import Machine, Order, PlanRequest

GANTT: Final = "Gantt"
"""The sheet with the chart, which is no table."""

Value = str | int | float | bool | None
T = TypeVar("T")
Kind = Literal["text", "instant", "number", "flag"]


@dataclass(frozen=True, slots=True)
class PlanColumn:
    """A column of a table of a plan; an instant is UTC seconds in the rows."""

    name: str
    kind: Kind
    meaning: str


@dataclass(frozen=True, slots=True)
class PlanTable:
    """A table of a plan: its name in addresses, the title of its sheet, its columns, and what gives its rows."""

    name: str
    title: str
    columns: tuple[PlanColumn, ...]
    rows: Callable[[PlanBook], Iterator[tuple[Value, ...]]]


@dataclass(frozen=True, slots=True)
class PlanBook:
    """A plan with what its tables need besides: its request, where that is known, and why it failed, if it did."""

    plan: Plan
    request: PlanRequest | None = None
    problem: str | None = None

    def runs(self) -> dict[str, Run]:
        """The runs by id."""
        return {run.id: run for run in self.plan.runs}

    def named(self) -> NamedRows:
        """The names and notes of the request's rows."""
        return NamedRows(self.request)

    def tasks(self) -> dict[str, Task]:
        """The tasks by id."""
        return {task.id: task for task in self.plan.tasks}


def pieces_text(run: Run | None, called: Callable[[str], str] = str) -> str:
    """What a run holds, as people write it: ``A-1042 op 10: 4; A-1050 op 20: 2``; `called` gives the words for an order's id."""
    return "; ".join(f"{called(held.order)} op {held.op}: {held.pieces}" for held in run.pieces) if run is not None else ""


_OWN: Final = {
    "pieces_held": "What the run holds: order, op and how many pieces of it.",
    "operator_name": "What people call the operator.",
    "plate_name": "What people call the plate.",
    "fixture_name": "What people call the fixture.",
    "notes": "The notes on operator, plate, fixture, orders and machine.",
    "of": "What the figure is of: plan, shop, machine or operator.",
    "resource": "Which machine or operator; blank for the whole.",
    "figure": "The figure's name.",
    "value": "The figure.",
    "meaning": "What it means, or how it is counted.",
}


def _columns(spec: str, *models: type[BaseModel]) -> tuple[PlanColumn, ...]:
    """Columns from ``name:kind`` pairs; the meaning is that of the models' field, or one of our own."""
    return tuple(_column(entry, models) for entry in spec.split())


def _column(entry: str, models: tuple[type[BaseModel], ...]) -> PlanColumn:
    name, _, kind = entry.partition(":")
    kinds: dict[str, Kind] = {"": "text", "at": "instant", "n": "number", "yes": "flag"}
    meaning = next((model.model_fields[name].description for model in models if name in model.model_fields), None)
    return PlanColumn(name, kinds[kind], meaning or _OWN[name])


def _task_row(task: Task, run: Run | None) -> tuple[Value, ...]:
    fixture = task.fixture or (run.fixture if run is not None else None)
    plate = task.plate or (run.plate if run is not None else None)
    return (
        task.start, task.end, task.kind, task.operator, task.machine, plate, fixture, task.run, pieces_text(run), task.order, task.op,
        task.float_seconds, task.overtime, task.frozen, task.id,
    )


def _plan_rows(book: PlanBook) -> Iterator[tuple[Value, ...]]:
    runs = book.runs()
    for task in sorted(book.plan.tasks, key=lambda task: (task.start, task.end, task.id)):
        yield _task_row(task, runs.get(task.run or ""))


def _window_rows(book: PlanBook) -> Iterator[tuple[Value, ...]]:
    runs, named = book.runs(), book.named()
    for window in sorted(book.plan.load_windows, key=lambda window: (window.start, window.operator, window.run)):
        run = runs.get(window.run)
        yield (
            window.operator, window.start, window.end, window.earliest_start, window.latest_end, window.plate,
            run.fixture if run is not None else None, pieces_text(run), window.machine, window.place_at, window.run,
            named.name("operators", window.operator), named.name("plates", window.plate),
            named.name("fixtures", run.fixture) if run is not None else None,
            "; ".join(note_words(*key, note) for key, note in named.noted(load_keys(window, run))),
        )


def _machine_rows(book: PlanBook) -> Iterator[tuple[Value, ...]]:
    runs, tasks, named = book.runs(), book.tasks(), book.named()
    for lane in book.plan.lanes:
        if lane.resource == "machine":
            for name in lane.tasks:
                task = tasks[name]
                run = runs.get(task.run or "")
                yield (
                    lane.id, task.start, task.end, task.kind, task.operator, run.plate if run is not None else task.plate,
                    task.fixture or (run.fixture if run is not None else None), pieces_text(run), task.run, task.id,
                    named.name("machines", lane.id), named.note("machines", lane.id),
                )


def _order_rows(book: PlanBook) -> Iterator[tuple[Value, ...]]:
    asked = {order.id: order for order in book.request.orders} if book.request is not None else {}
    for order in book.plan.orders:
        row = asked.get(order.id)
        name, part, quantity, note = (row.name, row.part, row.quantity, row.note) if row is not None else (None, None, None, None)
        yield (
            order.id, name, part, quantity, order.start, order.finish, order.due, order.late_seconds, order.placed, order.runs, order.why,
            note,
        )


def _run_rows(book: PlanBook) -> Iterator[tuple[Value, ...]]:
    for run in book.plan.runs:
        for held in run.pieces:
            yield run.id, run.plate, run.fixture, run.machine, held.order, held.part, held.op, held.pieces


def _kpi_rows(book: PlanBook) -> Iterator[tuple[Value, ...]]:
    plan = book.plan
    for name, value, meaning in (
        ("id", plan.id, _said(Plan, "id")), ("status", plan.status, _said(Plan, "status")),
        ("quality", plan.quality, _said(Plan, "quality")), ("timezone", plan.timezone, _said(Plan, "timezone")),
        ("score", plan.score.total, _said(Score, "total")), ("bound", plan.score.bound, _said(Score, "bound")),
        ("gap", plan.score.gap, _said(Score, "gap")),
    ):
        yield "plan", None, name, value, meaning
    for name in ScoreParts.model_fields:
        yield "plan", None, f"score.{name}", getattr(plan.score.parts, name), _said(ScoreParts, name)
    yield from _resource_rows(plan.kpis)


def _resource_rows(kpis: Kpis) -> Iterator[tuple[Value, ...]]:
    if kpis.shop is not None:
        for name in ShopKpis.model_fields:
            if name not in ("elements", "ratios"):
                yield "shop", None, name, getattr(kpis.shop, name), _said(ShopKpis, name)
        yield from _figures("shop", None, kpis.shop.elements, SHOP_ELEMENTS)
        yield from _figures("shop", None, kpis.shop.ratios, SHOP_FORMULAS)
    for machine in kpis.machines:
        yield from _figures("machine", machine.id, _uses(machine.seconds), _uses(SPINDLE_USES))
        alone = "unattended_cutting_seconds"
        yield "machine", machine.id, alone, machine.unattended_cutting_seconds, _said(MachineKpis, alone)
        yield from _figures("machine", machine.id, machine.elements, MACHINE_ELEMENTS)
        yield from _figures("machine", machine.id, machine.ratios, MACHINE_FORMULAS)
    for person in kpis.operators:
        told = {use: "Working time without a task." if use == "free" else f"Time on tasks of the kind {use}." for use in person.seconds}
        yield from _figures("operator", person.id, _uses(person.seconds), _uses(told))
        yield from _figures("operator", person.id, person.elements, OPERATOR_ELEMENTS)
        yield from _figures("operator", person.id, person.ratios, OPERATOR_FORMULAS)


def _uses(seconds: Mapping[str, T]) -> dict[str, T]:
    return {f"seconds.{use}": value for use, value in seconds.items()}


def _figures(of: str, resource: str | None, values: Mapping[str, float | None], meanings: Mapping[str, str]) -> Iterator[tuple[Value, ...]]:
    for name, value in values.items():
        yield of, resource, name, value, meanings.get(name, "")


def _said(model: type[BaseModel], name: str) -> str:
    return model.model_fields[name].description or ""


def _warning_rows(book: PlanBook) -> Iterator[tuple[Value, ...]]:
    if book.problem is not None:
        yield "failed", f"the plan could not be made: {book.problem}", None
    for warning in book.plan.warnings:
        yield warning.code, warning.detail, warning.pointer


PLAN_TABLES: Final[tuple[PlanTable, ...]] = (
    PlanTable("plan", "Plan", _columns(
        "start:at end:at kind operator machine plate fixture run pieces_held order op:n float_seconds:n overtime:yes frozen:yes id", Task,
    ), _plan_rows),
    PlanTable("load_windows", "Load windows", _columns(
        "operator start:at end:at earliest_start:at latest_end:at plate fixture pieces_held machine place_at:at run "
        "operator_name plate_name fixture_name notes", LoadWindow, Run,
    ), _window_rows),
    PlanTable("machines", "Machines", _columns(
        "machine start:at end:at kind operator plate fixture pieces_held run id name note", Task, Machine,
    ), _machine_rows),
    PlanTable("orders", "Orders", _columns(
        "id name part quantity:n start:at finish:at due:at late_seconds:n placed:yes runs:n why note", OrderResult, Order,
    ), _order_rows),
    PlanTable("runs", "Runs", _columns("id plate fixture machine order part op:n pieces:n", Run, RunPieces), _run_rows),
    PlanTable("kpis", "KPIs", _columns("of resource figure value:n meaning"), _kpi_rows),
    PlanTable("warnings", "Warnings", _columns("code detail pointer", Warning_), _warning_rows),
)
"""Every table of a plan, in the order of the sheets."""


def plan_table(name: str) -> PlanTable | None:
    """The table of that name."""
    return next((table for table in PLAN_TABLES if table.name == name), None)
