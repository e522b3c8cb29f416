"""A cut held back until a second plate stands on the machine too, so that both are cut while nobody is there.

By hand no plate is placed while the spindle cuts (F7). On a machine with several positions whose people leave, the plate placed last
may wait with its cut for the next one: both go in, then both are cut in turn. Taken where the two runs together end sooner for it.
"""

from __future__ import annotations

from platerota_solver.kernel.booking import is_free, take
from platerota_solver.kernel.fitting import earliest_cut, find_worker, table_free_from
from platerota_solver.kernel.spans import NEVER, compiled, give_back
from platerota_solver.kernel.state import (
    AT_BENCH,
    BENCH_BY,
    CARRIER,
    CUT_AT,
    CUT_END,
    FIRST_BY,
    FIRST_PIECES,
    HELD,
    ITEM,
    KEPT,
    LAST_PIECES,
    LOAD_AT,
    LOAD_END,
    MACHINE,
    PLACE_AT,
    PLACE_BY,
    PLACE_END,
    PULL_AT,
    PULL_BY,
    PULL_END,
    SEQ_END,
    SEQ_RUN,
    SEQ_START,
    SETUP_AT,
    STAGE,
    UNLOAD_AT,
    UNLOAD_BY,
    UNLOAD_END,
    State,
)
from platerota_solver.problem import EXCHANGE, UNLOAD, Arrays, Ints


@compiled
def holdable(p: Arrays, s: State, machine: int) -> int:
    """The run that is cut last on a machine, where its cut could be held back for another plate; -1 where nothing can be.

    What follows its unload must not be booked yet, or be the order's finish alone.
    """
    if s.several[machine] == 0 or s.sequence_count[machine] == 0:
        return -1
    number = s.sequence[machine, s.sequence_count[machine] - 1, SEQ_RUN]
    row = s.runs[number]
    if row[STAGE] != AT_BENCH or row[KEPT] >= 0 or not is_free(s, p.l_plate[p.c_plate[row[CARRIER]]], row[UNLOAD_END], p.horizon[0]):
        return -1
    for k in range(row[FIRST_PIECES], row[LAST_PIECES]):
        if p.i_next[s.pieces[k, ITEM]] >= 0 or s.pieces[k, FIRST_BY] >= 0 or s.pieces[k, BENCH_BY] >= 0:
            return -1
    return number


@compiled
def lift_run(p: Arrays, s: State, row: Ints, number: int) -> int:
    """Give back cut, pull and unload of a run; the row of its stay in the machine's table, which is taken to last."""
    machine = row[MACHINE]
    spindle = p.l_spindle[machine]
    give_back(s, spindle, row[CUT_AT], row[CUT_END])
    give_back(s, spindle, row[PULL_AT], row[PULL_END])
    give_back(s, row[PULL_BY], row[PULL_AT], row[PULL_END])
    give_back(s, row[UNLOAD_BY], row[UNLOAD_AT], row[UNLOAD_END])
    for k in range(s.table_count[machine]):
        if s.table[machine, k, 0] == row[PLACE_AT] and s.table[machine, k, 1] == row[PULL_END]:
            s.table[machine, k, 1] = p.horizon[0]
            return k
    return -1


@compiled
def put_run(p: Arrays, s: State, row: Ints, stay: int) -> None:
    """Book cut, pull and unload of a lifted run at the times in `row`."""
    spindle = p.l_spindle[row[MACHINE]]
    take(s, spindle, row[CUT_AT], row[CUT_END])
    take(s, spindle, row[PULL_AT], row[PULL_END])
    take(s, row[PULL_BY], row[PULL_AT], row[PULL_END])
    take(s, row[UNLOAD_BY], row[UNLOAD_AT], row[UNLOAD_END])
    s.table[row[MACHINE], stay, 1] = row[PULL_END]


@compiled
def hold_back(p: Arrays, s: State, number: int, cut_from: int, row: Ints, other: Ints) -> None:
    """Where holding back the cut of run `number` for the run in `row` brings both together forward, put that into both rows.

    `row` holds where the new run fits without; `other` becomes the held run's row.
    """
    before, machine = s.runs[number], row[MACHINE]
    row[HELD] = -1
    cut, held_cut = row[CUT_END] - row[CUT_AT], before[CUT_END] - before[CUT_AT]
    placed = max(row[LOAD_END], before[PLACE_END]) + p.m_place[machine]
    carrier, plate = row[CARRIER], p.c_plate[row[CARRIER]]
    if row[SETUP_AT] >= 0 or placed + held_cut >= row[CUT_AT] or row[CUT_AT] < before[CUT_END] or plate == p.c_plate[before[CARRIER]]:
        return
    if p.setup[machine, p.c_fixture[before[CARRIER]] + 1, p.c_fixture[carrier]] > 0:
        return
    opened, also, spindle = p.l_open[plate], p.l_open[p.c_plate[before[CARRIER]]], p.l_spindle[machine]
    for column in range(row.shape[0]):
        other[column] = before[column]
    stay = lift_run(p, s, before, number)
    by, at = find_worker(s, EXCHANGE, placed - p.m_place[machine], p.m_place[machine], spindle, opened, -1, -1, 0, 0)
    fits = at != NEVER
    if fits:
        other[CUT_AT] = earliest_cut(p, s, machine, also, max(at + p.m_place[machine], before[CUT_AT]), held_cut)
        other[CUT_END] = other[CUT_AT] + held_cut
        cut_at = earliest_cut(p, s, machine, opened, max(other[CUT_END], cut_from), cut)
        other[PULL_BY], other[PULL_AT] = find_worker(s, EXCHANGE, cut_at + cut, p.m_pull[machine], spindle, also, -1, -1, 0, 0)
        other[PULL_END] = other[PULL_AT] + p.m_pull[machine]
        pull_by, pull_at = find_worker(s, EXCHANGE, other[PULL_END], p.m_pull[machine], spindle, opened, -1, -1, 0, 0)
        pull_end = pull_at + p.m_pull[machine]
        length = before[UNLOAD_END] - before[UNLOAD_AT]
        after = max(other[PULL_END], before[UNLOAD_AT])  # no sooner than it was: its order's finish is noted already
        other[UNLOAD_BY], other[UNLOAD_AT] = find_worker(s, UNLOAD, after, length, also, -1, -1, pull_by, pull_at, pull_end)
        other[UNLOAD_END] = other[UNLOAD_AT] + length
        length = row[UNLOAD_END] - row[UNLOAD_AT]
        unload_by, unload_at = find_worker(
            s, UNLOAD, pull_end, length, opened, -1, -1, other[UNLOAD_BY], other[UNLOAD_AT], other[UNLOAD_END])
        fits = (
            unload_at + length + other[UNLOAD_END] < row[UNLOAD_END] + before[UNLOAD_END]
            and is_free(s, p.l_plate[plate], row[LOAD_AT], unload_at + length)
            and table_free_from(p, s, machine, at, pull_end) == at
        )
        if fits:
            row[PLACE_BY], row[PLACE_AT], row[PLACE_END] = by, at, at + p.m_place[machine]
            row[CUT_AT], row[CUT_END], row[HELD] = cut_at, cut_at + cut, number
            row[PULL_BY], row[PULL_AT], row[PULL_END] = pull_by, pull_at, pull_end
            row[UNLOAD_BY], row[UNLOAD_AT], row[UNLOAD_END] = unload_by, unload_at, unload_at + length
    put_run(p, s, before, stay)


@compiled
def commit_held(p: Arrays, s: State, number: int, other: Ints) -> None:
    """Move cut, pull and unload of a run to where `hold_back` put them."""
    row = s.runs[number]
    stay = lift_run(p, s, row, number)
    take(s, p.l_plate[p.c_plate[row[CARRIER]]], row[UNLOAD_END], other[UNLOAD_END])
    for column in (CUT_AT, CUT_END, PULL_BY, PULL_AT, PULL_END, UNLOAD_BY, UNLOAD_AT, UNLOAD_END):
        row[column] = other[column]
    put_run(p, s, row, stay)
    place = s.sequence_count[row[MACHINE]] - 1
    s.sequence[row[MACHINE], place, SEQ_START], s.sequence[row[MACHINE], place, SEQ_END] = row[CUT_AT], row[CUT_END]
    for k in range(row[FIRST_PIECES], row[LAST_PIECES]):
        order = p.i_order[s.pieces[k, ITEM]]
        s.finish[order] = max(s.finish[order], row[UNLOAD_END])
