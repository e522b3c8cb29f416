"""Which lever helps most, found in rounds as the service does it, and whether a run that gives every lever all the time finds the same.

A pool of two processes stands for two workers; starting them is not counted, as the service keeps its solvers warm.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from time import perf_counter
from typing import Any, Final

from benchmarks.jobs import BASE_TIMES, LEVER_WORKERS, LONG_TIMES
from platerota_shared.audit import audit
from platerota_shared.changes import apply_changes
from platerota_shared.levers import (
    FIRST,
    ROUNDS,
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

LONG_SEED: Final = 100
"""The seed of the long run: none of those of the rounds."""

Task = tuple[PlanRequest, Plan]
"""A week, and the plan that its solve starts from."""


def measure_levers(raw: dict[str, Any], each: float) -> tuple[dict[str, float], dict[str, Any]]:
    """Figures of the levers of one generated week, and how they were reached; `each`: seconds of a lever in the first round.

    Notes
    -----
    `same_winner` is 1 where the lever that the rounds put first is the one that saves most in the long run, or saves as much within
    0.1 % of the control's points; `winner_regret` is what it saves less, as a share of these points. `same_of_best` is the same with
    the best that is known of each lever from both runs. `winner_named` is 1 where that is so or the long run's best is said to be near the
    first, as `named` levers are, itself among them.
    """
    request = _with_settings(read_request(raw), solve_seconds=BASE_TIMES * each)
    plan = solve(request)
    found = levers_of(request, plan)
    weeks = {CONTROL: request} | {number: apply_changes(raw, lever.changes).request for number, lever in enumerate(found)}
    with ProcessPoolExecutor(LEVER_WORKERS, multiprocessing.get_context("spawn"), initializer=warm) as pool:
        list(pool.map(abs, range(2 * LEVER_WORKERS)))  # the processes are there before the time is taken
        began = perf_counter()
        rounds = every_round(pool, weeks, plan, each)
        seconds = perf_counter() - began
        short = _answer(weeks, plan, found, rounds)
        long_plans = _solved_all(pool, weeks, plan, LONG_TIMES * each, LONG_SEED)
    long = _answer(weeks, plan, found, {FIRST: long_plans})
    saved, control = {row.name: row.saved or 0.0 for row in long.levers}, long.controls[-1].score
    winner, best = short.levers[0], long.levers[0]
    regret = (saved[best.name] - saved[winner.name]) / control if control else 0.0
    best_named = next(row for row in short.levers if row.name == best.name)
    known = {row.name: min(row.score or 0.0, control - saved[row.name]) for row in short.levers}
    known_regret = (known[winner.name] - min(known.values())) / control if control else 0.0
    faults = sum(len(audit(weeks[number], made)) for plans in (*rounds.values(), long_plans) for number, made in plans.items())
    return {
        "levers": float(len(found)), "levers_s": seconds, "same_winner": float(regret <= TIE), "winner_regret": regret,
        "same_of_best": float(known_regret <= TIE), "known_regret": known_regret,
        "winner_named": float(regret <= TIE or best_named.near_best), "named": float(sum(row.near_best for row in short.levers)),
        "winner_saves": (winner.saved or 0.0) / control if control else 0.0,
        "lever_noise": short.noise / control if control else 0.0, "findings": float(faults),
    }, {
        "winner": winner.name, "long_winner": best.name, "rounds": {row.name: row.round for row in short.levers if row.round > FIRST},
        "totals": {place: {number: round(made.score.total, 2) for number, made in plans.items()} for place, plans in rounds.items()},
        "saved": {row.name: round(row.saved or 0.0, 2) for row in short.levers},
        "helps": [row.name for row in short.levers if row.helps], "long_saved": {name: round(points, 2) for name, points in saved.items()},
        "controls": [plan.score.total, *(round(one.score, 2) for one in (*short.controls, *long.controls))],
    }


def every_round(pool: Executor, weeks: Mapping[int, PlanRequest], base: Plan, each: float) -> dict[int, dict[int, Plan]]:
    """The plans of every round by number."""
    rounds = {FIRST: _solved_all(pool, weeks, base, each, FIRST)}
    levers = len(weeks) - 1
    while better := again({place: _reached(plans) for place, plans in rounds.items()}, levers):
        place = max(rounds) + 1
        kept = {number: weeks[number] for number in (CONTROL, *better)}
        rounds[place] = _solved_all(pool, kept, _without(weeks, base, rounds), ROUNDS[place].longer * each, place)
    return rounds


def _without(weeks: Mapping[int, PlanRequest], base: Plan, rounds: Mapping[int, Mapping[int, Plan]]) -> Plan:
    """The best plan without a change that is known so far."""
    known = [(base.score.total, base), *((plans[CONTROL].score.total, plans[CONTROL]) for plans in rounds.values())]
    for plans in rounds.values():
        judged = ((outcome_without(weeks[CONTROL], plan), plan) for number, plan in plans.items() if number != CONTROL)
        known += [(found.total, plan) for found, plan in judged if found is not None]
    return min(known, key=lambda one: one[0])[1]


def _reached(plans: Mapping[int, Plan]) -> dict[int, Solved]:
    return {number: Solved.of(plan) for number, plan in plans.items() if number != CONTROL}


def _solved_all(pool: Executor, weeks: Mapping[int, PlanRequest], base: Plan, seconds: float, seed: int) -> dict[int, Plan]:
    tasks: list[Task] = [(_with_settings(week, solve_seconds=seconds, seed=seed), base) for week in weeks.values()]
    return {number: Plan.from_document(made) for number, made in zip(weeks, pool.map(_solved, tasks), strict=True)}


def _solved(task: Task) -> dict[str, Any]:
    """One solve, in a process of the pool."""
    request, start = task
    return solve(request, start=Start(start)).document()


def _with_settings(request: PlanRequest, **settings: float) -> PlanRequest:
    return request.model_copy(update={"settings": request.settings.model_copy(update=settings)})


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
