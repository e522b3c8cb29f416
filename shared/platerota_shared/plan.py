"""What comes out: the plan, as contract.md lists it. Instants are UTC seconds here and local text with offset in JSON."""

from __future__ import annotations

import json
from typing import Any, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict

from platerota_shared.fields import Instant

Kind = Literal["build", "load", "place", "setup", "cut", "pull", "unload", "first_article", "bench"]
Status = Literal["waiting", "solving", "ready", "failed", "stopped"]
Quality = Literal["optimal", "feasible"]


class Out(BaseModel):
    """A value of the answer."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class ScoreParts(Out):
    """Points by part of the score."""

    late_hour: float = 0.0
    finish_hour: float = 0.0
    overtime_hour: float = 0.0
    setup: float = 0.0
    makespan_hour: float = 0.0
    moved_task: float = 0.0
    unplaced_order: float = 0.0

    def total(self) -> float:
        """The sum of all parts, in points."""
        return (
            self.late_hour + self.finish_hour + self.overtime_hour + self.setup
            + self.makespan_hour + self.moved_task + self.unplaced_order
        )


class Score(Out):
    """Points in total, the bound no plan can beat, and the gap between them: (total − bound) ÷ total, 0 where total is 0."""

    total: float
    bound: float
    gap: float
    parts: ScoreParts


class OrderResult(Out):
    """How one order fares; an unplaced order has no start, finish or lateness, and `why` names the resource in the way."""

    id: str
    start: Instant | None
    finish: Instant | None
    due: Instant
    late_seconds: int | None
    placed: bool
    runs: int
    why: str | None = None


class RunPieces(Out):
    """Pieces of one order and op in a run."""

    order: str
    part: str
    op: int
    pieces: int


class Run(Out):
    """One trip of a plate."""

    id: str
    plate: str
    fixture: str
    machine: str | None
    pieces: tuple[RunPieces, ...]


class TaskSpan(Out):
    """A stretch of a task that pauses."""

    start: Instant
    end: Instant


class Task(Out):
    """One piece of work of a machine or a person."""

    id: str
    kind: Kind
    run: str | None = None
    operator: str | None = None
    machine: str | None = None
    plate: str | None = None
    start: Instant
    end: Instant
    order: str | None = None
    op: int | None = None
    fixture: str | None = None
    spans: tuple[TaskSpan, ...] | None = None
    float_seconds: int = 0
    frozen: bool = False
    overtime: bool = False


class Lane(Out):
    """The tasks of one resource by start: a row of a Gantt chart."""

    resource: Literal["machine", "plate", "operator"]
    id: str
    tasks: tuple[str, ...]


class LoadWindow(Out):
    """The span in which a load may happen so that nothing waits."""

    operator: str
    plate: str
    run: str
    earliest_start: Instant
    start: Instant
    end: Instant
    latest_end: Instant
    machine: str | None
    place_at: Instant


class MachineKpis(Out):
    """Where a spindle's time goes, seconds by use from `now` to the shop's last task, and the ISO 22400-2 ratios."""

    id: str
    seconds: dict[str, int]
    unattended_cutting_seconds: int
    ratios: dict[str, float | None]


class OperatorKpis(Out):
    """Where an operator's working time goes, seconds by kind of task, with `free` the rest."""

    id: str
    seconds: dict[str, int]
    ratios: dict[str, float | None]


class ShopKpis(Out):
    """Figures of the whole shop over `now` → last task."""

    seconds: int
    orders: int
    on_time_orders: int
    on_time_share: float | None
    late_seconds: int
    runs: int
    pieces: int
    unattended_cutting_seconds: int
    ratios: dict[str, float | None]


class Kpis(Out):
    """Figures by machine, by operator and for the shop."""

    machines: tuple[MachineKpis, ...] = ()
    operators: tuple[OperatorKpis, ...] = ()
    shop: ShopKpis | None = None


class Warning_(Out):
    """Something a planner should know; never a refusal."""

    code: str
    detail: str
    pointer: str


class Stage(Out):
    """What one stage of the solver reached: points, bound, and wall seconds since the start."""

    name: str
    seconds: float
    total: float | None = None
    bound: float | None = None
    detail: str = ""


class SolverReport(Out):
    """How the plan was found."""

    seconds: float
    seed: int
    stages: tuple[Stage, ...] = ()


class Plan(Out):
    """A checked, explained plan."""

    id: str = ""
    status: Status = "ready"
    quality: Quality = "feasible"
    now: Instant
    timezone: str
    horizon_end: Instant
    score: Score
    orders: tuple[OrderResult, ...]
    runs: tuple[Run, ...]
    tasks: tuple[Task, ...]
    lanes: tuple[Lane, ...]
    load_windows: tuple[LoadWindow, ...]
    kpis: Kpis
    warnings: tuple[Warning_, ...] = ()
    solver: SolverReport

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
        zone = ZoneInfo(document["timezone"]) if isinstance(document, dict) and isinstance(document.get("timezone"), str) else ZoneInfo("UTC")
        return cls.model_validate(document, context={"zone": zone})
