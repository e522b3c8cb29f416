"""Choices to schedule: orders claim resources in the sequence of the tokens, each run at the earliest place it fits.

A serial schedule-generation scheme (Kolisch 1996, European Journal of Operational Research 90:320–333) over plates,
machines and people at once: every run looks at each carrier and machine it may use and takes the best.
"""

from __future__ import annotations

from platerota_solver.kernel.filling import fill_others, primary_fill, run_seconds
from platerota_solver.kernel.fitting import commit_run, enter_sequence, find_worker, fit_run, take, take_open
from platerota_solver.kernel.floor import ROW_CARRIER, ROW_CUT_END, ROW_MACHINE, ROW_STAGE, best_rest, block_rest, clear_row, floor_kinds
from platerota_solver.kernel.pausing import find_pausing, take_pausing
from platerota_solver.kernel.spans import NEVER, compiled, entry
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
    FULL,
    ITEM,
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
    WAITING_FROM,
    WAITS,
    Choices,
    State,
)
from platerota_solver.kernel.supply import add_supply, take_supply
from platerota_solver.problem import BENCH, BUILD, FIRST_ARTICLE, Arrays, Ints

STUCK = 2
"""Mark of an order whose run on the floor cannot end within the horizon."""


@compiled
def reset(p: Arrays, s: State, c: Choices) -> None:
    """An empty schedule: all time free, nothing in runs, overtime open as chosen."""
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
    for skill in range(7):
        n = 0
        for u in range(p.can.shape[1]):
            if p.can[skill, u]:
                s.workers[skill, n] = p.l_operator[u]
                n += 1
        for u in range(p.can.shape[1]):
            if p.can[skill, u] and s.count[p.l_overtime[u]] > 0:
                s.workers[skill, n] = p.l_overtime[u]
                n += 1
        s.worker_count[skill] = n
    for m in range(s.table_count.shape[0]):
        s.table_count[m], s.sequence_count[m] = 0, 0
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
def copy_run(source: Ints, target: Ints) -> None:
    """Copy a row of run columns."""
    for column in range(source.shape[0]):
        target[column] = source[column]


@compiled
def build_time(p: Arrays, s: State, carrier: int, slot: Ints) -> int:
    """When a carrier is ready for its first load: its build's end (F16), 0 where the plate carries the fixture."""
    if p.c_build[carrier] == 0:
        return 0
    if s.built[carrier, 0] >= 0:
        return s.built[carrier, 2]
    held = p.l_plate[p.c_plate[carrier]]
    if s.count[held] != 1 or s.start[s.off[held]] != 0:
        return NEVER  # the blank is taken by another build
    slot[0], slot[1], slot[2] = find_pausing(p, s, BUILD, 0, p.c_build[carrier], p.l_open[p.c_plate[carrier]])
    return slot[2] if slot[0] >= 0 else NEVER


@compiled
def best_run(p: Arrays, s: State, c: Choices, token: int, item: int, row: Ints, trial: Ints, kinds: Ints, trial_kinds: Ints) -> int:
    """The best next run for `item` over every carrier and machine; its number of kinds, 0 where nothing fits.

    Runs are compared by the instant they end, less what their pieces would take at the pace of a full plate (so that a
    plate with more nests is preferred when it pays), plus a minute for leaving the machine the order used last.
    """
    order, step = p.i_order[item], p.i_step[item]
    best, size = NEVER, 0
    slot = s.scratch[4]
    for k in range(p.step_from[step], p.step_from[step + 1]):
        carrier = p.step_carriers[k]
        if c.no_carrier[order, carrier] or (p.c_build[carrier] > 0 and c.build[carrier] == 0):
            continue
        built = build_time(p, s, carrier, slot)
        if built == NEVER:
            continue
        fixture = p.c_fixture[carrier]
        for machine in range(p.m_place.shape[0]):
            if not p.fits[carrier, machine] or c.no_machine[order, machine]:
                continue
            pieces, ready = primary_fill(p, s, c, item, carrier, machine)
            if pieces == 0 or ready == NEVER:
                continue
            trial[CARRIER], trial[MACHINE] = carrier, machine
            pace = p.s_cut[step] + (p.f_load_piece[fixture] + p.f_unload_piece[fixture])
            pace += (p.f_cycle[fixture] + p.f_load[fixture] + p.f_unload[fixture]) // max(1, p.nests[fixture, step])
            credit = pieces * pace * c.hurry[order] // 100
            penalty = 60 if s.machine_of[order] not in (-1, machine) else 0
            limit = min(p.horizon[0], NEVER if best == NEVER else best + credit - penalty - 1)
            found = fill_and_fit(p, s, c, token, item, pieces, max(ready, built), limit, trial, trial_kinds)
            if found:
                key = trial[UNLOAD_END] - credit + penalty
                if key < best:
                    best, size = key, found
                    copy_run(trial, row)
                    for j in range(found):
                        kinds[j, 0], kinds[j, 1] = trial_kinds[j, 0], trial_kinds[j, 1]
    return size


@compiled
def unload_room(p: Arrays, c: Choices, order: int, machine: int, fixture: int) -> int:
    """Seconds kept free between a pull and its unload, so that the spindle is served first: for a place, or for a setup too."""
    if c.room[order] == 0:
        return 0
    room = p.m_place[machine]
    if c.room[order] == 2:
        longest = 0
        for after in range(p.f_cycle.shape[0]):
            longest = max(longest, p.setup[machine, fixture + 1, after])
        room += longest
    return room


@compiled
def fill_and_fit(
    p: Arrays, s: State, c: Choices, token: int, item: int, pieces: int, ready: int, limit: int, trial: Ints, kinds: Ints,
) -> int:
    """Fit a run of the primary pieces, then fill its other nests with what is there when its load starts; kinds, or 0."""
    carrier, machine = trial[CARRIER], trial[MACHINE]
    fixture = p.c_fixture[carrier]
    kinds[0, 0], kinds[0, 1] = item, pieces
    load, cut, unload = run_seconds(p, fixture, machine, kinds, 1)
    room = unload_room(p, c, p.i_order[item], machine, fixture)
    if not fit_run(p, s, carrier, machine, load, cut, unload, ready, s.cut_from[item], room, limit, trial):
        return 0
    size = fill_others(p, s, c, token, item, trial, pieces, trial[LOAD_AT], kinds)
    if size == 1:
        return 1
    load, cut, unload = run_seconds(p, fixture, machine, kinds, size)
    from_cut = s.cut_from[item]
    for k in range(1, size):
        from_cut = max(from_cut, s.cut_from[kinds[k, 0]])
    slack = cut + load + unload
    if fit_run(p, s, carrier, machine, load, cut, unload, ready, from_cut, room, min(p.horizon[0], limit + slack), trial):
        return size
    kinds[0, 0], kinds[0, 1] = item, pieces
    load, cut, unload = run_seconds(p, fixture, machine, kinds, 1)
    return 1 if fit_run(p, s, carrier, machine, load, cut, unload, ready, s.cut_from[item], room, limit, trial) else 0


@compiled
def enter_run(p: Arrays, s: State, row: Ints, kinds: Ints, size: int, stage: int, floor: int) -> bool:
    """Commit a run with its pieces, their bench work and first article; False where those find no operator (F12, F15)."""
    number, rows = s.counts[RUNS], s.counts[ROWS]
    if number >= s.runs.shape[0] or rows + size > s.pieces.shape[0]:
        s.counts[FULL] = 1
        return False
    carrier = row[CARRIER]
    if p.c_build[carrier] > 0 and s.built[carrier, 0] < 0:
        by, at, end = find_pausing(p, s, BUILD, 0, p.c_build[carrier], p.l_open[p.c_plate[carrier]])
        s.built[carrier, 0], s.built[carrier, 1], s.built[carrier, 2] = by, at, end
        take_pausing(p, s, by, at, end)
        take(s, p.l_plate[p.c_plate[carrier]], 0, end)
    copy_run(row, s.runs[number])
    s.runs[number, FIRST_PIECES], s.runs[number, LAST_PIECES] = rows, rows + size
    s.runs[number, STAGE], s.runs[number, FLOOR] = stage, floor
    s.counts[RUNS] += 1
    s.counts[ROWS] += size
    commit_run(p, s, number, s.runs[number], stage)
    whole = True
    for k in range(size):
        s.pieces[rows + k, ITEM], s.pieces[rows + k, PIECES], s.pieces[rows + k, PIECES_RUN] = kinds[k, 0], kinds[k, 1], number
        whole = finish_pieces(p, s, rows + k, row[UNLOAD_END], row[MACHINE], floor) and whole
    return whole


@compiled
def finish_pieces(p: Arrays, s: State, row: int, unloaded: int, machine: int, floor: int) -> bool:
    """First article and bench work after an unload, and the pieces' arrival at the next op (F14, F15, F19)."""
    item, pieces = s.pieces[row, ITEM], s.pieces[row, PIECES]
    order, step = p.i_order[item], p.i_step[item]
    if not floor:
        s.left[item] -= pieces
        if p.i_ready[item] >= 0:
            take_supply(s, item, pieces)
    s.pieces[row, BENCH_BY], s.pieces[row, FIRST_BY] = -1, -1
    done = unloaded
    if p.i_first[item] and s.begun[item] == 0:
        length = p.s_first[step]
        by, at = find_worker(s, FIRST_ARTICLE, unloaded, length, -1, -1, -1, -1, 0, 0)
        if at == NEVER:
            return False
        s.pieces[row, FIRST_BY], s.pieces[row, FIRST_AT], s.pieces[row, FIRST_END] = by, at, at + length
        take(s, by, at, at + length)
        s.cut_from[item] = at + length
        done = at + length
    s.begun[item] = 1
    s.machine_of[order] = machine
    s.finish[order] = max(s.finish[order], done)
    if p.s_bench[step] > 0 and not floor and not feeds_itself(p, s, row):
        s.pieces[row, BENCH_BY] = WAITS
        return True
    return finish_bench(p, s, row, unloaded)


@compiled
def feeds_itself(p: Arrays, s: State, row: int) -> bool:
    """Whether the next op of these pieces has nests on the very fixture they came from: then bench work cannot wait."""
    after = p.i_next[s.pieces[row, ITEM]]
    fixture = p.c_fixture[s.runs[s.pieces[row, PIECES_RUN], CARRIER]]
    return after >= 0 and p.nests[fixture, p.i_step[after]] > 0


@compiled
def finish_waiting(p: Arrays, s: State) -> bool:
    """Book the bench work that waited until the runs of its order stood: loads keep the mills going, deburring fills the gaps."""
    for row in range(s.counts[WAITING_FROM], s.counts[ROWS]):
        if s.pieces[row, BENCH_BY] == WAITS and not finish_bench(p, s, row, s.runs[s.pieces[row, PIECES_RUN], UNLOAD_END]):
            return False
    s.counts[WAITING_FROM] = s.counts[ROWS]
    return True


@compiled
def finish_bench(p: Arrays, s: State, row: int, unloaded: int) -> bool:
    """Bench work after an unload, and the pieces' arrival at the next op (F12, F14, F19); False past the horizon."""
    item, pieces = s.pieces[row, ITEM], s.pieces[row, PIECES]
    order, step = p.i_order[item], p.i_step[item]
    s.pieces[row, BENCH_BY] = -1
    ready = unloaded
    if p.s_bench[step] > 0:
        by, at, end = find_pausing(p, s, BENCH, unloaded, pieces * p.s_bench[step], -1)
        if by < 0:
            return False
        s.pieces[row, BENCH_BY], s.pieces[row, BENCH_AT], s.pieces[row, BENCH_END] = by, at, end
        take_pausing(p, s, by, at, end)
        ready = end
    ready += p.s_after[step]
    s.finish[order] = max(s.finish[order], ready)
    if p.i_next[item] >= 0:
        add_supply(s, p.i_next[item], ready, pieces)
    return ready <= p.horizon[0]


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
        if item != last and not finish_waiting(p, s):
            return False
        last = item
        if item == p.o_items[order, 1]:
            s.placed[order] = 1
            return True
        size = best_run(p, s, c, token, item, row, trial, kinds, trial_kinds)
        if size == 0 or not enter_run(p, s, row, kinds, size, AT_BENCH, 0):
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
    row[FIRST_PIECES], row[LAST_PIECES] = rows, rows + size
    copy_run(row, s.runs[run])
    for k in range(size):
        s.pieces[rows + k, ITEM], s.pieces[rows + k, PIECES], s.pieces[rows + k, PIECES_RUN] = kinds[k, 0], kinds[k, 1], run
        s.pieces[rows + k, BENCH_BY], s.pieces[rows + k, FIRST_BY] = -1, -1
    s.counts[RUNS] += 1
    s.counts[ROWS] += size
    take_open(s, p.l_spindle[row[MACHINE]], 0, row[CUT_END])
    enter_sequence(p, s, row[MACHINE], run, row)


@compiled
def place_floor(p: Arrays, s: State, row: Ints, trial: Ints, kinds: Ints) -> None:
    """Book what is left of the runs under way (F18); their orders are marked where that cannot end within the horizon."""
    for number in range(p.floor_runs.shape[0]):
        # Runs cut before come first, and one of them may be pulled or unloaded by hand where another plate is being cut.
        if p.floor_runs[number, ROW_STAGE] == CUTTING:
            take_open(s, p.l_spindle[p.floor_runs[number, ROW_MACHINE]], 0, p.floor_runs[number, ROW_CUT_END])
    for number in range(p.floor_runs.shape[0]):
        size = floor_kinds(p, number, kinds)
        carrier = p.floor_runs[number, ROW_CARRIER]
        stage = p.floor_runs[number, ROW_STAGE]
        cut_from = 0
        for k in range(size):
            cut_from = max(cut_from, s.cut_from[kinds[k, 0]])
        for machine in range(p.m_place.shape[0]):
            _, cut, unload = run_seconds(p, p.c_fixture[carrier], machine, kinds, size)
            s.scratch_seconds[machine, 0], s.scratch_seconds[machine, 1] = cut, unload
        if best_rest(p, s, number, cut_from, s.scratch_seconds, row, trial):
            if enter_run(p, s, row, kinds, size, stage, 1):
                continue
        else:
            block_rest(p, s, number)
            if stage == CUTTING:
                enter_stuck_cut(p, s, number, row, kinds, size)
        for k in range(size):
            s.placed[p.i_order[kinds[k, 0]]] = STUCK


@entry
def decode(p: Arrays, s: State, c: Choices) -> int:
    """Turn choices into a schedule; the number of an order that did not fit, -1 where all did (or an array was full).

    The last token of an order places all that is left of it.
    """
    reset(p, s, c)
    last_token = s.last_token
    for token in range(c.tokens.shape[0]):
        last_token[c.tokens[token]] = token
    row, trial = s.scratch[0], s.scratch[1]
    kinds, trial_kinds = s.scratch_kinds[0], s.scratch_kinds[1]
    place_floor(p, s, row, trial, kinds)
    for token in range(c.tokens.shape[0]):
        order = c.tokens[token]
        if c.skip[order] or s.placed[order] == 1:
            continue
        if s.placed[order] == STUCK:
            return order
        quota = NEVER if last_token[order] == token else c.quota[order]
        if not place_order(p, s, c, token, quota, row, trial, kinds, trial_kinds):
            return -1 if s.counts[FULL] else order
        if s.counts[FULL]:
            return -1
    return -1
