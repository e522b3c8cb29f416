"""Weeks in which every op of every order is one run of one piece: the shop is a job shop with mills to choose from.

One CP-SAT model with a fixed set of runs, exact to the second. Hand work of 0 seconds by somebody who is always there asks
for nothing and gets no variables, so that a shop without hand work is the plain job shop, one no_overlap for each mill
(J | | C_max in the notation of Graham, Lawler, Lenstra & Rinnooy Kan 1979).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from ortools.sat.python import cp_model

from platerota_solver.exact.coverage import left_out
from platerota_solver.exact.points import Rates, whole_rates
from platerota_solver.kernel import state as col
from platerota_solver.problem import EXCHANGE, LOAD, UNLOAD, Problem
from platerota_solver.schedule import Schedule, schedule_points

WORKERS = 8
"""Search workers, also on two cores: the mix of strategies proves far better than two of them do."""


def single_runs(problem: Problem) -> bool:
    """Whether every op left is one piece on plates that hold nothing else, and mills and plates are always open."""
    p = problem.arrays
    items = np.flatnonzero(p.i_need)
    carriers = [c for i in items for c in carriers_of(problem, int(i))]
    horizon = int(p.horizon[0])
    opened = all(_covers(problem, int(n), horizon) for n in (*p.l_spindle, *p.l_cut)) and bool((p.l_open < 0).all())
    alone = len(set(carriers)) == len(carriers) and all(carriers_of(problem, int(i)) for i in items)
    single = len(items) > 0 and bool((p.i_need[items] == 1).all()) and bool((p.m_places == 1).all())
    return single and alone and opened and not left_out(problem)


def carriers_of(problem: Problem, item: int) -> list[int]:
    """Carriers that an item can lie on and that fit a mill."""
    p = problem.arrays
    step = int(p.i_step[item])
    return [int(c) for c in p.step_carriers[p.step_from[step]:p.step_from[step + 1]] if p.fits[c].any()]


def _covers(problem: Problem, number: int, horizon: int) -> bool:
    p = problem.arrays
    spans = p.lists[p.list_from[number]:p.list_from[number + 1]]
    return len(spans) == 1 and spans[0, 0] <= 0 and spans[0, 1] >= horizon


@dataclass(frozen=True)
class SingleResult:
    """A better schedule where one was found, and a bound on every plan that places all orders."""

    schedule: Schedule | None
    bound: float


@dataclass
class _Way:
    carrier: int
    machine: int
    taken: cp_model.IntVar


@dataclass
class _Run:
    item: int
    ways: list[_Way]
    at: dict[str, cp_model.IntVar]
    end: dict[str, cp_model.IntVar]
    by: dict[str, list[tuple[int, cp_model.IntVar]]]


def solve_single_runs(
    problem: Problem, incumbent: Schedule, seconds: float, repeatable: bool, should_stop: Callable[[], bool],
) -> SingleResult:
    """The optimum, or what the time allows."""
    week = _Week(problem, incumbent)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1 if repeatable else WORKERS
    if repeatable:
        solver.parameters.max_deterministic_time = seconds
    else:
        solver.parameters.max_time_in_seconds = seconds
    solver.best_bound_callback = lambda _: solver.stop_search() if should_stop() else None
    status = solver.solve(week.model)
    bound = week.rates.points(max(0.0, solver.best_objective_bound)) if status != cp_model.MODEL_INVALID else 0.0
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return SingleResult(None, bound if status == cp_model.UNKNOWN else 0.0)
    schedule = week.read(solver)
    return SingleResult(schedule if schedule.points < incumbent.points - 1e-7 else None, bound)


class _Week:
    """The model; its starts are in seconds from now, its score in whole units of `rates`."""

    def __init__(self, problem: Problem, incumbent: Schedule) -> None:
        self.problem, self.p = problem, problem.arrays
        self.horizon = int(self.p.horizon[0])
        self.model = cp_model.CpModel()
        self.rates: Rates = whole_rates(problem)
        self.hands: dict[int, list[cp_model.IntervalVar]] = {}
        self.mills: dict[int, list[cp_model.IntervalVar]] = {}
        self.always = [u for u, number in enumerate(self.p.l_operator) if _covers(problem, int(number), self.horizon)]
        self.runs = {int(i): self._run(int(i)) for i in np.flatnonzero(self.p.i_need)}
        self._follow()
        for u, own in self.hands.items():
            self.model.add_no_overlap(own + self._away(u))
        for own in self.mills.values():
            self.model.add_no_overlap(own)
        self._score()
        if not incumbent.unplaced:
            self._hint(incumbent)

    def _var(self) -> cp_model.IntVar:
        return self.model.new_int_var(0, self.horizon, "")

    def _run(self, item: int) -> _Run:
        """A run's ways and times: load, place, cut, pull, unload in sequence (F2), the mill its own from place to pull (F6, F7)."""
        p = self.p
        ways = [
            _Way(c, m, self.model.new_bool_var(""))
            for c in carriers_of(self.problem, item) for m in range(len(p.m_place)) if self._fits(item, c, m)
        ]
        self.model.add_exactly_one(way.taken for way in ways)
        run = _Run(item, ways, {}, {}, {})
        step = int(p.i_step[item])
        lengths = {
            "load": [int(p.f_load[f] + p.f_load_piece[f]) for f in (p.c_fixture[way.carrier] for way in ways)],
            "place": [int(p.m_place[way.machine]) for way in ways],
            "cut": [self._cut(step, way) for way in ways],
            "pull": [int(p.m_pull[way.machine]) for way in ways],
            "unload": [int(p.f_unload[f] + p.f_unload_piece[f]) for f in (p.c_fixture[way.carrier] for way in ways)],
        }
        before = None
        for kind, skill in (("load", LOAD), ("place", EXCHANGE), ("cut", -1), ("pull", EXCHANGE), ("unload", UNLOAD)):
            if skill >= 0 and not any(lengths[kind]) and self._always(skill) >= 0 and before is not None:
                run.at[kind] = run.end[kind] = before  # takes no time and somebody is there: done at once
                continue
            run.at[kind], run.end[kind] = self._var(), self._var()
            if before is not None:
                self.model.add(run.at[kind] >= before)
            taken = [way.taken for way in ways]
            length = self.model.new_int_var(min(lengths[kind]), max(lengths[kind]), "")  # an interval's size is one variable
            self.model.add(length == cp_model.LinearExpr.weighted_sum(taken, lengths[kind]))  # pyright: ignore[reportUnknownMemberType]
            self.model.add(run.end[kind] == run.at[kind] + length)
            before = run.end[kind]
            if skill >= 0 and (any(lengths[kind]) or self._always(skill) < 0):
                run.by[kind] = self._people(skill, run.at[kind], run.end[kind], length)
        bare = "place" not in run.by and "pull" not in run.by
        for way, cut in zip(ways, lengths["cut"], strict=True):
            size = cut if bare else self._var()
            interval = self.model.new_optional_interval_var(run.at["cut" if bare else "place"], size, run.end["pull"], way.taken, "")
            self.mills.setdefault(way.machine, []).append(interval)
        return run

    def _cut(self, step: int, way: _Way) -> int:
        """Cut seconds of one piece (F1)."""
        seconds = int(self.p.f_cycle[self.p.c_fixture[way.carrier]] + self.p.s_cut[step])
        return -((-seconds * int(self.p.m_factor[way.machine, 0])) // int(self.p.m_factor[way.machine, 1]))

    def _fits(self, item: int, carrier: int, machine: int) -> bool:
        stock = int(self.p.s_stock[self.p.i_step[item]])
        return bool(self.p.fits[carrier, machine]) and stock <= int(self.p.room[carrier, machine])

    def _always(self, skill: int) -> int:
        return next((u for u in self.always if self.p.can[skill, u]), -1)

    def _people(
        self, skill: int, at: cp_model.IntVar, end: cp_model.IntVar, length: cp_model.LinearExprT,
    ) -> list[tuple[int, cp_model.IntVar]]:
        """One operator with the skill does it (F11)."""
        by = [(int(u), self.model.new_bool_var("")) for u in np.flatnonzero(self.p.can[skill])]
        self.model.add_exactly_one(taken for _, taken in by)
        for u, taken in by:
            self.hands.setdefault(u, []).append(self.model.new_optional_interval_var(at, length, end, taken, ""))
        return by

    def _away(self, operator: int) -> list[cp_model.IntervalVar]:
        """What lies between an operator's working spans."""
        number = int(self.p.l_operator[operator])
        at, gaps = 0, list[cp_model.IntervalVar]()
        for a, b in [*self.p.lists[self.p.list_from[number]:self.p.list_from[number + 1]].tolist(), [self.horizon, self.horizon]]:
            if a > at:
                gaps.append(self.model.new_fixed_size_interval_var(at, a - at, ""))
            at = b
        return gaps

    def _follow(self) -> None:
        """Raw stock from the release on; the next op once the one before is unloaded (F14)."""
        p = self.p
        for item, run in self.runs.items():
            after = int(p.i_next[item])
            if p.i_ready[item] < 0:
                self.model.add(run.at["load"] >= int(p.o_release[p.i_order[item]]))
            if after in self.runs and not p.i_ready[after] > 0:
                self.model.add(self.runs[after].at["load"] >= run.end["unload"])

    def _score(self) -> None:
        """Finish, lateness and makespan (F19, F20)."""
        terms: list[cp_model.LinearExprT] = []
        makespan = self._var()
        for item, run in self.runs.items():
            if int(self.p.i_next[item]) in self.runs:
                continue
            order = int(self.p.i_order[item])
            self.model.add(makespan >= run.end["unload"])
            terms.append(self.rates.finish[order] * run.end["unload"])
            if self.rates.late[order]:
                late = self._var()
                self.model.add(late >= run.end["unload"] - int(self.p.o_due[order]))
                terms.append(self.rates.late[order] * late)
        terms.append(self.rates.makespan * makespan)
        self.model.minimize(cp_model.LinearExpr.sum(terms))  # pyright: ignore[reportUnknownMemberType]

    def _hint(self, incumbent: Schedule) -> None:
        """The incumbent as a start."""
        columns = {"load": col.LOAD_AT, "place": col.PLACE_AT, "cut": col.CUT_AT, "pull": col.PULL_AT, "unload": col.UNLOAD_AT}
        for piece in incumbent.pieces:
            run, row = self.runs[int(piece[col.ITEM])], incumbent.runs[piece[col.PIECES_RUN]]
            for way in run.ways:
                self.model.add_hint(way.taken, way.carrier == row[col.CARRIER] and way.machine == row[col.MACHINE])
            if "place" in run.by or not run.by:
                for kind in ("load", "cut"):
                    self.model.add_hint(run.at[kind], int(row[columns[kind]]))

    def read(self, solver: cp_model.CpSolver) -> Schedule:
        """The kernel's rows of the solver's plan."""
        names = {
            "load": (col.LOAD_BY, col.LOAD_AT, col.LOAD_END, LOAD), "place": (col.PLACE_BY, col.PLACE_AT, col.PLACE_END, EXCHANGE),
            "cut": (-1, col.CUT_AT, col.CUT_END, -1), "pull": (col.PULL_BY, col.PULL_AT, col.PULL_END, EXCHANGE),
            "unload": (col.UNLOAD_BY, col.UNLOAD_AT, col.UNLOAD_END, UNLOAD),
        }
        rows, pieces = list[np.ndarray](), list[list[int]]()
        for number, (item, run) in enumerate(self.runs.items()):
            row = np.full(col.RUN_COLUMNS, -1, dtype=np.int64)
            way = next(way for way in run.ways if solver.value(way.taken))
            row[[col.CARRIER, col.MACHINE, col.STAGE, col.FLOOR, col.FIRST_PIECES, col.LAST_PIECES]] = (
                way.carrier, way.machine, col.AT_BENCH, 0, number, number + 1)
            for kind, (by, at, end, skill) in names.items():
                row[[at, end]] = solver.value(run.at[kind]), solver.value(run.end[kind])
                if kind == "place" and kind not in run.by:  # no time before the cut, not before what is cut there then
                    row[[at, end]] = solver.value(run.at["cut"])
                if skill >= 0:
                    who = next((u for u, taken in run.by.get(kind, []) if solver.value(taken)), self._always(skill))
                    row[by] = self.p.l_operator[who]
            rows.append(row)
            pieces.append([item, 1, -1, 0, 0, -1, 0, 0, number])
        built = np.zeros((len(self.p.c_plate), 3), dtype=np.int64)
        built[:, 0] = -1
        schedule = Schedule(np.array(rows), np.array(pieces, dtype=np.int64), built, (), 0.0)
        return replace(schedule, points=schedule_points(self.problem, schedule))
