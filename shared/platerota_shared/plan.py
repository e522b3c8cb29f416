"""What comes out: the plan as callers get it. Instants are UTC seconds here and local text with offset in JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, WithJsonSchema

from platerota_shared.document import is_object
from platerota_shared.fields import Instant
from platerota_shared.kpi_formulas import (
    MACHINE_ELEMENTS,
    MACHINE_FORMULAS,
    OPERATOR_ELEMENTS,
    OPERATOR_FORMULAS,
    SHOP_ELEMENTS,
    SHOP_FORMULAS,
    SPINDLE_USES,
)

Kind = Literal["build", "load", "place", "setup", "cut", "pull", "unload", "first_article", "bench"]
Status = Literal["waiting", "solving", "ready", "failed", "stopped"]
Quality = Literal["optimal", "feasible"]


def _named(meanings: Mapping[str, str], value: dict[str, Any]) -> WithJsonSchema:
    """The schema of a map from the names in `meanings` to values of the schema `value`."""
    properties = {name: {**value, "description": meaning} for name, meaning in meanings.items()}
    return WithJsonSchema({"type": "object", "properties": properties, "additionalProperties": value})


_WHOLE: Final[dict[str, Any]] = {"type": "integer"}
_QUOTIENT: Final[dict[str, Any]] = {"anyOf": [{"type": "number"}, {"type": "null"}]}
Ratios = dict[str, float | None]


class Out(BaseModel):
    """A value of the answer."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, use_attribute_docstrings=True, json_schema_serialization_defaults_required=True,
    )


class ScoreParts(Out):
    """Points by part of the score."""

    late_hour: float = 0.0
    """Points for lateness."""
    finish_hour: float = 0.0
    """Points for the time until orders finish."""
    overtime_hour: float = 0.0
    """Points for overtime."""
    setup: float = 0.0
    """Points for setups."""
    makespan_hour: float = 0.0
    """Points for the time until the last order finishes."""
    moved_task: float = 0.0
    """Points for tasks moved against the plan that was replanned."""
    unplaced_order: float = 0.0
    """Points for orders that are not placed."""

    def total(self) -> float:
        """The sum of all parts, in points."""
        return (
            self.late_hour + self.finish_hour + self.overtime_hour + self.setup
            + self.makespan_hour + self.moved_task + self.unplaced_order
        )


class Score(Out):
    """Points in total, the bound no plan can beat, and the gap between them: (total − bound) ÷ total, 0 where total is 0."""

    total: float
    """The sum of all parts, points; less is better."""
    bound: float
    """Points that no plan can beat."""
    gap: float
    """(total − bound) ÷ total, from 0 to 1; 0 where total is 0."""
    parts: ScoreParts
    """The points by what they are for."""


class OrderResult(Out):
    """How one order fares; an unplaced order has no start, finish or lateness, and `why` names the resource in the way."""

    id: str
    """The order."""
    start: Instant | None
    """When its first load starts; null where the plan holds no load of it."""
    finish: Instant | None
    """When its last unload, first article, bench work and the wait after it have ended; null where it is not placed."""
    due: Instant
    """When it is due."""
    late_seconds: int | None
    """Seconds from due to finish, 0 where it is on time; null where it is not placed."""
    placed: bool
    """Whether the plan finishes it within the horizon."""
    runs: int
    """How many runs hold pieces of it."""
    why: str | None = None
    """Why it is late or not placed, one sentence; null where it is on time."""


class RunPieces(Out):
    """Pieces of one order and op in a run."""

    order: str
    """The order."""
    part: str
    """Its part."""
    op: int
    """The op that is cut."""
    pieces: int
    """How many pieces."""


class Run(Out):
    """One trip of a plate."""

    id: str
    """Readable, and unique in this plan."""
    plate: str
    """The plate."""
    fixture: str
    """The fixture on it."""
    machine: str | None
    """The machine that cuts it; null for a run that is pulled already."""
    pieces: tuple[RunPieces, ...]
    """What it holds."""


class TaskSpan(Out):
    """A stretch of a task that pauses."""

    start: Instant
    """When the stretch begins."""
    end: Instant
    """When it ends."""


class Task(Out):
    """One piece of work of a machine or a person."""

    id: str
    """Readable, and unique in this plan: R7.cut, R7.bench.20."""
    kind: Kind
    """What is done; first_article and bench follow the run, build precedes it."""
    run: str | None = None
    """The run it belongs to; null for a build."""
    operator: str | None = None
    """Who does it; null for a cut."""
    machine: str | None = None
    """Where: set on place, setup, cut and pull, and on loads and unloads of a plate that stays."""
    plate: str | None = None
    """The plate; null for setups, first articles and bench work."""
    start: Instant
    """When it starts."""
    end: Instant
    """When it ends."""
    order: str | None = None
    """The order, on first articles and bench work."""
    op: int | None = None
    """The op, on first articles and bench work."""
    fixture: str | None = None
    """The fixture, on builds and setups."""
    spans: tuple[TaskSpan, ...] | None = None
    """The stretches of work of a task that pauses; null where it is unbroken."""
    float_seconds: int = 0
    """Seconds that it may start later before any order finishes later, everyone and every sequence kept."""
    frozen: bool = False
    """Whether it was under way at `now` and goes on as it is."""
    overtime: bool = False
    """Whether it is done in an overtime shift."""


class Lane(Out):
    """The tasks of one resource by start: a row of a Gantt chart."""

    resource: Literal["machine", "plate", "operator"]
    """What kind of row it is."""
    id: str
    """The machine, plate or operator."""
    tasks: tuple[str, ...]
    """The ids of its tasks by start."""


class LoadWindow(Out):
    """The span in which a load may happen so that nothing waits."""

    operator: str
    """Who loads."""
    plate: str
    """The plate to load."""
    run: str
    """The run it is loaded for."""
    earliest_start: Instant
    """The first instant at which plate, pieces and operator are all free."""
    start: Instant
    """When the load is planned to start."""
    end: Instant
    """When the load is planned to end."""
    latest_end: Instant
    """When the load must have ended so that nothing waits."""
    machine: str | None
    """The machine that the plate goes into."""
    place_at: Instant
    """When it is placed; when its cut starts, for a plate that stays."""


class MachineKpis(Out):
    """Where a spindle's time goes, seconds by use from `now` to the shop's last task, and the ISO 22400-2 ratios."""

    id: str
    """The machine."""
    seconds: Annotated[dict[str, int], _named(SPINDLE_USES, _WHOLE)]
    """Seconds by use, from `now` to the shop's last task; every second counts once."""
    unattended_cutting_seconds: int
    """Seconds of cutting while nobody is in a shift."""
    elements: Annotated[dict[str, int], _named(MACHINE_ELEMENTS, _WHOLE)] = {}
    """What the ratios of ISO 22400-2 are made of, by the standard's names."""
    ratios: Annotated[Ratios, _named(MACHINE_FORMULAS, _QUOTIENT)]
    """Ratios of ISO 22400-2 and ours; null where the divisor is 0."""


class OperatorKpis(Out):
    """Where an operator's working time goes, seconds by kind of task, with `free` the rest."""

    id: str
    """The operator."""
    seconds: dict[str, int]
    """Seconds of tasks by their kind, and `free`: working time without a task."""
    elements: Annotated[dict[str, int], _named(OPERATOR_ELEMENTS, _WHOLE)] = {}
    """What the ratios of ISO 22400-2 are made of, by the standard's names."""
    ratios: Annotated[Ratios, _named(OPERATOR_FORMULAS, _QUOTIENT)]
    """Ratios of ISO 22400-2 and ours; null where the divisor is 0."""


class ShopKpis(Out):
    """Figures of the whole shop over `now` → last task."""

    seconds: int
    """Seconds from `now` to the last task's end."""
    orders: int
    """How many orders there are."""
    on_time_orders: int
    """How many of them are placed and not late."""
    on_time_share: float | None
    """on_time_orders ÷ orders, from 0 to 1; null where there are no orders."""
    late_seconds: int
    """Lateness of all placed orders together, seconds."""
    runs: int
    """How many runs there are."""
    pieces: int
    """Pieces that the plan unloads from their last op."""
    unattended_cutting_seconds: int
    """Seconds of cutting while nobody is in a shift, over all machines."""
    elements: Annotated[dict[str, int], _named(SHOP_ELEMENTS, _WHOLE)] = {}
    """What the ratios of ISO 22400-2 are made of, by the standard's names."""
    ratios: Annotated[Ratios, _named(SHOP_FORMULAS, _QUOTIENT)]
    """Ratios of ISO 22400-2 and ours; null where the divisor is 0."""


class Kpis(Out):
    """Figures by machine, by operator and for the shop."""

    machines: tuple[MachineKpis, ...] = ()
    """Figures of each machine."""
    operators: tuple[OperatorKpis, ...] = ()
    """Figures of each operator."""
    shop: ShopKpis | None = None
    """Figures of the shop; null before the first plan."""


class Warning_(Out):
    """Something a planner should know; never a refusal."""

    model_config = ConfigDict(title="Warning")

    code: str
    """The kind of warning."""
    detail: str
    """What a planner should know, in words."""
    pointer: str
    """Where in the request it comes from, a JSON pointer (RFC 6901); blank: the request as a whole."""


class Stage(Out):
    """What one stage of the solver reached: points, bound, and wall seconds since the start."""

    name: str
    """The stage of the optimiser."""
    seconds: float
    """Wall seconds from the start to its end; 0 in a repeatable solve."""
    total: float | None = None
    """Points of the best plan then."""
    bound: float | None = None
    """Points that no plan can beat, as far as known then."""
    detail: str = ""
    """More about it, in words; mostly blank."""


class OrderDecisions(Out):
    """How an order claims resources, where not plainly."""

    id: str
    """The order."""
    off_machines: tuple[str, ...] = ()
    """Machines that it keeps off."""
    off_plates: tuple[tuple[str, str], ...] = ()
    """Plates that it keeps off, each with the fixture on it."""
    habits: dict[str, int] = {}
    """How it takes its turns, fills its runs and fetches its plates: names and numbers of the optimiser's own."""


class Decisions(Out):
    """What the optimiser decided before anything had a time: a solve that starts from the plan goes on from here."""

    turns: tuple[str, ...]
    """Orders in the sequence in which they claim plates, machines and people; a long one has several turns."""
    orders: tuple[OrderDecisions, ...] = ()
    """Those that do not claim them plainly."""
    overtime: tuple[tuple[str, Instant], ...] = ()
    """Overtime that is open: the operator, and when it begins."""
    builds: tuple[tuple[str, str], ...] = ()
    """Builds that may be done: blank plate and fixture."""


class SolverReport(Out):
    """How the plan was found."""

    seconds: float
    """Wall seconds that it took; 0 in a repeatable solve."""
    seed: int
    """The seed it was given."""
    version: str | None = None
    """The version of platerota that made it: with it, a repeatable request gives the same plan again; null where it is not known."""
    stages: tuple[Stage, ...] = ()
    """What it went through."""
    decisions: Decisions | None = None
    """What was decided on the way, for solves that start from this plan; it need not lead to every task as it is; null: not known."""


class Plan(Out):
    """A checked, explained plan."""

    id: str = ""
    """The id of the plan; its address is /v1/plans/{id}."""
    status: Status = "ready"
    """How far it is: `ready`, `failed` and `stopped` are end states."""
    quality: Quality = "feasible"
    """`optimal`: proved that no plan is better; `feasible`: valid, and perhaps not the best."""
    now: Instant
    """When it begins."""
    timezone: str
    """The shop's timezone; every instant here is in it, with offset."""
    horizon_end: Instant
    """When it ends: `now` + horizon_days × 86,400 s; every task and finish lies inside."""
    score: Score
    """How good it is, in points."""
    orders: tuple[OrderResult, ...]
    """How each order fares, in the order of the input."""
    runs: tuple[Run, ...]
    """Every trip of a plate."""
    tasks: tuple[Task, ...]
    """Every piece of work of a machine or a person."""
    lanes: tuple[Lane, ...]
    """The rows of a Gantt chart: machines, then plates, then operators, each in the order of the input."""
    load_windows: tuple[LoadWindow, ...]
    """The span in which each load may happen."""
    kpis: Kpis
    """Key figures from `now` to the last task."""
    warnings: tuple[Warning_, ...] = ()
    """What a planner should know; never a refusal."""
    solver: SolverReport
    """How it was found."""

    def document(self) -> dict[str, Any]:
        """The plan as JSON-ready values, instants as local text with offset."""
        return self.model_dump(mode="json", context={"zone": ZoneInfo(self.timezone)})

    def text(self) -> str:
        """The plan as JSON text, the same bytes for the same plan."""
        return json.dumps(self.document(), ensure_ascii=False, separators=(",", ":"))

    @classmethod
    def from_document(cls, document: Any) -> Self:
        """Read a plan from JSON values.

        Raises
        ------
        pydantic.ValidationError
            Where the document is no plan.
        """
        name = document.get("timezone") if is_object(document) else None
        return cls.model_validate(document, context={"zone": ZoneInfo(name if isinstance(name, str) else "UTC")})
