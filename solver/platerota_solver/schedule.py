"""A finished schedule: from the kernel's rows to the contract's runs and tasks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from platerota_shared.plan import Kind, Run, RunPieces, Task, TaskSpan
from platerota_solver.kernel import state as col
from platerota_solver.kernel.state import Choices, State, rates
from platerota_solver.kernel.tidy import tidy
from platerota_solver.problem import Ints, Problem

PATIENCE = 5_400
"""Seconds a loaded plate may wait for its mill before a planner asks why it was loaded so early."""


@dataclass(frozen=True)
class Schedule:
    """Runs and pieces as the kernel's rows (see kernel.state), builds by carrier, and the orders left out."""

    runs: Ints
    pieces: Ints
    built: Ints
    unplaced: tuple[int, ...]
    points: float

    @classmethod
    def from_state(cls, state: State, unplaced: tuple[int, ...], points: float) -> Schedule:
        """A copy of what the state holds."""
        runs, rows = int(state.counts[col.RUNS]), int(state.counts[col.ROWS])
        return cls(state.runs[:runs].copy(), state.pieces[:rows].copy(), state.built.copy(), unplaced, points)


def tidied(problem: Problem, state: State, choices: Choices, schedule: Schedule) -> Schedule:
    """The same schedule with early loads and setups moved later, and its runs in the order of their cuts."""
    order = np.lexsort((schedule.runs[:, col.LOAD_AT], schedule.runs[:, col.CUT_AT]))
    runs = np.ascontiguousarray(schedule.runs[order])
    number = np.empty(len(order), dtype=np.int64)
    number[order] = np.arange(len(order))
    pieces = schedule.pieces.copy()
    pieces[:, col.PIECES_RUN] = number[pieces[:, col.PIECES_RUN]]
    tidy(problem.arrays, state, choices, runs, pieces, schedule.built, PATIENCE)
    better = replace(schedule, runs=runs, pieces=pieces)
    return replace(better, points=schedule_points(problem, better))


def schedule_points(problem: Problem, schedule: Schedule) -> float:
    """The score of a schedule in points, from its rows alone."""
    p, scale = problem.arrays, rates(problem)
    runs, pieces = schedule.runs, schedule.pieces
    finish = np.zeros(len(p.o_due), dtype=np.int64)
    if len(pieces):
        steps = p.i_step[pieces[:, col.ITEM]]
        unloaded = runs[pieces[:, col.PIECES_RUN], col.UNLOAD_END]
        checked = np.where(pieces[:, col.FIRST_BY] >= 0, pieces[:, col.FIRST_END], unloaded)
        benched = np.where(pieces[:, col.BENCH_BY] >= 0, pieces[:, col.BENCH_END], unloaded)
        np.maximum.at(finish, p.i_order[pieces[:, col.ITEM]], np.maximum(checked, benched + p.s_after[steps]))
    placed = np.ones(len(finish), dtype=bool)
    placed[list(schedule.unplaced)] = False
    late = np.maximum(0, finish - p.o_due)
    harm = scale.harm * np.where(np.isfinite(scale.harm_from), np.maximum(0, finish - scale.harm_from), 0.0)
    total = float((scale.finish * finish + scale.late * late + harm)[placed].sum() + scale.unplaced[~placed].sum())
    total += float(scale.shop[4]) * _moved(problem, schedule)
    last = int(finish[placed].max()) if placed.any() else 0
    setups = int((runs[:, col.SETUP_AT] >= 0).sum())
    return float(total + scale.shop[0] * setups + scale.shop[1] * _overtime_seconds(problem, schedule) + scale.shop[2] * last)


def _moved(problem: Problem, schedule: Schedule) -> int:
    """Tasks of the plan that is kept which the schedule has elsewhere or not at all, as the kernel counts them."""
    p, runs = problem.arrays, schedule.runs
    kept = runs[runs[:, col.KEPT] >= 0]
    if not len(kept) or not p.k_total[0]:
        return int(p.k_total[0])
    own = kept[:, col.KEPT]
    dropped = (p.k_runs[own, col.SETUP_AT] >= 0) & (kept[:, col.SETUP_AT] < 0)
    builds = (schedule.built[:, 0] >= 0) & (schedule.built == p.k_built).all(axis=1)
    return int(p.k_total[0] - p.k_tasks[own].sum() + dropped.sum() - builds.sum())


def people_clash(problem: Problem, schedule: Schedule) -> bool:
    """Whether anybody would do two things at once (F11); work of 0 seconds inside other work counts, bench work with its pauses too."""
    work = [(schedule.runs, by, by + 1) for by in (col.LOAD_BY, col.SETUP_BY, col.PLACE_BY, col.PULL_BY, col.UNLOAD_BY)]
    work += [(schedule.pieces, col.FIRST_BY, col.FIRST_AT), (schedule.pieces, col.BENCH_BY, col.BENCH_AT)]
    rows = np.concatenate([table[table[:, by] >= 0][:, [by, at, at + 1]] for table, by, at in work])
    operators = len(problem.arrays.l_operator)
    rows[:, 0] = (rows[:, 0] - int(problem.arrays.l_operator[0])) % operators if operators else rows[:, 0]
    rows = rows[np.lexsort((rows[:, 2], rows[:, 1], rows[:, 0]))]
    before, after = rows[:-1], rows[1:]
    return bool(((before[:, 0] == after[:, 0]) & (after[:, 1] < before[:, 2]) & (after[:, 2] > before[:, 1])).any())


def _overtime_seconds(problem: Problem, schedule: Schedule) -> int:
    """Seconds of hand work booked in overtime lists."""
    overtime = problem.arrays.l_overtime
    work = [(schedule.runs, by, by + 1) for by in (col.LOAD_BY, col.SETUP_BY, col.PLACE_BY, col.PULL_BY, col.UNLOAD_BY)]
    work += [(schedule.pieces, by, by + 1) for by in (col.BENCH_BY, col.FIRST_BY)]
    return sum(int((rows[:, at + 1] - rows[:, at])[np.isin(rows[:, by], overtime)].sum()) for rows, by, at in work)


def runs_and_tasks(problem: Problem, schedule: Schedule) -> tuple[list[Run], list[Task]]:
    """The contract's runs (R1, R2, … by load start) and tasks of a schedule."""
    writer = _Writer(problem)
    order = sorted(range(len(schedule.runs)), key=lambda k: (int(schedule.runs[k][col.LOAD_AT]), int(schedule.runs[k][col.CUT_AT]), k))
    runs: list[Run] = []
    tasks: list[Task] = []
    for number, k in enumerate(order, start=1):
        run, own = writer.run(f"R{number}", schedule, schedule.runs[k])
        runs.append(run)
        tasks.extend(own)
    tasks.extend(writer.builds(schedule))
    return runs, tasks


class _Writer:
    """Names for the rows of one problem."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.shop = problem.request.shop
        self.now = problem.request.now
        p = problem.arrays
        self.worker = {int(number): u.id for number, u in zip(p.l_operator, self.shop.operators, strict=True)}
        self.worker |= {int(number): u.id for number, u in zip(p.l_overtime, self.shop.operators, strict=True)}

    def run(self, name: str, schedule: Schedule, row: Ints) -> tuple[Run, list[Task]]:
        """One run and its tasks."""
        plate, fixture = self.problem.carriers[int(row[col.CARRIER])]
        stage = int(row[col.STAGE])
        machine = self.shop.machines[int(row[col.MACHINE])].id if stage != col.PULLED else None
        rows = schedule.pieces[row[col.FIRST_PIECES]:row[col.LAST_PIECES]]
        pieces = tuple(self._pieces(piece) for piece in rows)
        run = Run(id=name, plate=plate.id, fixture=fixture.id, machine=machine, pieces=pieces)
        stays = plate.stays_in is not None
        at_machine = machine if stays else None
        tasks: list[Task] = []

        def add(kind: Kind, by: int, at: int, end: int, where: str | None, *, frozen: bool = False) -> None:
            if at >= 0:
                tasks.append(Task(
                    id=f"{name}.{kind}", kind=kind, run=name, operator=self.worker.get(int(by)), machine=where, plate=plate.id,
                    start=self.now + int(at), end=self.now + int(end), frozen=frozen))

        if stage == col.AT_BENCH:
            add("load", row[col.LOAD_BY], row[col.LOAD_AT], row[col.LOAD_END], at_machine)
        if stage <= col.LOADED and not stays:
            add("place", row[col.PLACE_BY], row[col.PLACE_AT], row[col.PLACE_END], machine)
        if stage <= col.PLACED and row[col.SETUP_AT] >= 0:
            tasks.append(Task(
                id=f"{name}.setup", kind="setup", run=name, operator=self.worker[int(row[col.SETUP_BY])], machine=machine,
                fixture=fixture.id, start=self.now + int(row[col.SETUP_AT]), end=self.now + int(row[col.SETUP_END])))
        if stage <= col.CUTTING:
            add("cut", -1, row[col.CUT_AT], row[col.CUT_END], machine, frozen=stage == col.CUTTING)
        if stage <= col.CUT_DONE and not stays:
            add("pull", row[col.PULL_BY], row[col.PULL_AT], row[col.PULL_END], machine)
        add("unload", row[col.UNLOAD_BY], row[col.UNLOAD_AT], row[col.UNLOAD_END], at_machine)
        for piece in rows:
            tasks.extend(self._after(name, piece, several=len({self._pieces(r).order for r in rows}) > 1))
        return run, tasks

    def _pieces(self, piece: Ints) -> RunPieces:
        order, op = self.problem.items[int(piece[col.ITEM])]
        return RunPieces(order=order.id, part=order.part, op=op, pieces=int(piece[col.PIECES]))

    def _after(self, name: str, piece: Ints, *, several: bool) -> list[Task]:
        """First article and bench work of pieces."""
        order, op = self.problem.items[int(piece[col.ITEM])]
        tail = f"{op}.{order.id}" if several else f"{op}"
        tasks: list[Task] = []
        if piece[col.FIRST_BY] >= 0:
            tasks.append(Task(
                id=f"{name}.first_article.{tail}", kind="first_article", run=name, operator=self.worker[int(piece[col.FIRST_BY])],
                order=order.id, op=op, start=self.now + int(piece[col.FIRST_AT]), end=self.now + int(piece[col.FIRST_END])))
        if piece[col.BENCH_BY] >= 0:
            by, at, end = int(piece[col.BENCH_BY]), int(piece[col.BENCH_AT]), int(piece[col.BENCH_END])
            tasks.append(Task(
                id=f"{name}.bench.{tail}", kind="bench", run=name, operator=self.worker[by], order=order.id, op=op,
                start=self.now + at, end=self.now + end, spans=self._spans(by, at, end)))
        return tasks

    def _spans(self, by: int, at: int, end: int) -> tuple[TaskSpan, ...] | None:
        """The stretches of pausing work between at and end, None where it does not pause."""
        p = self.problem.arrays
        spans = [
            TaskSpan(start=self.now + max(at, int(a)), end=self.now + min(end, int(b)))
            for a, b in p.lists[p.list_from[by]:p.list_from[by + 1]]
            if max(at, int(a)) < min(end, int(b))
        ]
        return tuple(spans) if len(spans) > 1 else None

    def builds(self, schedule: Schedule) -> list[Task]:
        """The builds of a schedule, B1, B2, … by start."""
        made = sorted((int(at), int(end), int(by), c) for c, (by, at, end) in enumerate(schedule.built) if by >= 0)
        tasks: list[Task] = []
        for number, (at, end, by, carrier) in enumerate(made, start=1):
            plate, fixture = self.problem.carriers[carrier]
            tasks.append(Task(
                id=f"B{number}.build", kind="build", operator=self.worker[by], plate=plate.id, fixture=fixture.id,
                start=self.now + at, end=self.now + end, spans=self._spans(by, at, end)))
        return tasks
