"""What two plans of a shop differ in, as callers get it."""

from __future__ import annotations

import json
from typing import Any, Literal
from zoneinfo import ZoneInfo

from platerota_shared.fields import Instant
from platerota_shared.plan import Kind, Out


class Figure(Out):
    """A figure of both plans."""

    base: float
    """In the base."""
    plan: float
    """In the plan."""
    change: float
    """plan − base."""


class ScoreDifference(Out):
    """The score of both plans."""

    comparable: bool
    """Whether both begin at the same `now` with the same points per unit; if not, the totals measure different things."""
    total: Figure
    """Points without `moved_task`, which each of the two plans counts against the plan that it replans, if any; less is better."""
    parts: dict[str, Figure]
    """Points by what they are for: every part of the score by its name."""


OrderChange = Literal["later", "earlier", "unplaced", "placed"]


class OrderDifference(Out):
    """An order of both plans that finishes at another time, or is placed in one of them only."""

    id: str
    """The order."""
    name: str | None
    """What people call it."""
    change: OrderChange
    """`later` or `earlier`; `unplaced`: it was placed in the base; `placed`: it was not."""
    weight: float
    """Its weight in the plan."""
    base_finish: Instant | None
    """When it finishes in the base; null where it is not placed."""
    finish: Instant | None
    """When it finishes in the plan; null where it is not placed."""
    finish_seconds: int | None
    """Seconds that it finishes later, negative: earlier; null where it is not placed in both."""
    base_late_seconds: int | None
    """How late it was, seconds; null where it is not placed."""
    late_seconds: int | None
    """How late it is, seconds; null where it is not placed."""
    pain: float | None
    """weight × hours that it gets later beyond its due date, negative: relief; null where it is not placed in both."""
    changed: tuple[str, ...]
    """Fields of the order that the two requests give differently: quantity, due, weight, release …"""
    why: str | None
    """Why it is late or not placed, as the plan says."""


class OrderPlace(Out):
    """An order that only one of the two plans has."""

    id: str
    """The order."""
    name: str | None
    """What people call it."""
    finish: Instant | None
    """When it finishes where it is; null where it is not placed."""
    late_seconds: int | None
    """How late it is there, seconds; null where it is not placed."""


class OrderDifferences(Out):
    """Orders by what became of them."""

    worse: tuple[OrderDifference, ...]
    """Unplaced ones first, then later ones by pain, then by weight × seconds later; the worst first."""
    better: tuple[OrderDifference, ...]
    """Placed ones first, then earlier ones by relief, then by weight × seconds earlier; the best first."""
    new: tuple[OrderPlace, ...]
    """Orders that only the plan has."""
    gone: tuple[OrderPlace, ...]
    """Orders that only the base has, not finished there when the plan begins."""
    done: tuple[str, ...]
    """Orders that the base finishes by the plan's `now`, and that the plan does not have any more."""
    stayed: tuple[str, ...]
    """Orders that finish within 60 s of when they did, or are unplaced in both."""


TaskChange = Literal["moved", "gone", "new"]


class TaskDifference(Out):
    """A task that is elsewhere, gone or new."""

    change: TaskChange
    """What became of it."""
    kind: Kind
    """What is done."""
    base_task: str | None
    """Its id in the base; null where it is new."""
    task: str | None
    """Its id in the plan; null where it is gone."""
    changed: tuple[str, ...]
    """What differs, where it moved: start, plate, machine, operator."""
    base_start: Instant | None
    """When it starts in the base; null where it is new."""
    start: Instant | None
    """When it starts in the plan; null where it is gone."""
    seconds: int | None
    """Seconds that it starts later, negative: earlier; null where it is new or gone."""
    orders: tuple[str, ...]
    """The orders whose pieces it works on; none for a build."""
    plate: str | None
    """The plate, in the plan where it is there."""
    machine: str | None
    """The machine, in the plan where it is there."""
    operator: str | None
    """Who does it, in the plan where it is there."""
    reason: str
    """Why, one sentence: a closure, another order, its own run, somebody or something that is busy then or free earlier; where nothing
    of these is in its way, it says so.
    """


class TaskDifferences(Out):
    """Tasks by what became of them."""

    kept: int
    """Tasks of the base that the plan keeps: the same work, people and places within 60 s."""
    done: int
    """Tasks of the base that are done when the plan begins."""
    moved_for_score: int
    """Tasks that the score counts as moved when the base is replanned."""
    kept_runs: int
    """Runs of the plan of which every task that the base has too is kept."""
    runs: int
    """Runs of the plan."""
    rows: tuple[TaskDifference, ...]
    """Tasks that moved, are gone or are new, by their start (in the base, where they are gone)."""


class ResourceHours(Out):
    """The time of one machine or operator in both plans, from the later `now` on."""

    resource: Literal["machine", "operator"]
    """What it is."""
    id: str
    """The machine or operator; one that only one of the requests has does nothing in the other."""
    busy_seconds: Figure
    """Cutting seconds of a machine, seconds of tasks of an operator."""
    overtime_seconds: Figure
    """Seconds of tasks where only overtime shifts cover; 0 for machines."""


class MoneyDifference(Out):
    """Money in both plans, from the later `now` on; only where both requests give hour costs."""

    plan: Figure
    """The whole plan."""
    orders: dict[str, Figure]
    """Order -> what it costs; orders of either plan whose costs differ by a cent or more."""
    overtime: Figure
    """Overtime where a shift called in is paid whole."""


class Differences(Out):
    """What a plan does differently from a base."""

    base: str
    """The id of the base."""
    plan: str
    """The id of the plan."""
    base_now: Instant
    """When the base begins."""
    now: Instant
    """When the plan begins."""
    timezone: str
    """The plan's timezone; every instant here is in it, with offset."""
    score: ScoreDifference
    """Points by part."""
    orders: OrderDifferences
    """What became of the orders."""
    tasks: TaskDifferences
    """What became of the tasks."""
    hours: tuple[ResourceHours, ...]
    """Machines, then operators, in the order of the plan's request, then those that only the base has."""
    spindle_seconds: Figure
    """Cutting seconds of all machines, from the later `now` on."""
    operator_seconds: Figure
    """Seconds of tasks of all operators, from the later `now` on."""
    overtime_seconds: Figure
    """Seconds of tasks where only overtime shifts cover, from the later `now` on."""
    setups: Figure
    """Setups that end after the later `now`."""
    money: MoneyDifference | None
    """Money; null where one of the requests gives no hour costs."""

    def document(self) -> dict[str, Any]:
        """The differences as JSON-ready values, instants as local text with offset."""
        return self.model_dump(mode="json", context={"zone": ZoneInfo(self.timezone)})

    def text(self) -> str:
        """The same as JSON text."""
        return json.dumps(self.document(), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
