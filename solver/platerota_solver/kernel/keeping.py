"""Runs kept where another plan has them: booked at those very times before anything else claims resources.

What is kept costs a booking instead of a look at every plate and mill, and what is not kept finds its place around it. So a plan is
varied, replanned, or searched on from (large-neighbourhood search: Shaw 1998, CP98, LNCS 1520:417–431). A run is kept only where all
of it still holds: times free, pieces there, setup right. Where it does not, its pieces claim resources like all others.
"""

from __future__ import annotations

from platerota_solver.kernel.booking import commit_run, take
from platerota_solver.kernel.choosing import copy_run
from platerota_solver.kernel.fitting import last_cut_before, next_setup_stays, previous_fixture, table_free_from
from platerota_solver.kernel.floor import ROW_CARRIER, ROW_CUT_END, ROW_FIRST, ROW_LAST, ROW_MACHINE, ROW_STAGE
from platerota_solver.kernel.pausing import closed_between, pausing_end, take_pausing
from platerota_solver.kernel.spans import compiled, row_at
from platerota_solver.kernel.state import (
    AT_BENCH,
    BENCH_AT,
    BENCH_BY,
    BENCH_END,
    CARRIER,
    CUT_AT,
    CUT_END,
    CUTTING,
    FIRST_AT,
    FIRST_BY,
    FIRST_END,
    FIRST_PIECES,
    FLOOR,
    FROZEN,
    FULL,
    ITEM,
    KEPT,
    KEPT_TASKS,
    LAST_PIECES,
    LOAD_AT,
    LOAD_BY,
    LOAD_END,
    LOADED,
    MACHINE,
    PIECE_COLUMNS,
    PIECES,
    PIECES_RUN,
    PLACE_AT,
    PLACE_BY,
    PLACE_END,
    PLACED,
    PULL_AT,
    PULL_BY,
    PULL_END,
    PULLED,
    ROWS,
    RUNS,
    SEQ_END,
    SETUP_AT,
    SETUP_BY,
    SETUP_END,
    STAGE,
    UNLOAD_AT,
    UNLOAD_BY,
    UNLOAD_END,
    Choices,
    State,
)
from platerota_solver.kernel.supply import add_supply, supply_by, take_latest
from platerota_solver.problem import Arrays, Ints


@compiled
def may_take(s: State, number: int, a: int, b: int) -> bool:
    """Whether a list (-1: none) holds ``[a, b)``; of work of 0 seconds, that its instant is not inside other work."""
    if number < 0:
        return True
    low, high = s.off[number], s.off[number] + s.count[number]
    row = row_at(s.end, low, high, a)
    if b <= a and row > low and s.end[row - 1] == a:
        return True
    return row < high and s.start[row] <= a and s.end[row] >= b


@compiled
def plate_open(s: State, opened: int, row: Ints, stage: int, stays: bool) -> bool:
    """Whether no task of the run meets a closure of its plate (F17)."""
    if opened < 0:
        return True
    if stage == AT_BENCH and not may_take(s, opened, row[LOAD_AT], row[LOAD_END]):
        return False
    if stage <= LOADED and not stays and not may_take(s, opened, row[PLACE_AT], row[PLACE_END]):
        return False
    if stage <= PLACED and not may_take(s, opened, row[CUT_AT], row[CUT_END]):
        return False
    if stage < PULLED and not stays and not may_take(s, opened, row[PULL_AT], row[PULL_END]):
        return False
    return may_take(s, opened, row[UNLOAD_AT], row[UNLOAD_END])


@compiled
def setup_holds(p: Arrays, s: State, row: Ints, stage: int) -> bool:
    """Whether the run's setup is the one it needs here, or it needs none (F8), and its people and spindle are free for it."""
    if stage > PLACED:
        return True
    machine, fixture = row[MACHINE], p.c_fixture[row[CARRIER]]
    before = last_cut_before(s, machine, row[CUT_AT])
    if not next_setup_stays(p, s, machine, before, fixture, row[CUT_END]):
        return False
    needed = p.setup[machine, previous_fixture(p, s, machine, before) + 1, fixture]
    if needed == 0:
        return True
    free_from = s.sequence[machine, before, SEQ_END] if before >= 0 else 0
    return (
        row[SETUP_AT] >= free_from and row[SETUP_END] - row[SETUP_AT] == needed
        and may_take(s, row[SETUP_BY], row[SETUP_AT], row[SETUP_END])
        and may_take(s, p.l_spindle[machine], row[SETUP_AT], row[SETUP_END])
    )


@compiled
def trip_holds(p: Arrays, s: State, row: Ints, stage: int) -> bool:
    """Whether everything that the run claims from its stage on is free (F4–F7, F9–F11, F17)."""
    machine, plate = row[MACHINE], p.c_plate[row[CARRIER]]
    spindle, station, stays = p.l_spindle[machine], p.l_station[machine], p.p_stays[plate] >= 0
    held_from = row[LOAD_AT] if stage == AT_BENCH else 0
    if not may_take(s, p.l_plate[plate], held_from, row[UNLOAD_END]) or not plate_open(s, p.l_open[plate], row, stage, stays):
        return False
    if stage == AT_BENCH and not may_take(s, row[LOAD_BY], row[LOAD_AT], row[LOAD_END]):
        return False
    if not may_take(s, row[UNLOAD_BY], row[UNLOAD_AT], row[UNLOAD_END]):
        return False
    if stays:
        if stage == AT_BENCH and not may_take(s, spindle, row[LOAD_AT], row[LOAD_END]):
            return False
        if not may_take(s, spindle, row[UNLOAD_AT], row[UNLOAD_END]):
            return False
    elif stage < PULLED:
        if stage <= LOADED and not (
            may_take(s, row[PLACE_BY], row[PLACE_AT], row[PLACE_END]) and may_take(s, station, row[PLACE_AT], row[PLACE_END])
        ):
            return False
        if not (may_take(s, row[PULL_BY], row[PULL_AT], row[PULL_END]) and may_take(s, station, row[PULL_AT], row[PULL_END])):
            return False
        stands_from = row[PLACE_AT] if stage <= LOADED else 0
        if table_free_from(p, s, machine, stands_from, row[PULL_END]) != stands_from:
            return False
    if stage > PLACED:
        return True
    return may_take(s, spindle, row[CUT_AT], row[CUT_END]) and may_take(s, p.l_cut[machine], row[CUT_AT], row[CUT_END])


@compiled
def pieces_hold(p: Arrays, s: State, c: Choices, row: Ints, floor: int) -> bool:
    """Whether the run's pieces are there when it is loaded, and what follows their unload can be done when it was to be (F13–F15).

    Not where one of its orders is left out.
    """
    for k in range(row[FIRST_PIECES], row[LAST_PIECES]):
        item, pieces = p.k_pieces[k, ITEM], p.k_pieces[k, PIECES]
        step = p.i_step[item]
        if not floor:
            if c.skip[p.i_order[item]] or s.left[item] < pieces or row[CUT_AT] < s.cut_from[item]:
                return False
            if p.i_ready[item] < 0:
                if p.o_release[p.i_order[item]] > row[LOAD_AT]:
                    return False
            elif supply_by(s, item, row[LOAD_AT]) < pieces:
                return False
        if p.i_first[item] and s.begun[item] == 0:
            by, at, end = p.k_pieces[k, FIRST_BY], p.k_pieces[k, FIRST_AT], p.k_pieces[k, FIRST_END]
            if by < 0 or end - at != p.s_first[step] or not may_take(s, by, at, end):
                return False
        ready = row[UNLOAD_END]
        if p.s_bench[step] > 0:
            by, at, ready = p.k_pieces[k, BENCH_BY], p.k_pieces[k, BENCH_AT], p.k_pieces[k, BENCH_END]
            if by < 0 or pausing_end(p, s, by, at, pieces * p.s_bench[step]) != ready:
                return False
        if ready + p.s_after[step] > p.horizon[0]:
            return False
    return True


@compiled
def build_holds(p: Arrays, s: State, c: Choices, row: Ints) -> bool:
    """Whether the build that the run needs is done, or can be done when it was to be (F16)."""
    carrier = row[CARRIER]
    if p.c_build[carrier] == 0 or s.built[carrier, 0] >= 0:
        return s.built[carrier, 0] < 0 or s.built[carrier, 2] <= row[LOAD_AT]
    by, at, end = p.k_built[carrier, 0], p.k_built[carrier, 1], p.k_built[carrier, 2]
    plate = p.c_plate[carrier]
    if by < 0 or c.build[carrier] == 0 or end > row[LOAD_AT] or not may_take(s, p.l_plate[plate], 0, end):
        return False
    return pausing_end(p, s, by, at, p.c_build[carrier]) == end and not closed_between(p, s, by, at, end, p.l_open[plate])


@compiled
def keep_pieces(p: Arrays, s: State, row: int, given: Ints, loaded: int, unloaded: int, floor: int) -> None:
    """Take the pieces, book first article and bench work of pieces as given, and their arrival at the next op (F14, F15, F19)."""
    item, pieces = given[ITEM], given[PIECES]
    order, step = p.i_order[item], p.i_step[item]
    for column in range(PIECE_COLUMNS):
        if column != PIECES_RUN:
            s.pieces[row, column] = given[column]
    if not floor:
        s.left[item] -= pieces
        if p.i_ready[item] >= 0:
            take_latest(s, item, loaded, pieces)
    done = unloaded
    if p.i_first[item] and s.begun[item] == 0:
        take(s, given[FIRST_BY], given[FIRST_AT], given[FIRST_END])
        s.cut_from[item] = given[FIRST_END]
        done = given[FIRST_END]
    else:
        s.counts[KEPT_TASKS] -= 1 if given[FIRST_BY] >= 0 else 0
        s.pieces[row, FIRST_BY] = -1
    s.begun[item] = 1
    ready = unloaded
    if p.s_bench[step] > 0:
        take_pausing(p, s, given[BENCH_BY], given[BENCH_AT], given[BENCH_END])
        ready = given[BENCH_END]
    else:
        s.counts[KEPT_TASKS] -= 1 if given[BENCH_BY] >= 0 else 0
        s.pieces[row, BENCH_BY] = -1
    ready += p.s_after[step]
    s.finish[order] = max(s.finish[order], done, ready)
    if p.i_next[item] >= 0:
        add_supply(s, p.i_next[item], ready, pieces)


@compiled
def keep_run(p: Arrays, s: State, c: Choices, k: int, stage: int, floor: int) -> bool:
    """Book run `k` of the plan that is kept from its stage on; False, and nothing booked, where something of it no longer holds."""
    row = p.k_runs[k]
    holds = trip_holds(p, s, row, stage) and setup_holds(p, s, row, stage) and pieces_hold(p, s, c, row, floor)
    if not holds or not build_holds(p, s, c, row):
        return False
    number, rows, size = s.counts[RUNS], s.counts[ROWS], row[LAST_PIECES] - row[FIRST_PIECES]
    if number >= s.runs.shape[0] or rows + size > s.pieces.shape[0]:
        s.counts[FULL] = 1
        return False
    carrier, machine = row[CARRIER], row[MACHINE]
    s.counts[KEPT_TASKS] += p.k_tasks[k]
    if p.c_build[carrier] > 0 and s.built[carrier, 0] < 0:
        for column in range(3):
            s.built[carrier, column] = p.k_built[carrier, column]
        take_pausing(p, s, s.built[carrier, 0], s.built[carrier, 1], s.built[carrier, 2])
        take(s, p.l_plate[p.c_plate[carrier]], 0, s.built[carrier, 2])
        s.counts[KEPT_TASKS] += 1
    copy_run(row, s.runs[number])
    own = s.runs[number]
    own[FIRST_PIECES], own[LAST_PIECES], own[STAGE], own[FLOOR], own[KEPT] = rows, rows + size, stage, floor, k
    if own[SETUP_AT] >= 0 and stage <= PLACED:
        before = last_cut_before(s, machine, own[CUT_AT])
        if p.setup[machine, previous_fixture(p, s, machine, before) + 1, p.c_fixture[carrier]] == 0:
            own[SETUP_BY], own[SETUP_AT], own[SETUP_END] = -1, -1, -1
            s.counts[KEPT_TASKS] -= 1
    s.counts[RUNS] += 1
    s.counts[ROWS] += size
    commit_run(p, s, number, own, stage)
    for j in range(size):
        s.pieces[rows + j, PIECES_RUN] = number
        given = p.k_pieces[row[FIRST_PIECES] + j]
        s.machine_of[p.i_order[given[ITEM]]] = machine
        keep_pieces(p, s, rows + j, given, own[LOAD_AT], own[UNLOAD_END], floor)
    return True


@compiled
def is_kept(s: State, k: int) -> bool:
    """Whether run `k` of the plan that is kept is booked."""
    number = 0
    while number < s.counts[RUNS] and s.runs[number, KEPT] != k:
        number += 1
    return bool(number < s.counts[RUNS])


@compiled
def goes_on(p: Arrays, s: State, number: int) -> bool:
    """Whether run `number` of the floor is booked as the plan that is kept has it."""
    return p.k_floor[number] >= 0 and is_kept(s, p.k_floor[number])


@compiled
def comes_after_floor(p: Arrays, s: State, k: int) -> bool:
    """Whether run `k` of the plan that is kept shares plate, machine or op with a run under way that does not go on as that plan has it."""
    row = p.k_runs[k]
    for number in range(p.floor_runs.shape[0]):
        if goes_on(p, s, number):
            continue
        floor = p.floor_runs[number]
        if p.c_plate[floor[ROW_CARRIER]] == p.c_plate[row[CARRIER]] or floor[ROW_MACHINE] == row[MACHINE]:
            return True
        for mine in range(row[FIRST_PIECES], row[LAST_PIECES]):
            for other in range(floor[ROW_FIRST], floor[ROW_LAST]):
                if p.k_pieces[mine, ITEM] == p.floor_pieces[other, 0]:
                    return True
    return False


@compiled
def keep_runs(p: Arrays, s: State, c: Choices, level: int, before_floor: int) -> None:
    """Book every run that is to be kept at this level and is not yet, in the order of their cuts.

    Before the floor (`place_floor`) only those that no run under way has to come before.
    """
    for k in range(p.k_runs.shape[0]):
        if c.keep[k] != level or p.k_runs[k, STAGE] != AT_BENCH or (before_floor and comes_after_floor(p, s, k)):
            continue
        if level != FROZEN or not is_kept(s, k):
            keep_run(p, s, c, k, AT_BENCH, 0)


@compiled
def stands_in_the_way(p: Arrays, s: State, machine: int) -> bool:
    """Whether a plate stands on the machine's table that does not go on as the plan that is kept has it: nobody knows yet until when."""
    for number in range(p.floor_runs.shape[0]):
        floor = p.floor_runs[number]
        stands = PLACED <= floor[ROW_STAGE] < PULLED and p.p_stays[p.c_plate[floor[ROW_CARRIER]]] < 0
        if stands and floor[ROW_MACHINE] == machine and not goes_on(p, s, number):
            return True
    return False


@compiled
def keep_floor(p: Arrays, s: State, c: Choices, number: int, stage: int) -> bool:
    """Book what is left of run `number` of the floor as the plan that is kept has it; False where that does not hold."""
    k = p.k_floor[number]
    if k < 0 or c.keep[k] == 0:
        return False
    if stage == CUTTING and p.k_runs[k, CUT_END] != p.floor_runs[number, ROW_CUT_END]:
        return False
    if stage == LOADED and stands_in_the_way(p, s, p.k_runs[k, MACHINE]):
        return False
    return keep_run(p, s, c, k, stage, 1)
