"""The plan that a solve starts from, as rows that the kernel may keep (kernel.keeping): what of it the request still allows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace
from itertools import chain

import numpy as np

from platerota_shared.plan import Plan, Run, Task
from platerota_shared.starts import Start
from platerota_solver.decoding import copy_choices
from platerota_solver.kernel import state as col
from platerota_solver.kernel.floor import ROW_CUT_END, ROW_FIRST, ROW_LAST, ROW_MACHINE, ROW_STAGE
from platerota_solver.kernel.state import FROZEN, Choices
from platerota_solver.problem import BENCH, BUILD, EXCHANGE, FIRST_ARTICLE, LOAD, SETUP, UNLOAD, Ints, Problem, Wish

_TRIP = (
    ("load", LOAD, col.LOAD_BY), ("setup", SETUP, col.SETUP_BY), ("place", EXCHANGE, col.PLACE_BY), ("cut", -1, col.CUT_AT - 1),
    ("pull", EXCHANGE, col.PULL_BY), ("unload", UNLOAD, col.UNLOAD_BY),
)
"""Kind of a task, the skill it takes, and the column of its operator; start and end stand in the two columns behind."""
_STARTS = [by + 1 for _, _, by in _TRIP]
_FROM = {"load": col.AT_BENCH, "setup": col.PLACED, "place": col.LOADED, "cut": col.CUTTING, "pull": col.CUT_DONE, "unload": col.PULLED}
"""The last stage of a run in which a task of that kind is still to be done."""


def keep_plan(problem: Problem, start: Start) -> Problem:
    """The problem with those runs of a plan to keep that its request still allows, and what is wished of the solve.

    The plan may have begun earlier. What starts before `start.frozen_until` is let go by no search.
    """
    held = _Reader(problem, start.plan).problem_with_runs(counts=start.counts_moves)
    until = -1 if start.frozen_until is None else start.frozen_until - problem.request.now
    begin = [min(int(at) for at in run[_STARTS] if at >= 0) for run in held.arrays.k_runs]
    frozen = tuple(k for k, at in enumerate(begin) if at < until)
    return replace(held, wish=_wish(problem, start), frozen=frozen)


def _wish(problem: Problem, start: Start) -> Wish | None:
    """What the aim of the start asks of this problem."""
    if start.aim is None:
        return None
    request, aim = problem.request, start.aim
    before = {result.id: result.finish for result in start.plan.orders}
    harm_from = np.full(len(request.orders), np.inf)
    for number, order in enumerate(request.orders):
        finish = before.get(order.id)
        if order.id != aim.order and finish is not None:
            harm_from[number] = max(order.due, finish) - request.now
    number = next(number for number, order in enumerate(request.orders) if order.id == aim.order)
    return Wish(number, aim.finish_hour / 3600, harm_from if aim.harmless else None)


def keeping(problem: Problem, choices: Choices) -> Choices:
    """The choices with every run kept that may be, and the overtime open that those runs use."""
    p = problem.arrays
    kept = copy_choices(choices)._replace(keep=np.ones(len(p.k_runs), dtype=np.int64), before=np.zeros(1, dtype=np.int64))
    rows = chain(
        ((run[by], run[by + 1], run[by + 2]) for run in p.k_runs for _, skill, by in _TRIP if skill >= 0),
        ((piece[by], piece[by + 1], piece[by + 2]) for piece in p.k_pieces for by in (col.BENCH_BY, col.FIRST_BY)),
    )
    for by, at, end in rows:
        if by >= 0 and by in p.l_overtime:
            for k in range(p.list_from[by], p.list_from[by + 1]):
                kept.overtime[k] |= int(p.lists[k, 0] < end and p.lists[k, 1] > at)
    kept.build[p.k_built[:, 0] >= 0] = 1
    kept.keep[list(problem.frozen)] = FROZEN
    return kept


def _with(problem: Problem, runs: Ints, pieces: Ints, built: Ints, floor: Ints, tasks: Ints, total: int) -> Problem:
    arrays = problem.arrays._replace(
        k_runs=runs, k_pieces=np.ascontiguousarray(pieces), k_built=np.ascontiguousarray(built), k_floor=floor, k_tasks=tasks,
        k_total=np.array([total], dtype=np.int64),
    )
    return replace(problem, arrays=arrays)


class _Reader:
    """Finds the runs of a plan in a problem: by ids, since the tables may have changed."""

    def __init__(self, problem: Problem, plan: Plan) -> None:
        self.problem, self.plan, self.now = problem, plan, problem.request.now
        shop = problem.request.shop
        self.machine = {machine.id: row for row, machine in enumerate(shop.machines)}
        self.operator = {operator.id: row for row, operator in enumerate(shop.operators)}
        self.carrier = {(plate.id, fixture.id): row for row, (plate, fixture) in enumerate(problem.carriers)}
        self.item = {(order.id, op): row for row, (order, op) in enumerate(problem.items)}
        p = problem.arrays
        self.on_floor = {shop.plates[int(p.c_plate[row[0]])].id: number for number, row in enumerate(p.floor_runs)}
        self.tasks: dict[str, list[Task]] = defaultdict(list)
        for task in plan.tasks:
            if task.run is not None:
                self.tasks[task.run].append(task)

    def problem_with_runs(self, *, counts: bool) -> Problem:
        """The problem with the rows of every run that may be kept; whether what is not kept counts as moved."""
        p = self.problem.arrays
        rows: list[Ints] = []
        pieces: list[Ints] = []
        counted: list[int] = []
        floor = np.full(len(p.floor_runs), -1, dtype=np.int64)
        found: list[tuple[int, int, Ints, list[Ints], int]] = []
        for run in self.plan.runs:
            number = self._floor_number(run)
            own = self._row(run, -1 if number is None else number)
            if own is not None:
                found.append((int(own[0][col.CUT_AT]), -1 if number is None else number, *own, self._counted(self.tasks[run.id])))
        for _, number, row, held, tasks in sorted(found, key=lambda one: (one[0], int(one[2][col.LOAD_AT]))):
            row[col.FIRST_PIECES], row[col.LAST_PIECES] = len(pieces), len(pieces) + len(held)
            if number >= 0:
                floor[number] = len(rows)
            rows.append(row)
            pieces.extend(held)
            counted.append(tasks if counts else 0)
        return _with(
            self.problem, np.array(rows, dtype=np.int64).reshape(-1, col.RUN_COLUMNS),
            np.array(pieces, dtype=np.int64).reshape(-1, col.PIECE_COLUMNS), self._builds(), floor, np.array(counted, dtype=np.int64),
            self._total() if counts else 0,
        )

    def _floor_number(self, run: Run) -> int | None:
        """The run of the floor that this one is: the first of its plate that is under way."""
        number = self.on_floor.get(run.plate)
        under_way = all(task.kind != "load" or task.start < self.now for task in self.tasks[run.id])
        return number if under_way and any(task.end > self.now for task in self.tasks[run.id]) else None

    def _counted(self, tasks: Iterable[Task]) -> int:
        """The tasks that the score counts as moved where they are not kept (shared.moves)."""
        return sum(task.start >= self.now and not task.frozen for task in tasks)

    def _total(self) -> int:
        orders = {order.id for order in self.problem.request.orders}
        known = {run.id for run in self.plan.runs if any(row.order in orders for row in run.pieces)}
        return self._counted(task for task in self.plan.tasks if task.run is None or task.run in known)

    def _row(self, run: Run, number: int) -> tuple[Ints, list[Ints]] | None:
        """The run as rows of the kernel, None where the request does not allow it any more."""
        p = self.problem.arrays
        carrier = self.carrier.get((run.plate, run.fixture))
        kinds = [(self.item.get((row.order, row.op)), row.pieces) for row in run.pieces]
        stage = col.AT_BENCH if number < 0 else int(p.floor_runs[number, ROW_STAGE])
        if carrier is None or any(item is None for item, _ in kinds) or len({item for item, _ in kinds}) < len(kinds):
            return None
        held = [(item, count) for item, count in kinds if item is not None]
        machine = 0 if stage == col.PULLED else self.machine.get(run.machine or "", -1)
        tasks: dict[str, Task] = {task.kind: task for task in self.tasks[run.id] if task.kind not in ("bench", "first_article")}
        row = np.full(col.RUN_COLUMNS, -1, dtype=np.int64)
        row[col.CARRIER], row[col.MACHINE], row[col.STAGE] = carrier, machine, stage
        row[col.LOAD_AT] = row[col.LOAD_END] = 0
        if machine < 0 or not self._same_floor(number, machine, stage, held) or not self._write_trip(row, tasks, stage):
            return None
        if not self._lasts(row, held, stage):
            return None
        pieces = [self._pieces(run, item, count) for item, count in held]
        return None if any(piece is None for piece in pieces) else (row, [piece for piece in pieces if piece is not None])

    def _same_floor(self, number: int, machine: int, stage: int, held: list[tuple[int, int]]) -> bool:
        """Whether the floor has the run as the plan has it."""
        if number < 0:
            return True
        p = self.problem.arrays
        run = p.floor_runs[number]
        there = sorted((int(item), int(count)) for item, count in p.floor_pieces[run[ROW_FIRST]:run[ROW_LAST]])
        return there == sorted(held) and (stage == col.PULLED or run[ROW_MACHINE] in (-1, machine))

    def _write_trip(self, row: Ints, tasks: dict[str, Task], stage: int) -> bool:
        """Put the times and people of what is still to do into the row; False where some of it lies before now or nobody can do it."""
        stays = bool(self.problem.arrays.p_stays[self.problem.arrays.c_plate[row[col.CARRIER]]] >= 0)
        for kind, skill, by in _TRIP:
            task = tasks.get(kind)
            if stage > _FROM[kind] or (task is None and self._needless(kind, stays)):
                continue
            if task is None or not self._write_task(row, task, skill, by, stage):
                return False
        if stage > col.CUTTING:
            row[col.CUT_AT] = row[col.CUT_END] = 0
        if stays:
            row[col.PLACE_AT] = row[col.PLACE_END] = row[col.LOAD_END]
        row[col.PLACE_AT] = max(0, int(row[col.PLACE_AT]))
        if stays or stage == col.PULLED:
            row[col.PULL_AT] = row[col.PULL_END] = row[col.CUT_END]
        return True

    @staticmethod
    def _needless(kind: str, stays: bool) -> bool:
        """Whether a run may do without such a task: most need no setup; a plate that stays is neither placed nor pulled."""
        return kind == "setup" or (stays and kind in ("place", "pull"))

    def _write_task(self, row: Ints, task: Task, skill: int, by: int, stage: int) -> bool:
        at, end = task.start - self.now, task.end - self.now
        if task.kind == "setup" and end <= 0:
            return True  # it is done: the floor says for which fixture the machine is set up
        if task.kind == "cut" and stage == col.CUTTING:
            at = 0
        if skill >= 0:
            row[by] = self._list(task, skill)
        row[by + 1], row[by + 2] = at, end
        return at >= 0 and (skill < 0 or row[by] >= 0)

    def _lasts(self, row: Ints, held: list[tuple[int, int]], stage: int) -> bool:
        """Whether every task takes as long as the request says (F1), and the pieces have their nests and their machine (F3, F5)."""
        p = self.problem.arrays
        carrier, machine = row[col.CARRIER], row[col.MACHINE]
        fixture, stays = p.c_fixture[carrier], p.p_stays[p.c_plate[carrier]] >= 0
        count, cut = sum(pieces for _, pieces in held), int(p.f_cycle[fixture])
        needed: dict[int, int] = defaultdict(int)
        for item, pieces in held:
            needed[int(p.i_step[item])] += pieces
            cut += pieces * int(p.s_cut[p.i_step[item]])
        lengths = [(col.UNLOAD_AT, int(p.f_unload[fixture] + count * p.f_unload_piece[fixture]))]
        if stage == col.AT_BENCH:
            stock = sum(pieces * int(p.s_stock[step]) for step, pieces in needed.items())
            if any(pieces > p.nests[fixture, step] for step, pieces in needed.items()) or not p.fits[carrier, machine]:
                return False
            if stock > p.room[carrier, machine]:
                return False
            lengths.append((col.LOAD_AT, int(p.f_load[fixture] + count * p.f_load_piece[fixture])))
        if stage <= col.PLACED:
            lengths.append((col.CUT_AT, int(-((-p.m_factor[machine, 0] * cut) // p.m_factor[machine, 1]))))
        elif stage == col.CUTTING and row[col.CUT_END] != p.floor_runs[self.on_floor[self._plate(carrier)], ROW_CUT_END]:
            return False
        if not stays and stage <= col.LOADED:
            lengths.append((col.PLACE_AT, int(p.m_place[machine])))
        if not stays and stage < col.PULLED:
            lengths.append((col.PULL_AT, int(p.m_pull[machine])))
        return row[col.UNLOAD_END] <= p.horizon[0] and all(row[at + 1] - row[at] == length for at, length in lengths)

    def _plate(self, carrier: int) -> str:
        return self.problem.carriers[carrier][0].id

    def _pieces(self, run: Run, item: int, count: int) -> Ints | None:
        """The pieces of a run with their bench work and first article; None where nobody can do those any more."""
        order, op = self.problem.items[item]
        row = np.full(col.PIECE_COLUMNS, -1, dtype=np.int64)
        row[col.ITEM], row[col.PIECES] = item, count
        for kind, skill, by in (("bench", BENCH, col.BENCH_BY), ("first_article", FIRST_ARTICLE, col.FIRST_BY)):
            task = next((task for task in self.tasks[run.id] if (task.kind, task.order, task.op) == (kind, order.id, op)), None)
            if task is not None:
                row[by], row[by + 1], row[by + 2] = self._list(task, skill), task.start - self.now, task.end - self.now
                if row[by] < 0 or row[by + 1] < 0:
                    return None
        return row

    def _list(self, task: Task, skill: int) -> int:
        """The calendar list in which the task's operator does it, -1 where it is none of the request's."""
        p = self.problem.arrays
        u = self.operator.get(task.operator or "", -1)
        if u < 0 or not p.can[skill, u]:
            return -1
        at, end = task.start - self.now, task.end - self.now
        for number in (int(p.l_operator[u]), int(p.l_overtime[u])):
            spans = p.lists[p.list_from[number]:p.list_from[number + 1]]
            inside = (spans[:, 0] <= at) & ((spans[:, 1] > at) if task.spans is not None else (spans[:, 1] >= end))
            if inside.any():
                return number
        return -1

    def _builds(self) -> Ints:
        """The plan's builds by carrier."""
        built = np.full((max(1, len(self.problem.carriers)), 3), -1, dtype=np.int64)
        for task in self.plan.tasks:
            carrier = self.carrier.get((task.plate or "", task.fixture or "")) if task.kind == "build" else None
            if carrier is not None and task.start >= self.now:
                built[carrier] = self._list(task, BUILD), task.start - self.now, task.end - self.now
        return built
