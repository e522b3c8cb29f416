"""The objects of IEC 62264 (ISA-95) that a plan is exported as, with the standard's names.

Operations schedule and request, segment requirement and the resource requirements are of part 2, work schedule, work request, job
order and work calendar of part 4. Names and shapes follow B2MML, the public schemas of the standard, quoted from memory: nobody
has checked an export against these schemas yet. Every instant is UTC, RFC 3339 with Z.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, WithJsonSchema
from pydantic.alias_generators import to_pascal

Utc = Annotated[
    str, WithJsonSchema({"type": "string", "format": "date-time", "pattern": "Z$", "examples": ["2027-03-01T06:00:00Z"]}),
]
ScheduleState = Literal["Forecast", "Released"]
WorkType = Literal["Production", "Quality"]


def _standard_name(name: str) -> str:
    """``segment_id`` as the standard writes it: ``SegmentID``."""
    pascal = to_pascal(name)
    return f"{pascal[:-2]}ID" if pascal.endswith("Id") else pascal


class Standard(BaseModel):
    """An object of the standard; what is null is left out of the JSON."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, use_attribute_docstrings=True, alias_generator=_standard_name, validate_by_name=True,
    )


class Value(Standard):
    """A value with its type and unit."""

    value_string: str
    """The value as text."""
    data_type: Literal["string", "integer", "decimal", "boolean", "dateTime"]
    """How the text is read."""
    unit_of_measure: str | None = None
    """The unit: `s` for seconds; left out where there is none."""


class Quantity(Standard):
    """A number of things."""

    quantity_string: str
    """The number as text."""
    data_type: Literal["integer"] = "integer"
    """How the text is read."""
    unit_of_measure: Literal["piece"] = "piece"
    """What is counted."""


class Parameter(Standard):
    """A parameter that the standard leaves to those who exchange: its name and value."""

    id: str
    """Its name; `/docs/erp-exchange` lists them."""
    value: Value
    """Its value."""


class PersonnelRequirement(Standard):
    """An operator."""

    personnel_class_id: str | None = None
    """The skill that the work needs; left out where several works are summed up."""
    person_id: str
    """The operator."""


class EquipmentRequirement(Standard):
    """A machine."""

    equipment_id: str
    """The machine."""


class PhysicalAssetRequirement(Standard):
    """A plate or a fixture."""

    physical_asset_class_id: Literal["plate", "fixture"]
    """Which of the two it is."""
    physical_asset_id: str
    """The plate, or the fixture."""


class MaterialRequirement(Standard):
    """Pieces of one part."""

    material_definition_id: str
    """The part."""
    material_use: Literal["Consumed", "Produced"]
    """`Consumed`: loaded; `Produced`: unloaded, or the result of an op."""
    quantity: Quantity
    """How many pieces."""
    material_requirement_property: tuple[Parameter, ...] = ()
    """`SegmentRequirementID`: the segment requirement, an order's op, that they belong to."""


class SegmentRequirement(Standard):
    """One op of an order."""

    id: str
    """Order and op: `A-1042.10`."""
    operations_type: WorkType = "Production"
    """Always production."""
    process_segment_id: str
    """The op's number; the ops of a part run in ascending order."""
    operations_definition_id: str
    """The part."""
    earliest_start_time: Utc | None = None
    """When its first task in the plan starts; left out where the plan holds none."""
    latest_end_time: Utc | None = None
    """When its last task ends; left out likewise."""
    segment_parameter: tuple[Parameter, ...] = ()
    """`WorkRequestID`, once for each run that holds pieces of it; at the last op what the whole order asks and gets."""
    personnel_requirement: tuple[PersonnelRequirement, ...] = ()
    """Every operator with a task in it."""
    equipment_requirement: tuple[EquipmentRequirement, ...] = ()
    """Every machine that cuts it."""
    physical_asset_requirement: tuple[PhysicalAssetRequirement, ...] = ()
    """Every plate and fixture that holds it."""
    material_requirement: tuple[MaterialRequirement, ...] = ()
    """The pieces that the plan makes of it."""


class OperationsRequest(Standard):
    """An order."""

    id: str
    """The order."""
    description: str | None = None
    """Its name and note."""
    operations_type: WorkType = "Production"
    """Always production."""
    start_time: Utc | None = None
    """When its first load starts; left out where the plan holds none."""
    end_time: Utc | None = None
    """When it is finished; left out where it is not placed. When it is due stands at its last op, as `Due`."""
    priority: str
    """Its weight: how much its lateness counts."""
    segment_requirement: tuple[SegmentRequirement, ...]
    """Its ops in ascending order."""


class OperationsSchedule(Standard):
    """A plan: what becomes of every order."""

    id: str
    """The plan."""
    operations_type: WorkType = "Production"
    """Always production."""
    start_time: Utc
    """When the plan begins."""
    end_time: Utc
    """The end of its horizon."""
    schedule_state: ScheduleState
    """`Forecast` until the plan is released."""
    operations_request: tuple[OperationsRequest, ...]
    """Every order, in the order of the request."""


class JobOrder(Standard):
    """A task."""

    id: str
    """The task."""
    work_type: WorkType
    """`Quality` for a first article, else production."""
    work_master_id: str
    """The kind of task: build, load, place, setup, cut, pull, unload, first_article, bench."""
    start_time: Utc
    """When it starts."""
    end_time: Utc
    """When it ends."""
    job_order_parameter: tuple[Parameter, ...] = ()
    """Float, whether it is frozen or overtime, the stretches of one that pauses, the load window of a load, the op of bench work."""
    personnel_requirement: tuple[PersonnelRequirement, ...] = ()
    """Who does it; none for a cut."""
    equipment_requirement: tuple[EquipmentRequirement, ...] = ()
    """The machine, where it is at one."""
    physical_asset_requirement: tuple[PhysicalAssetRequirement, ...] = ()
    """Plate and fixture."""
    material_requirement: tuple[MaterialRequirement, ...] = ()
    """The pieces that are loaded, or unloaded."""


class WorkRequest(Standard):
    """A run of a plate with its tasks, or a build."""

    id: str
    """The run, or the build's task."""
    start_time: Utc
    """When its first task starts."""
    end_time: Utc
    """When its last task ends."""
    job_order: tuple[JobOrder, ...]
    """Its tasks by start."""


class WorkSchedule(Standard):
    """The same plan in detail: who and what works at which minute."""

    id: str
    """The plan."""
    start_time: Utc
    """When the plan begins."""
    end_time: Utc
    """The end of its horizon."""
    schedule_state: ScheduleState
    """As that of the operations schedule."""
    work_request: tuple[WorkRequest, ...]
    """Every run, then every build."""


class WorkCalendarEntry(Standard):
    """A stretch of an operator's working time."""

    id: str
    """Operator and number."""
    start_date_time: Utc
    """When it begins."""
    finish_date_time: Utc
    """When it ends."""
    entry_type: Literal["Working", "Overtime"]
    """Whether a regular shift covers it, or only an overtime shift."""


class WorkCalendar(Standard):
    """The working time of one operator over the plan's horizon: shifts less breaks and closures."""

    id: str
    """The operator."""
    description: str | None = None
    """The operator's name and note."""
    work_calendar_entry: tuple[WorkCalendarEntry, ...]
    """The stretches by start."""


class ScheduleDocument(Standard):
    """A plan under the names of IEC 62264: orders and ops (part 2), runs and tasks (part 4), working time."""

    operations_schedule: OperationsSchedule
    """The orders and their ops."""
    work_schedule: WorkSchedule
    """The runs and their tasks."""
    work_calendar: tuple[WorkCalendar, ...]
    """Every operator."""
