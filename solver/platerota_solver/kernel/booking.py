"""Booking what was found: a run's times taken out of every list it claims, its cut put into the machine's sequence."""

from __future__ import annotations

from platerota_solver.kernel.fitting import last_cut_before
from platerota_solver.kernel.spans import book, compiled, give_back, row_at
from platerota_solver.kernel.state import (
    AT_BENCH,
    CARRIER,
    CUT_AT,
    CUT_END,
    CUTTING,
    FULL,
    KEPT,
    KEPT_TASKS,
    LOAD_AT,
    LOAD_BY,
    LOAD_END,
    LOADED,
    MACHINE,
    PLACE_AT,
    PLACE_BY,
    PLACE_END,
    PLACED,
    PULL_AT,
    PULL_BY,
    PULL_END,
    PULLED,
    SEQ_END,
    SEQ_FIXTURE,
    SEQ_RUN,
    SEQ_START,
    SETUP_AT,
    SETUP_BY,
    SETUP_END,
    SETUPS,
    UNLOAD_AT,
    UNLOAD_BY,
    UNLOAD_END,
    State,
)
from platerota_solver.problem import Arrays, Ints


@compiled
def is_free(s: State, number: int, a: int, b: int) -> bool:
    """Whether a list holds all of ``[a, b)``."""
    if number < 0 or b <= a:
        return True
    low, high = s.off[number], s.off[number] + s.count[number]
    row = row_at(s.end, low, high, a)
    return row < high and s.start[row] <= a and s.end[row] >= b


@compiled
def take(s: State, number: int, a: int, b: int) -> None:
    """Book ``[a, b)`` of a list; notes a list that is full."""
    s.loader[0] = -1
    if number >= 0 and not book(s, number, a, b):
        s.counts[FULL] = 1


@compiled
def take_open(s: State, number: int, a: int, b: int) -> None:
    """Book whatever of ``[a, b)`` the list still holds: for a cut that runs at `now`, closures or not (F9, F18)."""
    at = a
    while at < b:
        low, high = s.off[number], s.off[number] + s.count[number]
        row = row_at(s.end, low, high, at)
        if row == high or s.start[row] >= b:
            return
        at = max(at, s.start[row])
        stop = min(b, s.end[row])
        take(s, number, at, stop)
        at = stop


@compiled
def commit_run(p: Arrays, s: State, number: int, row: Ints, stage: int) -> None:
    """Book the times in `row` as run `number`; a run from the floor books what is still to do from its stage on."""
    machine = row[MACHINE]
    plate = p.c_plate[row[CARRIER]]
    stays = p.p_stays[plate] >= 0
    spindle, station = p.l_spindle[machine], p.l_station[machine]
    held_from = row[LOAD_AT] if stage == AT_BENCH else 0
    take_open(s, p.l_plate[plate], held_from, row[UNLOAD_END])
    if stage == AT_BENCH:
        take(s, row[LOAD_BY], row[LOAD_AT], row[LOAD_END])
    take(s, row[UNLOAD_BY], row[UNLOAD_AT], row[UNLOAD_END])
    if stays:
        if stage == AT_BENCH:
            take(s, spindle, row[LOAD_AT], row[LOAD_END])
        take(s, spindle, row[UNLOAD_AT], row[UNLOAD_END])
    elif stage < PULLED:
        if stage <= LOADED:
            take(s, row[PLACE_BY], row[PLACE_AT], row[PLACE_END])
            take(s, station, row[PLACE_AT], row[PLACE_END])
        take(s, row[PULL_BY], row[PULL_AT], row[PULL_END])
        take(s, station, row[PULL_AT], row[PULL_END])
        hold_table(p, s, machine, row[PLACE_AT] if stage <= LOADED else 0, row[PULL_END])
    if stage <= PLACED:
        if row[SETUP_AT] >= 0:
            take(s, row[SETUP_BY], row[SETUP_AT], row[SETUP_END])
            take(s, spindle, row[SETUP_AT], row[SETUP_END])
            s.counts[SETUPS] += 1
        take_cut(p, s, machine, row[CUT_AT], row[CUT_END])
    elif stage == CUTTING:
        take_open(s, spindle, 0, row[CUT_END] + p.m_exchange[machine])
    if stage <= CUTTING:
        enter_sequence(p, s, machine, number, row)


@compiled
def take_cut(p: Arrays, s: State, machine: int, a: int, b: int) -> None:
    """Book a cut with the automatic wait behind it, as far as the spindle is open there."""
    number = p.l_spindle[machine]
    low, high = s.off[number], s.off[number] + s.count[number]
    row = row_at(s.end, low, high, a)
    close = min(b + p.m_exchange[machine], s.end[row])
    take(s, number, a, close)


@compiled
def hold_table(p: Arrays, s: State, machine: int, a: int, b: int) -> None:
    """A plate stands on the machine over ``[a, b)``."""
    if p.m_places[machine] == 1:
        take(s, p.l_table[machine], a, b)
    elif s.table_count[machine] < s.table.shape[1]:
        s.table[machine, s.table_count[machine], 0] = a
        s.table[machine, s.table_count[machine], 1] = b
        s.table_count[machine] += 1
    else:
        s.counts[FULL] = 1


@compiled
def enter_sequence(p: Arrays, s: State, machine: int, number: int, row: Ints) -> None:
    """Put the run's cut into the machine's sequence; the next cut's setup is dropped where it is no longer needed (F8)."""
    place = last_cut_before(s, machine, row[CUT_AT]) + 1
    size = s.sequence_count[machine]
    if size >= s.sequence.shape[1]:
        s.counts[FULL] = 1
        return
    fixture = p.c_fixture[row[CARRIER]]
    if place < size:
        after = s.sequence[machine, place, SEQ_RUN]
        if s.runs[after, SETUP_AT] >= 0 and p.setup[machine, fixture + 1, s.sequence[machine, place, SEQ_FIXTURE]] == 0:
            give_back(s, s.runs[after, SETUP_BY], s.runs[after, SETUP_AT], s.runs[after, SETUP_END])
            give_back(s, p.l_spindle[machine], s.runs[after, SETUP_AT], s.runs[after, SETUP_END])
            s.runs[after, SETUP_BY], s.runs[after, SETUP_AT], s.runs[after, SETUP_END] = -1, -1, -1
            s.counts[SETUPS] -= 1
            s.counts[KEPT_TASKS] -= 1 if s.runs[after, KEPT] >= 0 else 0
    for k in range(size, place, -1):
        for column in range(4):
            s.sequence[machine, k, column] = s.sequence[machine, k - 1, column]
    s.sequence[machine, place, SEQ_START] = row[CUT_AT]
    s.sequence[machine, place, SEQ_END] = row[CUT_END]
    s.sequence[machine, place, SEQ_FIXTURE] = fixture
    s.sequence[machine, place, SEQ_RUN] = number
    s.sequence_count[machine] = size + 1
