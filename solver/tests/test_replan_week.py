"""The demo week on Tuesday at ten: a mill breaks, an operator is ill, pieces are scrap; the rest of the week is planned anew."""

from __future__ import annotations

import json
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from platerota_shared import Plan, PlanRequest, read_request
from platerota_shared.audit import audit
from platerota_shared.differences import Differences, differences
from platerota_shared.moves import moved_tasks
from platerota_shared.plan import Task
from platerota_shared.replanning import Replanning, floor_at
from platerota_shared.starts import Start
from platerota_solver import solve

WEEK = Path(__file__).parents[2] / "service" / "platerota_service" / "demo" / "week_basic.json"
TUESDAY, THURSDAY = "2027-03-02T10:00:00", "2027-03-04T06:00:00"
BROKEN = {"machine": "M2", "until": THURSDAY, "reason": "spindle bearing"}
ILL = {"operator": "Rui", "until": THURSDAY, "reason": "ill"}
HOUR = 3_600
Raw = dict[str, Any]


class Week(NamedTuple):
    document: Raw
    request: PlanRequest
    plan: Plan


class Replan(NamedTuple):
    """A replan of the week, and what it does differently."""

    floor: Replanning
    plan: Plan
    found: Differences

    def tasks_of(self, what: str, name: str, until: int) -> list[Task]:
        """What a machine or operator begins before an instant."""
        return [task for task in self.plan.tasks if getattr(task, what) == name and task.start < until]


@pytest.fixture(scope="module")
def week() -> Week:
    """The demo week and a plan of it, found with counted work so that it is the same every time."""
    document = json.loads(WEEK.read_text("utf-8"))
    document["settings"] |= {"solve_seconds": 0.5, "repeatable": True}
    request = read_request(document)
    plan = solve(request)
    assert audit(request, plan) == []
    return Week(document, request, plan)


def replanned(week: Week, happened: Any = None, now: str = TUESDAY, moved_task: float = 2.0) -> Replan:
    """A replan of the week at `now`, audited; each moved task costs that many points."""
    document = week.document | {"settings": week.document["settings"] | {"score": {"moved_task": moved_task}}}
    floor = floor_at(document, week.plan, now, happened)
    plan = solve(floor.request, start=Start(week.plan, counts_moves=True, frozen_until=floor.request.now + HOUR))
    assert audit(floor.request, plan, week.plan) == []
    found = differences(week.request, week.plan, floor.request, plan)
    assert found.tasks.moved_for_score * floor.request.settings.score.moved_task == plan.score.parts.moved_task
    assert all(row.reason for row in found.tasks.rows)
    return Replan(floor, plan, found)


def standing_still(week: Week) -> list[Task]:
    """The cuts under way on the mill when it breaks."""
    now = floor_at(week.document, week.plan, TUESDAY).request.now
    return [task for task in week.plan.tasks if task.machine == "M2" and task.kind == "cut" and task.start < now < task.end]


def first_cut(week: Week) -> tuple[Task, str]:
    """The first cut that the mill begins on Tuesday after ten, and a minute into it: no plate is on its way to the mill then."""
    tuesday = floor_at(week.document, week.plan, TUESDAY).request.now
    cuts = [task for task in week.plan.tasks if task.machine == "M2" and task.kind == "cut" and task.start > tuesday]
    standing = min(cuts, key=lambda task: task.start)
    return standing, datetime.fromtimestamp(standing.start + 60, UTC).isoformat()


def thursday(replan: Replan) -> int:
    return next(row.end for row in replan.floor.request.shop.closures if row.reason in (BROKEN["reason"], ILL["reason"]))


def pieces(plan: Plan) -> Counter[tuple[str, int]]:
    """Pieces by order and op that the runs of a plan hold."""
    found: Counter[tuple[str, int]] = Counter()
    for run in plan.runs:
        found.update({(row.order, row.op): row.pieces for row in run.pieces})
    return found


def test_a_mill_breaks_until_thursday(week: Week) -> None:
    replan = replanned(week, {"closed": [BROKEN]})
    assert replan.tasks_of("machine", "M2", thursday(replan)) == []
    assert any(task.machine == "M2" for task in replan.plan.tasks)
    stands = [note.detail for note in replan.floor.notes if note.code == "cut-again"]
    words = "stands still; it is cut again, whole, when it can go on: look at pieces, clamps and tool first"
    assert stands == [f"the cut of run {task.run} {words}" for task in standing_still(week)]
    others = {task.machine: task.end for task in week.plan.tasks if task.kind == "cut" and task.start < replan.plan.now < task.end}
    others.pop("M2", None)
    assert {task.machine: task.end for task in replan.plan.tasks if task.kind == "cut" and task.frozen} == others
    reasons = {row.reason for row in replan.found.tasks.rows if row.kind == "cut" and row.machine == "M2"}
    assert "M2 is closed then: spindle bearing" in reasons


def test_a_plate_taken_out_of_the_broken_mill_is_cut_on_another(week: Week) -> None:
    standing, now = first_cut(week)
    replan = replanned(week, {"closed": [BROKEN], "runs": [{"run": standing.run, "stage": "loaded"}]}, now)
    (run,) = (run for run in replan.plan.runs if run.plate == standing.plate and not any(
        task.kind == "load" and task.run == run.id for task in replan.plan.tasks))
    assert run.machine == "M3"
    assert all(note.code != "cut-again" for note in replan.floor.notes)


@pytest.mark.parametrize("now", ["2027-03-01T07:00:00", TUESDAY, "2027-03-02T10:05:00", "2027-03-03T06:00:00"])
def test_where_all_goes_as_planned_nothing_moves(week: Week, now: str) -> None:
    """At seven, at ten and at five past Ines is at a plate, at six on Wednesday nobody is."""
    replan = replanned(week, now=now)
    assert replan.found.tasks.moved_for_score == 0
    assert replan.plan.score.parts.moved_task == 0


@pytest.mark.parametrize("cuts", [True, False])
def test_what_starts_within_the_hour_stays_where_it_can(week: Week, *, cuts: bool) -> None:
    """While the mill cuts, and while a plate is on its way to it: that one finds its place around what starts on the others."""
    replan = replanned(week, {"closed": [BROKEN]}, first_cut(week)[1] if cuts else TUESDAY)
    soon, touched = replan.plan.now + HOUR, {task.run for task in week.plan.tasks if task.machine == "M2"}
    assert any(replan.plan.now <= task.start < soon and task.run not in touched for task in week.plan.tasks)
    moved = [move.task for move in moved_tasks(week.plan, replan.plan)]
    assert [task.id for task in moved if task.start < soon and task.run not in touched] == []


def test_a_mill_that_is_down_for_two_hours_leaves_the_rest_of_the_week_alone(week: Week) -> None:
    """Fewer than one in seven of the tasks that have nothing to do with that mill and its time are moved."""
    replan = replanned(week, {"closed": [BROKEN | {"until": "2027-03-02T12:00:00"}]}, moved_task=10.0)
    now = replan.plan.now
    touched = {task.run for task in week.plan.tasks if task.machine == "M2" and now - HOUR < task.start < now + 3 * HOUR}
    free = {task.id for task in week.plan.tasks if task.start >= now and task.run not in touched}
    moved = [move.task.id for move in moved_tasks(week.plan, replan.plan) if move.task.id in free]
    assert len(moved) < len(free) / 7, (len(moved), len(free))


def test_an_operator_is_ill_until_thursday(week: Week) -> None:
    replan = replanned(week, {"closed": [ILL]})
    assert replan.tasks_of("operator", "Rui", thursday(replan)) == []
    assert "Rui is away then: ill" in {row.reason for row in replan.found.tasks.rows}


def test_pieces_that_are_scrap_are_made_again(week: Week) -> None:
    as_planned = floor_at(week.document, week.plan, TUESDAY)
    before = next(row for row in as_planned.request.floor.pieces if row.pieces > 1)
    replan = replanned(week, {"pieces": [{"order": before.order, "op": before.op, "pieces": before.pieces - 2}]})
    plain = replanned(week)
    more = pieces(replan.plan)
    more.subtract(pieces(plain.plan))
    part = next(order.part for order in week.request.orders if order.id == before.order)
    ops = [row.op for row in week.request.shop.operations if row.part == part and row.op <= before.op]
    assert {piece: count for piece, count in more.items() if count} == {(before.order, op): 2 for op in ops}
