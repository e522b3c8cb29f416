"""Choices to schedule: orders claim resources in the sequence of the tokens, each run at the earliest place it fits.

A serial schedule-generation scheme (Kolisch 1996, European Journal of Operational Research 90:320–333) over plates,
machines and people at once: every run looks at each carrier and machine it may use and takes the best.
"""

from __future__ import annotations

import numpy as np

from platerota_solver.kernel.booking import commit_run, enter_sequence, take, take_open
from platerota_solver.kernel.choosing import best_run, copy_run
from platerota_solver.kernel.filling import run_seconds
from platerota_solver.kernel.finishing import claim_pieces, finish_pieces, finish_waiting
from platerota_solver.kernel.floor import ROW_CARRIER, ROW_CUT_END, ROW_MACHINE, ROW_STAGE, best_rest, block_rest, clear_row, floor_kinds
from platerota_solver.kernel.holding import commit_held
from platerota_solver.kernel.keeping import goes_on, keep_floor, keep_runs
from platerota_solver.kernel.marks import first_change, restore, save, size_now
from platerota_solver.kernel.passing import by_reference
from platerota_solver.kernel.pausing import find_pausing, take_pausing
from platerota_solver.kernel.points import points, points_so_far
from platerota_solver.kernel.spans import NEVER, compiled, entry
from platerota_solver.kernel.state import (
    AT_BENCH,
    BENCH_BY,
    BLAMED,
    CARRIER,
    CUT_AT,
    CUT_END,
    CUTTING,
    FIRST_BY,
    FIRST_PIECES,
    FLOOR,
    FROZEN,
    FULL,
    HELD,
    ITEM,
    KEPT,
    LAST_PIECES,
    LOAD_AT,
    LOAD_END,
    MACHINE,
    PIECES,
    PIECES_RUN,
    ROWS,
    RUNS,
    STAGE,
    UNLOAD_END,
    Choices,
    State,
    Track,
)
from platerota_solver.kernel.supply import add_supply
from platerota_solver.kernel.visits import end_visit, end_visits, is_exchange, may_wait, open_visit, stays_open
from platerota_solver.problem import BUILD, Arrays, Ints

GIVEN_UP = -3
"""What a decode returns that is not gone on with: its score cannot come below the limit any more, or nothing is new in it."""
STUCK = 2
"""Mark of an order whose run on the floor cannot end within the horizon."""


@compiled
def set_workers(p: Arrays, s: State, c: Choices) -> None:
    """Who may do what: everybody in regular time, then those whose overtime is open."""
    for skill in range(7):
        n = 0
        for u in range(p.can.shape[1]):
            if p.can[skill, u]:
                s.workers[skill, n] = p.l_operator[u]
                n += 1
        for u in range(p.can.shape[1]):
            number = p.l_overtime[u]
            opened = False
            for k in range(p.list_from[number], p.list_from[number + 1]):
                opened = opened or c.overtime[k] != 0
            if p.can[skill, u] and opened:
                s.workers[skill, n] = number
                n += 1
        s.worker_count[skill] = n


@compiled
def reset(p: Arrays, s: State, c: Choices) -> None:
    """An empty schedule: all time free, nothing in runs, overtime open as chosen."""
    set_workers(p, s, c)
    for k in range(s.counts.shape[0]):
        s.counts[k] = 0
    overtime_first, overtime_last = -1, -1
    if p.l_overtime.size:
        overtime_first, overtime_last = p.l_overtime[0], p.l_overtime[-1]
    for number in range(s.off.shape[0]):
        rows = 0
        for k in range(p.list_from[number], p.list_from[number + 1]):
            if overtime_first <= number <= overtime_last and c.overtime[k] == 0:
                continue
            s.start[s.off[number] + rows] = p.lists[k, 0]
            s.end[s.off[number] + rows] = p.lists[k, 1]
            rows += 1
        s.count[number] = rows
        for k in range(s.dead.shape[1]):
            s.dead[number, k] = 0
    for m in range(s.table_count.shape[0]):
        s.table_count[m], s.sequence_count[m], s.visit[m] = 0, 0, -1
    for k in range(s.lent.shape[0]):
        s.lent[k] = -1
    for i in range(s.left.shape[0]):
        s.left[i] = p.i_need[i]
        s.supply_head[i] = s.supply_off[i]
        s.supply_count[i] = s.supply_off[i]
        if p.i_ready[i] > 0:
            add_supply(s, i, 0, p.i_ready[i])
        s.cut_from[i], s.begun[i] = 0, 0
    for o in range(s.finish.shape[0]):
        s.finish[o], s.machine_of[o], s.placed[o] = 0, -1, 0
    for k in range(s.built.shape[0]):
        s.built[k, 0] = -1


@compiled
def enter_run(p: Arrays, s: State, c: Choices, row: Ints, kinds: Ints, size: int, stage: int, floor: int) -> bool:
    """Commit a run with its pieces, their bench work and first article; False where those find no operator (F12, F15).

    Where the habits of its order say so and nothing hangs on its unload, its visit is left open.
    """
    number, rows = s.counts[RUNS], s.counts[ROWS]
    if number >= s.runs.shape[0] or rows + size > s.pieces.shape[0]:
        s.counts[FULL] = 1
        return False
    carrier = row[CARRIER]
    fits = True
    if s.lent[p.c_plate[carrier]] >= 0:
        fits = end_visit(p, s, c, s.lent[p.c_plate[carrier]])
    if p.c_build[carrier] > 0 and s.built[carrier, 0] < 0:
        by, at, end = find_pausing(p, s, BUILD, 0, p.c_build[carrier], p.l_open[p.c_plate[carrier]])
        s.built[carrier, 0], s.built[carrier, 1], s.built[carrier, 2] = by, at, end
        take_pausing(p, s, by, at, end)
        take(s, p.l_plate[p.c_plate[carrier]], 0, end)
    copy_run(row, s.runs[number])
    s.runs[number, FIRST_PIECES], s.runs[number, LAST_PIECES] = rows, rows + size
    s.runs[number, STAGE], s.runs[number, FLOOR], s.runs[number, KEPT] = stage, floor, -1
    stays = not floor and c.late[p.i_order[kinds[0, 0]]] > 0
    for k in range(size):
        s.pieces[rows + k, ITEM], s.pieces[rows + k, PIECES], s.pieces[rows + k, PIECES_RUN] = kinds[k, 0], kinds[k, 1], number
        s.pieces[rows + k, BENCH_BY], s.pieces[rows + k, FIRST_BY] = -1, -1
        stays = stays and may_wait(p, s, carrier, row[MACHINE], kinds[k, 0])
        s.machine_of[p.i_order[kinds[k, 0]]] = row[MACHINE]
        if not floor:
            claim_pieces(p, s, kinds[k, 0], kinds[k, 1])
    s.counts[RUNS] += 1
    s.counts[ROWS] += size
    if stays and (is_exchange(p, s, row) or stays_open(p, s, row)):
        for k in range(size):
            s.begun[kinds[k, 0]] = 1
        return open_visit(p, s, c, number, s.runs[number]) and fits
    if is_exchange(p, s, row):
        fits = open_visit(p, s, c, number, s.runs[number]) and fits
        return end_visit(p, s, c, row[MACHINE]) and fits
    if row[HELD] >= 0:
        commit_held(p, s, row[HELD], s.scratch[3])
        s.runs[number, HELD] = -1
    commit_run(p, s, number, s.runs[number], stage)
    for k in range(size):
        fits = finish_pieces(p, s, rows + k, row[UNLOAD_END], floor) and fits
    return fits


@compiled
def place_order(
    p: Arrays, s: State, c: Choices, token: int, quota: int, row: Ints, trial: Ints, kinds: Ints, trial_kinds: Ints,
) -> bool:
    """Give the order of a token its next runs, `quota` at most; False where one of them fits nowhere."""
    order = c.tokens[token]
    last = -1
    for _ in range(quota):
        item = p.o_items[order, 0]
        while item < p.o_items[order, 1] and s.left[item] == 0:
            item += 1
        whole = item == p.o_items[order, 1]
        if item != last and (c.late[order] != 2 or not whole) and not end_visits(p, s, c, order, item):
            return False
        if item != last and not finish_waiting(p, s):
            return False
        last = item
        if whole:
            s.placed[order] = 1
            return True
        size = best_run(p, s, c, token, item, row, trial, kinds, trial_kinds)
        if size == 0:
            if not end_visits(p, s, c, -1, -1):
                return False
            size = best_run(p, s, c, token, item, row, trial, kinds, trial_kinds)
        if size == 0 or not enter_run(p, s, c, row, kinds, size, AT_BENCH, 0):
            return False
    return finish_waiting(p, s)


@compiled
def enter_stuck_cut(p: Arrays, s: State, number: int, row: Ints, kinds: Ints, size: int) -> None:
    """A running cut whose run cannot end goes on all the same (F18): a run of which only the cut is in the plan."""
    run, rows = s.counts[RUNS], s.counts[ROWS]
    if run >= s.runs.shape[0] or rows + size > s.pieces.shape[0]:
        s.counts[FULL] = 1
        return
    clear_row(row)
    row[LOAD_AT], row[LOAD_END] = -1, -1
    row[CARRIER], row[MACHINE] = p.floor_runs[number, ROW_CARRIER], p.floor_runs[number, ROW_MACHINE]
    row[CUT_AT], row[CUT_END], row[STAGE], row[FLOOR] = 0, p.floor_runs[number, ROW_CUT_END], CUTTING, 1
    row[KEPT] = -1
    row[FIRST_PIECES], row[LAST_PIECES] = rows, rows + size
    copy_run(row, s.runs[run])
    for k in range(size):
        s.pieces[rows + k, ITEM], s.pieces[rows + k, PIECES], s.pieces[rows + k, PIECES_RUN] = kinds[k, 0], kinds[k, 1], run
        s.pieces[rows + k, BENCH_BY], s.pieces[rows + k, FIRST_BY] = -1, -1
    s.counts[RUNS] += 1
    s.counts[ROWS] += size
    take_open(s, p.l_spindle[row[MACHINE]], 0, row[CUT_END] + p.m_exchange[row[MACHINE]])
    enter_sequence(p, s, row[MACHINE], run, row)


@compiled
def place_floor(p: Arrays, s: State, c: Choices, row: Ints, trial: Ints, kinds: Ints) -> None:
    """Book what is left of the runs under way (F18), and what is frozen; orders are marked where that cannot end within the horizon.

    A run under way that goes on in another way than the plan that is kept has it, since a mill broke, finds its place around what is
    frozen on other mills.
    """
    for number in range(p.floor_runs.shape[0]):
        # Runs cut before come first, and one of them may be pulled or unloaded by hand where another plate is being cut.
        if p.floor_runs[number, ROW_STAGE] == CUTTING:
            mill = p.floor_runs[number, ROW_MACHINE]
            take_open(s, p.l_spindle[mill], 0, p.floor_runs[number, ROW_CUT_END] + p.m_exchange[mill])
    for number in range(p.floor_runs.shape[0]):
        keep_floor(p, s, c, number, p.floor_runs[number, ROW_STAGE])
    keep_runs(p, s, c, FROZEN, 1)
    for number in range(p.floor_runs.shape[0]):
        if goes_on(p, s, number):
            continue
        size = floor_kinds(p, number, kinds)
        carrier = p.floor_runs[number, ROW_CARRIER]
        stage = p.floor_runs[number, ROW_STAGE]
        cut_from = 0
        for k in range(size):
            cut_from = max(cut_from, s.cut_from[kinds[k, 0]])
        for machine in range(p.m_place.shape[0]):
            _, cut, unload = run_seconds(p, p.c_fixture[carrier], machine, kinds, size)
            s.scratch_seconds[machine, 0], s.scratch_seconds[machine, 1] = cut, unload
        if best_rest(p, s, c, p.i_order[kinds[0, 0]], number, cut_from, s.scratch_seconds, row, trial):
            if enter_run(p, s, c, row, kinds, size, stage, 1):
                continue
        else:
            block_rest(p, s, number)
            if stage == CUTTING:
                enter_stuck_cut(p, s, number, row, kinds, size)
        for k in range(size):
            s.placed[p.i_order[kinds[k, 0]]] = STUCK
    keep_runs(p, s, c, FROZEN, 0)


@compiled
def failed(s: State, order: int) -> int:
    """The order that did not fit: the one at its turn, or the one whose plate it drove out; -1 where an array was full."""
    if s.counts[FULL]:
        return -1
    return s.counts[BLAMED] - 1 if s.counts[BLAMED] > 0 else order


@compiled
def place_tokens(p: Arrays, s: State, c: Choices, first: int, last: int, track: Track) -> int:
    """Let the tokens from `first` up to `last` claim their resources; -1, or the number of the order that did not fit, -2 where full,
    GIVEN_UP where the score cannot come below the limit any more. On the way the schedule is marked before every few tokens.
    """
    row, trial = s.scratch[0], s.scratch[1]
    kinds, trial_kinds = s.scratch_kinds[0], s.scratch_kinds[1]
    marks = track.fresh.shape[0]
    mark = 0
    while mark < marks and mark_at(c, mark, marks) < first:
        mark += 1
    for token in range(first, last):
        if mark < marks and mark_at(c, mark, marks) == token:
            track.fresh_size[mark] = save(s, track.fresh[mark])
            mark += 1
        order = c.tokens[token]
        if c.skip[order] or s.placed[order] == 1:
            continue
        if s.placed[order] == STUCK:
            return order
        quota = NEVER if s.last_token[order] == token else c.quota[order]
        if not place_order(p, s, c, token, quota, row, trial, kinds, trial_kinds):
            return failed(s, order)
        if s.counts[FULL]:
            return -2
        if marks and points_so_far(p, s, c, track.rates) > track.limit[0]:
            return GIVEN_UP
    return -1


@compiled
def mark_at(c: Choices, mark: int, marks: int) -> int:
    """The token before which the schedule is marked for the `mark`-th time."""
    return mark * c.tokens.shape[0] // marks


@compiled
def go_on(p: Arrays, s: State, c: Choices, known: Choices, track: Track) -> int:
    """The schedule as it stands at the last mark of `known` before the choices differ; its token, -1 where there is none, GIVEN_UP where
    they do not differ.
    """
    marks = track.marks.shape[0]
    if marks == 0:
        return -1
    first = first_change(p, s, c, known, track.fellows)
    if first == c.tokens.shape[0] and track.size[0] > 0:
        return GIVEN_UP
    for mark in range(marks - 1, -1, -1):
        if track.size[mark] > 0 and mark_at(c, mark, marks) <= first:
            restore(s, track.marks[mark])
            set_workers(p, s, c)
            track.from_mark[0] = mark
            return mark_at(c, mark, marks)
    return -1


@entry
def decode(p: Arrays, s: State, c: Choices, known: Choices, track: Track) -> int:
    """Turn choices into a schedule; the number of an order that did not fit, -1 where all did (or an array was full), GIVEN_UP.

    The last token of an order places all that is left of it. Some tokens may come before what is kept of another plan. The points of a
    schedule that fits are left in the track.
    Where the track has marks of a decode of `known`, it is gone on from the last one that holds; the schedule is the same.
    """
    p, s, c, known, track = by_reference(p), by_reference(s), by_reference(c), by_reference(known), by_reference(track)
    track.from_mark[0], track.points[0] = -1, np.inf
    token = go_on(p, s, c, known, track)
    if token == GIVEN_UP:
        return GIVEN_UP
    for k in range(c.tokens.shape[0]):
        s.last_token[c.tokens[k]] = k
    out = -1
    if token < 0:
        token = min(c.before[0], c.tokens.shape[0])
        reset(p, s, c)
        place_floor(p, s, c, s.scratch[0], s.scratch[1], s.scratch_kinds[0])
        if token > 0:
            out = place_tokens(p, s, c, 0, token, track)
            if out == -1 and not (end_visits(p, s, c, -1, -1) and finish_waiting(p, s)):
                out = failed(s, c.tokens[token - 1])
        if out == -1:
            keep_runs(p, s, c, 1, 0)
    if out == -1:
        out = place_tokens(p, s, c, token, c.tokens.shape[0], track)
    if out == GIVEN_UP:
        return GIVEN_UP
    if out != -1:
        return max(out, -1)
    for order in range(p.o_items.shape[0]):
        if not (end_visits(p, s, c, order, -1) and finish_waiting(p, s)):
            return failed(s, order)
    track.points[0] = points(p, s, c, track.rates)
    return -1


@entry
def keep_marks(track: Track) -> None:
    """The choices decoded last are those to compare with from now on: their marks take the place of the older ones."""
    for mark in range(track.from_mark[0] + 1, track.marks.shape[0]):
        size = track.fresh_size[mark] if track.fresh_size[mark] <= track.marks.shape[1] else -1
        track.size[mark] = size
        for k in range(size):
            track.marks[mark, k] = track.fresh[mark, k]


@entry
def mark_size(s: State) -> int:
    """How many numbers a mark of the schedule in the state takes."""
    return size_now(by_reference(s))
