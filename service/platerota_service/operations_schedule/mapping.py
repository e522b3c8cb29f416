"""From a request and its plan to the objects of IEC 62264; pages/erp-exchange.md shows the mapping as a table."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, Final

from platerota_service.operations_schedule.standard import (
    EquipmentRequirement,
    JobOrder,
    MaterialRequirement,
    OperationsRequest,
    OperationsSchedule,
    Parameter,
    PersonnelRequirement,
    PhysicalAssetRequirement,
    Quantity,
    ScheduleDocument,
    ScheduleState,
    SegmentRequirement,
    Value,
    WorkCalendar,
    WorkCalendarEntry,
    WorkRequest,
    WorkSchedule,
)
from platerota_shared.calendars import working_spans
from platerota_shared.fields import Skill
from platerota_shared.plan import Kind, OrderResult, Plan, Run, RunPieces, Task
from platerota_shared.tables import NamedRow, Order, PlanRequest

_SKILL: Final[dict[Kind, Skill]] = {
    "build": "build", "load": "load", "place": "exchange", "setup": "setup", "pull": "exchange", "unload": "unload",
    "first_article": "first_article", "bench": "bench",
}
_ON_PLATE: Final[frozenset[Kind]] = frozenset({"load", "place", "cut", "pull", "unload"})


def operations_schedule(request: PlanRequest, plan: Plan, state: ScheduleState = "Forecast") -> dict[str, Any]:
    """The plan as JSON values under the standard's names, every instant UTC.

    Parameters
    ----------
    request
        What the plan was made from.
    plan
        A plan of that request.
    state
        Whether the plan is released to the floor.
    """
    return _Mapping(request, plan).document(state).model_dump(mode="json", by_alias=True, exclude_none=True)


class _Mapping:
    """One plan with what is looked up in it again and again."""

    def __init__(self, request: PlanRequest, plan: Plan) -> None:
        self._request, self._plan = request, plan
        self._runs = {run.id: run for run in plan.runs}
        self._results = {result.id: result for result in plan.orders}
        self._windows = {window.run: window for window in plan.load_windows}
        self._tasks: dict[str, list[Task]] = defaultdict(list)
        for task in plan.tasks:
            self._tasks[task.run if task.run is not None else task.id].append(task)
        self._held: dict[tuple[str, int], list[tuple[Run, RunPieces]]] = defaultdict(list)
        for run in plan.runs:
            for held in run.pieces:
                self._held[held.order, held.op].append((run, held))
        self._ops: dict[str, list[int]] = defaultdict(list)
        for row in sorted(request.shop.operations, key=lambda row: row.op):
            self._ops[row.part].append(row.op)

    def document(self, state: ScheduleState) -> ScheduleDocument:
        """The whole export."""
        plan, begin, end = self._plan, utc(self._plan.now), utc(self._plan.horizon_end)
        builds = [task.id for task in plan.tasks if task.run is None]
        return ScheduleDocument(
            operations_schedule=OperationsSchedule(
                id=plan.id, start_time=begin, end_time=end, schedule_state=state,
                operations_request=tuple(self._order(order) for order in self._request.orders),
            ),
            work_schedule=WorkSchedule(
                id=plan.id, start_time=begin, end_time=end, schedule_state=state,
                work_request=tuple(self._work_request(name) for name in (*self._runs, *builds)),
            ),
            work_calendar=tuple(self._calendar(operator) for operator in self._request.shop.operators),
        )

    def _order(self, order: Order) -> OperationsRequest:
        result = self._results[order.id]
        return OperationsRequest(
            id=order.id, description=_described(order), priority=f"{order.weight:g}",
            start_time=utc(result.start) if result.start is not None else None,
            end_time=utc(result.finish) if result.finish is not None else None,
            segment_requirement=tuple(self._segment(order, result, op) for op in self._ops[order.part]),
        )

    def _segment(self, order: Order, result: OrderResult, op: int) -> SegmentRequirement:
        held = self._held[order.id, op]
        tasks = [task for run, _ in held for task in self._tasks[run.id] if _of(task, order.id, op, run)]
        whole = _order_parameters(order, result) if op == self._ops[order.part][-1] else ()
        pieces = sum(pieces.pieces for _, pieces in held)
        return SegmentRequirement(
            id=_segment_id(order.id, op), process_segment_id=str(op), operations_definition_id=order.part,
            earliest_start_time=utc(min(task.start for task in tasks)) if tasks else None,
            latest_end_time=utc(max(task.end for task in tasks)) if tasks else None,
            segment_parameter=(*(_text("WorkRequestID", run.id) for run, _ in held), *whole),
            personnel_requirement=tuple(PersonnelRequirement(person_id=name) for name in _each(task.operator for task in tasks)),
            equipment_requirement=tuple(EquipmentRequirement(equipment_id=name) for name in _each(run.machine for run, _ in held)),
            physical_asset_requirement=(
                *(_asset("plate", name) for name in _each(run.plate for run, _ in held)),
                *(_asset("fixture", name) for name in _each(run.fixture for run, _ in held)),
            ),
            material_requirement=(
                MaterialRequirement(
                    material_definition_id=order.part, material_use="Produced", quantity=Quantity(quantity_string=str(pieces)),
                ),
            ),
        )

    def _work_request(self, name: str) -> WorkRequest:
        tasks = sorted(self._tasks[name], key=lambda task: (task.start, task.end))
        return WorkRequest(
            id=name, start_time=utc(min(task.start for task in tasks)), end_time=utc(max(task.end for task in tasks)),
            job_order=tuple(self._job(task) for task in tasks),
        )

    def _job(self, task: Task) -> JobOrder:
        run = self._runs.get(task.run) if task.run is not None else None
        fixture = run.fixture if run is not None and task.kind in _ON_PLATE else task.fixture
        assets = (*([_asset("plate", task.plate)] if task.plate else ()), *([_asset("fixture", fixture)] if fixture else ()))
        return JobOrder(
            id=task.id, work_type="Quality" if task.kind == "first_article" else "Production", work_master_id=task.kind,
            start_time=utc(task.start), end_time=utc(task.end), job_order_parameter=tuple(self._job_parameters(task)),
            personnel_requirement=(_person(task.kind, task.operator),) if task.operator is not None else (),
            equipment_requirement=(EquipmentRequirement(equipment_id=task.machine),) if task.machine is not None else (),
            physical_asset_requirement=assets, material_requirement=tuple(_pieces(task, run)) if run is not None else (),
        )

    def _job_parameters(self, task: Task) -> Iterable[Parameter]:
        yield _seconds("Float", task.float_seconds)
        yield _flag("Frozen", task.frozen)
        yield _flag("Overtime", task.overtime)
        for span in task.spans or ():
            yield _instant("SpanStart", span.start)
            yield _instant("SpanEnd", span.end)
        if task.order is not None and task.op is not None:
            yield _text("SegmentRequirementID", _segment_id(task.order, task.op))
        window = self._windows.get(task.run or "") if task.kind == "load" else None
        if window is not None:
            yield _instant("WindowEarliestStart", window.earliest_start)
            yield _instant("WindowLatestEnd", window.latest_end)
            yield _instant("PlaceAt", window.place_at)

    def _calendar(self, operator: NamedRow) -> WorkCalendar:
        shop, plan = self._request.shop, self._plan
        spans = sorted(
            (span, overtime) for overtime in (False, True)
            for span in working_spans(shop, operator.id, plan.now, plan.horizon_end, overtime=overtime)
        )
        return WorkCalendar(
            id=operator.id, description=_described(operator),
            work_calendar_entry=tuple(
                WorkCalendarEntry(
                    id=f"{operator.id}.{number}", start_date_time=utc(begin), finish_date_time=utc(end),
                    entry_type="Overtime" if overtime else "Working",
                )
                for number, ((begin, end), overtime) in enumerate(spans, 1)
            ),
        )


def utc(seconds: int) -> str:
    """An instant in UTC seconds as RFC 3339 text with Z."""
    return datetime.fromtimestamp(seconds, UTC).isoformat().replace("+00:00", "Z")


def _of(task: Task, order: str, op: int, run: Run) -> bool:
    """Whether a task of a run belongs to that order and op: the trip and setup to all pieces of the run, bench work to its own."""
    return run.id == task.run and (task.order is None or (task.order, task.op) == (order, op))


def _order_parameters(order: Order, result: OrderResult) -> tuple[Parameter, ...]:
    """What the whole order asks for and gets."""
    late = [_seconds("Late", result.late_seconds)] if result.late_seconds is not None else []
    why = [_text("Why", result.why)] if result.why is not None else []
    release = [_instant("Release", order.release)] if order.release is not None else []
    quantity = Parameter(id="Quantity", value=Value(value_string=str(order.quantity), data_type="integer", unit_of_measure="piece"))
    return (quantity, *release, _instant("Due", order.due), _flag("Placed", result.placed), *late, *why)


def _pieces(task: Task, run: Run) -> Iterable[MaterialRequirement]:
    """The pieces that a load puts on the plate and an unload takes off."""
    if task.kind not in ("load", "unload"):
        return
    for held in run.pieces:
        yield MaterialRequirement(
            material_definition_id=held.part, material_use="Consumed" if task.kind == "load" else "Produced",
            quantity=Quantity(quantity_string=str(held.pieces)),
            material_requirement_property=(_text("SegmentRequirementID", _segment_id(held.order, held.op)),),
        )


def _segment_id(order: str, op: int) -> str:
    return f"{order}.{op}"


def _person(kind: Kind, operator: str) -> PersonnelRequirement:
    return PersonnelRequirement(personnel_class_id=_SKILL[kind], person_id=operator)


def _asset(kind: str, name: str) -> PhysicalAssetRequirement:
    return PhysicalAssetRequirement.model_validate({"PhysicalAssetClassID": kind, "PhysicalAssetID": name})


def _described(row: NamedRow) -> str | None:
    return ": ".join(text for text in (row.name, row.note) if text) or None


def _each(names: Iterable[str | None]) -> list[str]:
    """Every name once, in the order of coming."""
    return list(dict.fromkeys(name for name in names if name is not None))


def _text(name: str, value: str) -> Parameter:
    return Parameter(id=name, value=Value(value_string=value, data_type="string"))


def _flag(name: str, value: bool) -> Parameter:
    return Parameter(id=name, value=Value(value_string="true" if value else "false", data_type="boolean"))


def _seconds(name: str, value: int) -> Parameter:
    return Parameter(id=name, value=Value(value_string=str(value), data_type="integer", unit_of_measure="s"))


def _instant(name: str, value: int) -> Parameter:
    return Parameter(id=name, value=Value(value_string=utc(value), data_type="dateTime"))
