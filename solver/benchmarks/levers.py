"""Which lever helps most, found in two rounds as the service does it, and whether a run with five times the time finds the same one.

A pool of two processes stands for two workers; starting them is not counted, as the service keeps its solvers warm.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from time import perf_counter
from typing import Any, Final

from benchmarks.jobs import BASE_TIMES, LEVER_TIMES, LEVER_WORKERS
from platerota_shared.audit import audit
from platerota_shared.changes import apply_changes
from platerota_shared.levers import (
    FIRST,
    LONGER,
    SECOND,
    Lever,
    LeversAnswer,
    Solved,
    Try,
    again,
    levers_answer,
    levers_of,
    outcome,
    outcome_without,
)
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from platerota_shared.starts import Start
from platerota_shared.tables import PlanRequest
from platerota_solver import solve, warm

CONTROL: Final = -1
"""The number of the control, the week without a change."""
TIE: Final = 0.001
"""Part of the control's points below which two levers save the same."""

Task = tuple[PlanRequest, Plan, float]
"""A week, the plan that its solve starts from, and its seconds."""


def measure_levers(raw: dict[str, Any], each: float) -> tuple[dict[str, float], dict[str, Any]]:
    """Figures of the levers of one generated week, and how they were reached; `each`: seconds of a lever in the first round.

    Notes
    -----
    `same_winner` is 1 where the lever that the two rounds put first is the one that saves most in the long run, or saves as much within
    0.1 % of the control's points; `winner_regret` is what it saves less, as a share of these points.
    """
    request = _with_seconds(read_request(raw), BASE_TIMES * each)
    plan = solve(request)
    found = levers_of(request, plan)
    weeks = {CONTROL: request} | {number: apply_changes(raw, lever.changes).request for number, lever in enumerate(found)}
    with ProcessPoolExecutor(LEVER_WORKERS, multiprocessing.get_context("spawn"), initializer=warm) as pool:
        list(pool.map(abs, range(2 * LEVER_WORKERS)))  # the processes are there before the time is taken
        began = perf_counter()
        first, second = two_rounds(pool, weeks, plan, each)
        seconds = perf_counter() - began
        short = _answer(weeks, plan, found, {FIRST: first, SECOND: second})
        long_plans = _solved_all(pool, weeks, {number: plan for number in weeks}, LEVER_TIMES * (1 + LONGER) * each)
    long = _answer(weeks, plan, found, {FIRST: long_plans})
    saved, control = {row.name: row.saved or 0.0 for row in long.levers}, long.controls[-1].score
    winner, best = short.levers[0], long.levers[0]
    regret = (saved[best.name] - saved[winner.name]) / control if control else 0.0
    faults = sum(len(audit(weeks[number], made)) for plans in (first, second, long_plans) for number, made in plans.items())
    return {
        "levers": float(len(found)), "levers_s": seconds, "same_winner": float(regret <= TIE), "winner_regret": regret,
        "winner_saves": (winner.saved or 0.0) / control if control else 0.0,
        "lever_noise": short.noise / control if control else 0.0, "findings": float(faults),
    }, {
        "winner": winner.name, "long_winner": best.name, "again": [row.name for row in short.levers if row.round == SECOND],
        "saved": {row.name: round(row.saved or 0.0, 2) for row in short.levers},
        "helps": [row.name for row in short.levers if row.helps], "long_saved": {name: round(points, 2) for name, points in saved.items()},
        "controls": [plan.score.total, *(round(one.score, 2) for one in (*short.controls, *long.controls))],
    }


def two_rounds(pool: Executor, weeks: Mapping[int, PlanRequest], base: Plan, each: float) -> tuple[dict[int, Plan], dict[int, Plan]]:
    """The plans of both rounds by number."""
    first = _solved_all(pool, weeks, {number: base for number in weeks}, each)
    kept = [CONTROL, *again({number: Solved.of(plan) for number, plan in first.items() if number != CONTROL}, len(weeks) - 1)]
    second = _solved_all(pool, {number: weeks[number] for number in kept}, first, LONGER * each)
    return first, second


def _solved_all(pool: Executor, weeks: Mapping[int, PlanRequest], starts: Mapping[int, Plan], seconds: float) -> dict[int, Plan]:
    tasks: list[Task] = [(week, starts[number], seconds) for number, week in weeks.items()]
    return {number: Plan.from_document(made) for number, made in zip(weeks, pool.map(_solved, tasks), strict=True)}


def _solved(task: Task) -> dict[str, Any]:
    """One solve, in a process of the pool."""
    request, start, seconds = task
    return solve(_with_seconds(request, seconds), start=Start(start)).document()


def _with_seconds(request: PlanRequest, seconds: float) -> PlanRequest:
    return request.model_copy(update={"settings": request.settings.model_copy(update={"solve_seconds": seconds})})


def _answer(
    weeks: Mapping[int, PlanRequest], base: Plan, found: Sequence[Lever], rounds: Mapping[int, Mapping[int, Plan]],
) -> LeversAnswer:
    """What the service would answer."""
    tries = [
        Try(
            None if number == CONTROL else number, place, "ready", None, outcome(weeks[number], plan),
            outcome_without(weeks[CONTROL], plan) if number != CONTROL else None,
        )
        for place, plans in rounds.items() for number, plan in plans.items()
    ]
    asked = [{"kind": lever.kind, "name": lever.words, "changes": lever.changes} for lever in found]
    return levers_answer(asked, tries, outcome(weeks[CONTROL], base))
