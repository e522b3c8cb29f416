"""Large-neighbourhood search: take a few runs out of the plan, let CP-SAT put them back better (Shaw 1998, CP98, LNCS 1520)."""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace

import numpy as np
from ortools.sat.python import cp_model

from platerota_solver.clock import STEPS_PER_SECOND, Clock
from platerota_solver.decoding import Decoder
from platerota_solver.kernel import state as col
from platerota_solver.kernel.state import Choices
from platerota_solver.problem import Problem
from platerota_solver.schedule import Schedule, schedule_points
from platerota_solver.windows.busy import book_others, clashes
from platerota_solver.windows.model import WindowModel, possible_ways

WINDOW_RUNS = 10
"""Runs free at once."""
WINDOW_SECONDS = 0.5
"""Time for one window; in deterministic units where the plan must be repeatable."""
ROOM = 4 * 3_600
"""Seconds before the first and after the last task of a window in which its runs may move."""


@dataclass
class Windows:
    """Improves a schedule window by window.

    Attributes
    ----------
    solved, better, discarded
        Windows solved; those that made the plan better; those whose answer was worse or clashed, and was thrown away.
    """

    problem: Problem
    decoder: Decoder
    choices: Choices
    schedule: Schedule
    clock: Clock
    solved: int = 0
    better: int = 0
    proved: int = 0
    discarded: int = 0
    _random: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self._random = random.Random(self.problem.request.settings.seed)

    def run(self, share: float) -> Schedule:
        """Windows until `share` of the budget has passed; the best schedule."""
        movable = movable_runs(self.problem, self.schedule)
        picks = [self._around_time, self._late_and_rivals, self._one_mill, self._two_orders]
        weights = [1.0] * len(picks)
        idle = 0
        while len(movable) > 1 and not self.clock.over(share) and idle < 4 * len(movable):
            pick = self._random.choices(range(len(picks)), weights)[0]
            free = picks[pick](movable)[:WINDOW_RUNS]
            gained = len(free) > 1 and self._solve(sorted(free))
            weights[pick] = max(0.2, 0.8 * weights[pick] + (0.6 if gained else 0.0))
            idle = 0 if gained else idle + 1
        return self.schedule

    def _around_time(self, movable: list[int]) -> list[int]:
        """Runs that cut around one instant."""
        runs = self.schedule.runs
        at = int(runs[self._random.choice(movable), col.CUT_AT])
        return sorted(movable, key=lambda row: abs(int(runs[row, col.CUT_AT]) - at))

    def _late_and_rivals(self, movable: list[int]) -> list[int]:
        """The last runs of a late order, and those that hold its mills just before."""
        p, s = self.problem.arrays, self.schedule
        costs = [(self._lateness(order) * float(self.problem.late_rate[order]), order) for order in range(len(p.o_due))]
        late = [order for cost, order in costs if cost > 0]
        if not late:
            return self._around_time(movable)
        order = self._random.choice(late)
        own = [row for row in movable if self._holds(row, order)]
        if not own:
            return self._around_time(movable)
        own.sort(key=lambda row: -int(s.runs[row, col.CUT_AT]))
        anchor = own[self._random.randrange(min(3, len(own)))]
        at = int(s.runs[anchor, col.CUT_AT])
        machines = {int(s.runs[row, col.MACHINE]) for row in own}
        near = sorted(
            (row for row in movable if row not in own[:6]),
            key=lambda row: abs(int(s.runs[row, col.CUT_AT]) - at) + (0 if int(s.runs[row, col.MACHINE]) in machines else 7_200),
        )
        return own[:6] + near

    def _one_mill(self, movable: list[int]) -> list[int]:
        """Neighbours on one mill."""
        runs = self.schedule.runs
        anchor = self._random.choice(movable)
        same = [row for row in movable if runs[row, col.MACHINE] == runs[anchor, col.MACHINE]]
        return sorted(same, key=lambda row: abs(int(runs[row, col.CUT_AT]) - int(runs[anchor, col.CUT_AT])))

    def _two_orders(self, movable: list[int]) -> list[int]:
        """All runs of two orders that meet."""
        s = self.schedule
        first = self._random.choice(movable)
        at = int(s.runs[first, col.CUT_AT])
        others = sorted(movable, key=lambda row: abs(int(s.runs[row, col.CUT_AT]) - at) * self._random.uniform(0.5, 2.0))
        orders = [self._order(first), *[o for row in others[:6] if (o := self._order(row)) != self._order(first)][:1]]
        return [row for row in others if self._order(row) in orders]

    def _order(self, row: int) -> int:
        run = self.schedule.runs[row]
        return int(self.problem.arrays.i_order[self.schedule.pieces[run[col.FIRST_PIECES], col.ITEM]])

    def _holds(self, row: int, order: int) -> bool:
        run = self.schedule.runs[row]
        items = self.schedule.pieces[run[col.FIRST_PIECES]:run[col.LAST_PIECES], col.ITEM]
        return bool((self.problem.arrays.i_order[items] == order).any())

    def _lateness(self, order: int) -> int:
        p, s = self.problem.arrays, self.schedule
        own = s.pieces[p.i_order[s.pieces[:, col.ITEM]] == order]
        return max(0, int(s.runs[own[:, col.PIECES_RUN], col.UNLOAD_END].max()) - int(p.o_due[order])) if len(own) else 0

    def _solve(self, free: list[int]) -> bool:
        """Solve one window; whether the plan got better."""
        s, state = self.schedule, self.decoder.state
        rows = np.array(free, dtype=np.int64)
        book_others(self.problem, state, self.choices, s, rows)
        begin = max(0, int(s.runs[rows, col.LOAD_AT].min()) - ROOM)
        end = min(int(self.problem.arrays.horizon[0]), int(s.runs[rows, col.UNLOAD_END].max()) + ROOM)
        window = WindowModel(self.problem, s, state, free, begin, end)
        solver = self._solver()
        status = solver.solve(window.model)
        self.solved += 1
        self.proved += status == cp_model.OPTIMAL
        if self.problem.request.settings.repeatable:
            self.clock.count(int(STEPS_PER_SECOND * WINDOW_SECONDS))
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            self.discarded += 1
            return False
        found = replace(s, runs=window.read(solver))
        found = replace(found, points=schedule_points(self.problem, found))
        if found.points >= s.points - 1e-6:
            return False
        if clashes(self.problem, state, self.choices, found, rows):
            self.discarded += 1
            return False
        self.schedule = found
        self.better += 1
        return True

    def _solver(self) -> cp_model.CpSolver:
        solver = cp_model.CpSolver()
        settings = self.problem.request.settings
        solver.parameters.random_seed = settings.seed
        solver.parameters.cp_model_probing_level = 0
        solver.parameters.symmetry_level = 0
        if settings.repeatable:
            solver.parameters.num_workers = 1
            solver.parameters.max_deterministic_time = min(WINDOW_SECONDS, 0.1 * settings.solve_seconds)
        else:
            left = self.clock.settings.solve_seconds - self.clock.seconds
            solver.parameters.num_workers = 2
            solver.parameters.max_time_in_seconds = max(0.05, min(WINDOW_SECONDS, left))
        return solver


def movable_runs(problem: Problem, schedule: Schedule) -> list[int]:
    """Rows of runs a window may move: from the bench, on a mill with one position by hand, no setups, checks or bench work."""
    p, s = problem.arrays, schedule
    plain = {m for m in range(len(p.m_place)) if p.m_places[m] == 1 and not p.m_auto[m] and not p.setup[m].any()}
    rows: list[int] = []
    for row, run in enumerate(s.runs):
        pieces = s.pieces[run[col.FIRST_PIECES]:run[col.LAST_PIECES]]
        plate = int(p.c_plate[run[col.CARRIER]])
        kinds = [(int(piece[col.ITEM]), int(piece[col.PIECES])) for piece in pieces]
        if (
            run[col.STAGE] == col.AT_BENCH and int(run[col.MACHINE]) in plain and p.p_stays[plate] < 0 and p.l_open[plate] < 0
            and not p.c_build[run[col.CARRIER]] and not any(p.i_first[item] or p.s_bench[p.i_step[item]] for item, _ in kinds)
            and all(machine in plain and p.l_open[p.c_plate[c]] < 0 for c, machine in possible_ways(problem, kinds))
        ):
            rows.append(row)
    return rows
