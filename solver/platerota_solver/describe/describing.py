"""From the bare runs and tasks of the optimiser to the plan of the contract."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from platerota_shared.moves import moved_tasks
from platerota_shared.plan import Plan, Quality, Run, SolverReport, Task
from platerota_shared.tables import PlanRequest
from platerota_solver.describe.attendance import attended
from platerota_solver.describe.book import PlanBook, open_book
from platerota_solver.describe.cautions import cautions
from platerota_solver.describe.floats import floats
from platerota_solver.describe.kpis import kpis_of
from platerota_solver.describe.lanes import lanes
from platerota_solver.describe.results import finish_times, order_results
from platerota_solver.describe.score import proved, score_parts
from platerota_solver.describe.windows import load_windows

_NO_WHY: Mapping[str, str] = {}


def describe(
    request: PlanRequest, runs: Sequence[Run], tasks: Sequence[Task], *, bound: float, quality: Quality,
    unplaced: Mapping[str, str], solver: SolverReport, why: Mapping[str, str] = _NO_WHY, base: Plan | None = None,
) -> Plan:
    """Everything that the answer says about a plan, from its runs and tasks alone (F20).

    Parameters
    ----------
    request
        What the plan is for.
    runs, tasks
        The plan: ids, resources, times (UTC seconds), spans and frozen are taken as they are; float and overtime are filled in.
    bound
        Points that no plan can beat; more than the total counts as the total.
    quality
        `optimal` is kept only where the bound meets the total.
    unplaced
        Order id -> which resource stands in the way, for every order that is not placed.
    solver
        How the plan was found.
    why
        Order id -> what a late order waited for.
    base
        The plan that is replanned: the score counts the tasks moved against it.
    """
    book = open_book(request, runs, tasks, unplaced)
    finishes = finish_times(book)
    there = attended(book)
    orders = order_results(book, finishes, unplaced, why)
    parts = score_parts(book, finishes)
    score, claimed = proved(parts, bound, quality)
    kpis = kpis_of(book, orders, there)
    plan = Plan(
        quality=claimed, now=request.now, timezone=request.shop.timezone, horizon_end=request.horizon_end, score=score,
        orders=tuple(orders), runs=book.runs, tasks=_finished_tasks(book, floats(book, finishes, there)), lanes=tuple(lanes(book)),
        load_windows=tuple(load_windows(book)), kpis=kpis, warnings=tuple(cautions(book, kpis)), solver=solver,
    )
    if base is None:
        return plan
    moved = request.settings.score.moved_task * len(moved_tasks(base, plan))
    score, claimed = proved(parts.model_copy(update={"moved_task": moved}), bound, quality)
    return plan.model_copy(update={"score": score, "quality": claimed})


def _finished_tasks(book: PlanBook, slack: Sequence[int]) -> tuple[Task, ...]:
    """The tasks by start with float (seconds) and overtime filled in."""
    return tuple(
        task.model_copy(update={
            "float_seconds": spare, "overtime": task.operator is not None and book.presence[task.operator].in_overtime(task),
        })
        for task, spare in zip(book.tasks, slack, strict=True)
    )
