"""Runs the floor has under way at `now` (F18): what is left of them is booked before anything else."""

from __future__ import annotations

from platerota_solver.kernel.booking import hold_table, take_open
from platerota_solver.kernel.fitting import find_worker, fit_on_machine, fit_staying
from platerota_solver.kernel.spans import NEVER, compiled
from platerota_solver.kernel.state import (
    CARRIER,
    CUT_AT,
    CUT_END,
    CUTTING,
    LOAD_AT,
    LOAD_END,
    LOADED,
    MACHINE,
    PLACE_AT,
    PLACED,
    PULL_AT,
    PULL_BY,
    PULL_END,
    PULLED,
    UNLOAD_AT,
    UNLOAD_BY,
    UNLOAD_END,
    Choices,
    State,
)
from platerota_solver.kernel.visits import unload_room
from platerota_solver.problem import EXCHANGE, UNLOAD, Arrays, Ints

ROW_CARRIER, ROW_STAGE, ROW_MACHINE, ROW_CUT_END, ROW_FIRST, ROW_LAST = range(6)


@compiled
def floor_kinds(p: Arrays, number: int, kinds: Ints) -> int:
    """The items and pieces of a floor run as rows of `kinds`; their count."""
    size = 0
    for k in range(p.floor_runs[number, ROW_FIRST], p.floor_runs[number, ROW_LAST]):
        kinds[size, 0], kinds[size, 1] = p.floor_pieces[k, 0], p.floor_pieces[k, 1]
        size += 1
    return size


@compiled
def clear_row(row: Ints) -> None:
    """A run of which nothing is known yet."""
    for column in range(row.shape[0]):
        row[column] = -1
    row[LOAD_AT], row[LOAD_END] = 0, 0


@compiled
def fit_rest(p: Arrays, s: State, stage: int, cut: int, unload: int, cut_from: int, room: int, row: Ints) -> bool:
    """What is left of a floor run from its stage on, on the machine in `row`; False where it cannot end within the horizon.

    Between pull and unload there are `room` seconds to place the next plate first, as in `fit_run`.
    """
    machine = row[MACHINE]
    plate = p.c_plate[row[CARRIER]]
    fixture = p.c_fixture[row[CARRIER]]
    opened = p.l_open[plate]
    stays = p.p_stays[plate] >= 0
    horizon = p.horizon[0]
    if stage == LOADED and not stays:
        if not fit_on_machine(p, s, machine, fixture, opened, 0, 0, cut, cut_from, horizon, row):
            return False
    elif stage <= PLACED:
        if not fit_staying(p, s, machine, fixture, opened, cut, cut_from, row):
            return False
    elif stage > CUTTING:
        row[CUT_AT], row[CUT_END] = 0, 0
    row[PLACE_AT] = max(0, row[PLACE_AT])
    if stays or stage == PULLED:
        row[PULL_BY], row[PULL_AT], row[PULL_END] = -1, row[CUT_END], row[CUT_END]
    elif stage >= PLACED:
        row[PULL_BY], row[PULL_AT] = find_worker(s, EXCHANGE, row[CUT_END], p.m_pull[machine], p.l_station[machine], opened, -1, -1, 0, 0)
        if row[PULL_AT] == NEVER:
            return False
        row[PULL_END] = row[PULL_AT] + p.m_pull[machine]
    row[UNLOAD_BY], row[UNLOAD_AT] = find_worker(
        s, UNLOAD, row[PULL_END] + (0 if stays else room), unload, opened, p.l_spindle[machine] if stays else -1, -1, -1, 0, 0)
    row[UNLOAD_END] = row[UNLOAD_AT] + unload
    return row[UNLOAD_END] <= horizon


@compiled
def best_rest(p: Arrays, s: State, c: Choices, order: int, number: int, cut_from: int, seconds: Ints, row: Ints, trial: Ints) -> bool:
    """The rest of floor run `number` on its machine, or on the best one where it is only loaded.

    `seconds` holds cut and unload seconds by machine ([machine, 2]); `order` is the one whose habits count.
    """
    stage, fixed = p.floor_runs[number, ROW_STAGE], p.floor_runs[number, ROW_MACHINE]
    carrier = p.floor_runs[number, ROW_CARRIER]
    best = NEVER
    for machine in range(p.m_place.shape[0]):
        if (fixed >= 0 and machine != fixed) or (fixed < 0 and stage == LOADED and not p.fits[carrier, machine]):
            continue
        clear_row(trial)
        trial[CARRIER], trial[MACHINE] = carrier, machine
        if stage == CUTTING:
            trial[CUT_AT], trial[CUT_END] = 0, p.floor_runs[number, ROW_CUT_END]
        room = unload_room(p, c, order, machine, p.c_fixture[carrier])
        if fit_rest(p, s, stage, seconds[machine, 0], seconds[machine, 1], cut_from, room, trial) and trial[UNLOAD_END] < best:
            best = trial[UNLOAD_END]
            for column in range(row.shape[0]):
                row[column] = trial[column]
        if stage == PULLED:
            break
    return best < NEVER


@compiled
def block_rest(p: Arrays, s: State, number: int) -> None:
    """A floor run that cannot end holds its plate and its place to the horizon's end."""
    horizon = p.horizon[0]
    carrier, machine = p.floor_runs[number, ROW_CARRIER], p.floor_runs[number, ROW_MACHINE]
    take_open(s, p.l_plate[p.c_plate[carrier]], 0, horizon)
    if machine >= 0 and p.p_stays[p.c_plate[carrier]] < 0:
        hold_table(p, s, machine, 0, horizon)
