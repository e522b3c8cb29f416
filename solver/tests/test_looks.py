"""What a planner would call foolish, looked for in both demo weeks: early loads, needless splits, plates in a closed mill."""

from __future__ import annotations

import itertools
from collections import defaultdict
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

import pytest

from platerota_shared import PlanRequest, read_request
from platerota_shared.audit import audit
from platerota_shared.calendars import Span, clip, merge, subtract, working_spans
from platerota_shared.plan import Plan, Run, Task
from platerota_shared.tables import Skill
from platerota_solver import solve
from platerota_solver.schedule import PATIENCE

DEMO = Path(__file__).parents[2] / "service" / "platerota_service" / "demo"
WEEKS = ("basic", "full")


@dataclass(frozen=True)
class Look:
    """A plan with the questions a planner asks of it."""

    request: PlanRequest
    plan: Plan

    @cached_property
    def runs(self) -> dict[str, Run]:
        """Runs by id."""
        return {run.id: run for run in self.plan.runs}

    @cached_property
    def steps(self) -> dict[str, dict[str, Task]]:
        """The tasks of a run by kind, bench work and first articles left out."""
        found: dict[str, dict[str, Task]] = defaultdict(dict)
        for task in self.plan.tasks:
            if task.run is not None and task.kind not in ("bench", "first_article"):
                found[task.run][task.kind] = task
        return found

    @cached_property
    def free(self) -> dict[str, list[Span]]:
        """Regular working time of each operator in which the plan gives them nothing to do."""
        now, end = self.request.now, self.request.horizon_end
        return {
            operator.id: subtract(
                working_spans(self.request.shop, operator.id, now, end),
                merge((span.start, span.end) for task in self.plan.tasks if task.operator == operator.id for span in task.spans or (task,)),
            )
            for operator in self.request.shop.operators
        }

    def somebody(self, skill: Skill, begin: int, end: int, seconds: int, machine: str | None = None) -> bool:
        """Whether somebody who has the skill is free for `seconds` on end between begin and end, with the machine open."""
        closed = merge((row.start, row.end) for row in self.request.shop.closures if machine is not None and row.machine == machine)
        return any(
            b - a >= seconds
            for operator in self.request.shop.operators
            if operator.can(skill)
            for a, b in clip(subtract(self.free[operator.id], closed), begin, end)
        )


@cache
def look(week: str) -> Look:
    """A demo week, planned for a tenth of its time."""
    request = read_request((DEMO / f"week_{week}.json").read_text(encoding="utf-8"))
    settings = request.settings.model_copy(update={"repeatable": True, "solve_seconds": 2.0})
    request = request.model_copy(update={"settings": settings})
    plan = solve(request)
    assert audit(request, plan) == []
    assert all(result.placed for result in plan.orders)
    return Look(request, plan)


@pytest.mark.parametrize("week", WEEKS)
def test_no_load_waits_for_hours_that_could_be_made_later(week: str) -> None:
    """A load that ends more than PATIENCE before its plate is placed is there because nobody is free for it later."""
    seen = look(week)
    early = [
        name for name, step in seen.steps.items()
        if "load" in step and "place" in step and step["place"].start - step["load"].end > PATIENCE
        and seen.somebody("load", step["load"].end, step["place"].start, step["load"].end - step["load"].start)
    ]
    assert early == []


@pytest.mark.parametrize("week", WEEKS)
def test_no_setup_waits_for_hours_that_could_be_made_later(week: str) -> None:
    seen = look(week)
    early = [
        name for name, step in seen.steps.items()
        if "setup" in step and "place" in step and step["place"].start - step["setup"].end > PATIENCE
        and seen.somebody("setup", step["setup"].end, step["place"].start, step["setup"].end - step["setup"].start, step["setup"].machine)
    ]
    assert early == []


@pytest.mark.parametrize("week", WEEKS)
def test_no_plate_is_cut_half_empty_while_pieces_remain(week: str) -> None:
    """A run of a first op leaves nests empty only where nothing of its order remains to be loaded later."""
    seen = look(week)
    nests = {(nest.fixture, nest.part, nest.op): nest.count for nest in seen.request.shop.nests}
    first_op = {part: min(row.op for row in seen.request.shop.operations if row.part == part) for _, part, _ in nests}
    loads = sorted((step["load"].start, name) for name, step in seen.steps.items() if "load" in step)
    left: dict[str, int] = defaultdict(int)
    for _, name in loads:
        for held in seen.runs[name].pieces:
            left[held.order] += held.pieces if held.op == first_op[held.part] else 0
    half: list[str] = []
    for _, name in loads:
        run = seen.runs[name]
        filled: dict[tuple[str, int], int] = defaultdict(int)
        for held in run.pieces:
            filled[held.part, held.op] += held.pieces
            left[held.order] -= held.pieces if held.op == first_op[held.part] else 0
        for held in run.pieces:
            full = nests[run.fixture, held.part, held.op]
            if held.op == first_op[held.part] and filled[held.part, held.op] < full and left[held.order]:
                half.append(f"{name} {held.order}: {filled[held.part, held.op]} of {full}, {left[held.order]} left")
    assert half == []


@pytest.mark.parametrize("week", WEEKS)
def test_nobody_deburrs_while_the_mill_waits_for_the_same_hands(week: str) -> None:
    """Of a last op only the last bench work counts for the finish: it does not come between an unload and the next load of its plate.

    Counted where the operator of a load of raw stock did such bench work after the mill's cut before it was over and the plate's
    unload too, and the plate went in as soon as it was loaded.
    """
    seen = look(week)
    ops: dict[str, list[int]] = defaultdict(list)
    for operation in seen.request.shop.operations:
        ops[operation.part].append(operation.op)
    parts = {order.id: order.part for order in seen.request.orders}
    finish = {result.id: result.finish for result in seen.plan.orders}
    cuts: dict[str, list[Task]] = defaultdict(list)
    for task in sorted(seen.plan.tasks, key=lambda task: task.start):
        if task.kind == "cut" and task.machine is not None:
            cuts[task.machine].append(task)
    lost: list[str] = []
    for row in cuts.values():
        for before, after in itertools.pairwise(row):
            load = seen.steps[after.run or ""].get("load")
            raw_stock = all(held.op == min(ops[held.part]) for held in seen.runs[after.run or ""].pieces)
            if load is None or not raw_stock or after.start - load.end > 600:
                continue
            unloads = (task for task in seen.plan.tasks if task.kind == "unload" and task.plate == load.plate)
            emptied = max((task.end for task in unloads if task.end <= load.start), default=0)
            lost.extend(
                f"{task.id} before {load.id}" for task in seen.plan.tasks
                if task.kind == "bench" and task.operator == load.operator
                and max(before.end, emptied) <= task.start and task.end <= load.start
                and task.order is not None and task.op == max(ops[parts[task.order]]) and task.end != finish[task.order]
            )
    assert len(lost) <= 40, lost  # 102 before bench work waited for the loads of its order; other orders' loads it cannot see


@pytest.mark.parametrize("week", WEEKS)
def test_one_person_does_an_exchange(week: str) -> None:
    """Where one plate goes out and the next goes in within a minute, nobody hands over in between unless the first one leaves.

    By hand, that is: at the load station of a pool a plate waits, and who passes by may fetch it.
    """
    seen = look(week)
    moves: dict[str, list[Task]] = defaultdict(list)
    by_hand = {machine.id for machine in seen.request.shop.machines if not machine.automatic}
    for task in sorted(seen.plan.tasks, key=lambda task: (task.start, task.end)):
        if task.kind in ("place", "pull") and task.machine in by_hand:
            moves[task.machine or ""].append(task)
    handed = [
        f"{pull.id} {place.id}"
        for row in moves.values()
        for pull, place in itertools.pairwise(row)
        if (pull.kind, place.kind) == ("pull", "place") and place.start - pull.end < 60 and pull.operator != place.operator
        and any(a <= place.start and place.end <= b for a, b in seen.free[pull.operator or ""])
    ]
    assert handed == []
