"""What a planner would do by hand once the plan stands: no load hours before its cut, no setup long before its plate.

Nothing here changes when an order finishes, who gets which plate, or what is cut where.
"""

from __future__ import annotations

from platerota_solver.kernel.booking import commit_run, is_free, take, take_open
from platerota_solver.kernel.decode import reset
from platerota_solver.kernel.fitting import find_worker
from platerota_solver.kernel.passing import by_reference
from platerota_solver.kernel.pausing import find_pausing, give_back_pausing, take_pausing
from platerota_solver.kernel.spans import compiled, entry, give_back, seek_back_all
from platerota_solver.kernel.state import (
    AT_BENCH,
    BENCH_AT,
    BENCH_BY,
    BENCH_END,
    CARRIER,
    CUT_AT,
    CUT_END,
    FIRST_AT,
    FIRST_BY,
    FIRST_END,
    FIRST_PIECES,
    ITEM,
    KEPT,
    LAST_PIECES,
    LOAD_AT,
    LOAD_BY,
    LOAD_END,
    MACHINE,
    PIECES,
    PLACE_AT,
    PLACE_BY,
    PLACE_END,
    PULL_AT,
    PULL_BY,
    PULL_END,
    RUNS,
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
from platerota_solver.problem import BENCH, FIRST_ARTICLE, LOAD, SETUP, UNLOAD, Arrays, Ints


@compiled
def rebook_but(p: Arrays, s: State, c: Choices, runs: Ints, pieces: Ints, built: Ints, free: Ints) -> None:
    """Book a schedule without the runs in `free` into an empty state, by their cuts so that no setup is taken for needless."""
    reset(p, s, c)
    for k in range(built.shape[0]):
        if built[k, 0] >= 0:
            take_pausing(p, s, built[k, 0], built[k, 1], built[k, 2])
            take(s, p.l_plate[p.c_plate[k]], 0, built[k, 2])
    for number in range(runs.shape[0]):
        left_out = False
        for k in range(free.shape[0]):
            left_out = left_out or free[k] == number
        if left_out or runs[number, UNLOAD_AT] < 0:
            continue
        commit_run(p, s, number, runs[number], runs[number, STAGE])
        for column in range(runs.shape[1]):
            s.runs[number, column] = runs[number, column]
        s.counts[RUNS] += 1
    for row in range(pieces.shape[0]):
        if pieces[row, FIRST_BY] >= 0:
            take(s, pieces[row, FIRST_BY], pieces[row, FIRST_AT], pieces[row, FIRST_END])
        if pieces[row, BENCH_BY] >= 0:
            take_pausing(p, s, pieces[row, BENCH_BY], pieces[row, BENCH_AT], pieces[row, BENCH_END])


@compiled
def run_is_free(p: Arrays, s: State, row: Ints) -> bool:
    """Whether everything a run from the bench on a mill with one position claims is free (F4, F6, F7, F11)."""
    machine = row[MACHINE]
    return (
        is_free(s, p.l_plate[p.c_plate[row[CARRIER]]], row[LOAD_AT], row[UNLOAD_END])
        and is_free(s, row[LOAD_BY], row[LOAD_AT], row[LOAD_END]) and is_free(s, row[PLACE_BY], row[PLACE_AT], row[PLACE_END])
        and is_free(s, row[PULL_BY], row[PULL_AT], row[PULL_END]) and is_free(s, row[UNLOAD_BY], row[UNLOAD_AT], row[UNLOAD_END])
        and is_free(s, p.l_table[machine], row[PLACE_AT], row[PULL_END])
        and is_free(s, p.l_spindle[machine], row[PLACE_AT], row[PLACE_END])
        and is_free(s, p.l_spindle[machine], row[CUT_AT], row[CUT_END]) and is_free(s, p.l_cut[machine], row[CUT_AT], row[CUT_END])
        and is_free(s, p.l_spindle[machine], row[PULL_AT], row[PULL_END])
    )


@entry
def rebook_strictly(p: Arrays, s: State, c: Choices, runs: Ints, pieces: Ints, built: Ints, free: Ints) -> int:
    """Book all but the runs in `free`, then those in turn; the number of these that clash with what is booked.

    With the mark -1 at the end of `free`, its runs are only left out.
    """
    p, s, c = by_reference(p), by_reference(s), by_reference(c)
    rebook_but(p, s, c, runs, pieces, built, free)
    clashes = 0
    if free.size and free[-1] >= 0:
        for k in range(free.shape[0]):
            if not run_is_free(p, s, runs[free[k]]):
                clashes += 1
            commit_run(p, s, free[k], runs[free[k]], runs[free[k], STAGE])
    return clashes


@compiled
def latest_worker(p: Arrays, s: State, skill: int, t: int, length: int, l1: int, l2: int, now_by: int) -> tuple[int, int]:
    """Who could do this last, ended by t, in regular time or in the list it is booked in; the one it has, on a tie."""
    best, at = -1, -1
    for k in range(s.worker_count[skill]):
        number = s.workers[skill, k]
        if number > p.l_operator[-1] and number != now_by:
            continue
        start = seek_back_all(s, number, l1, l2, t, length)
        if start > at or (start == at and number == now_by):
            best, at = number, start
    return best, at


@compiled
def later_load(p: Arrays, s: State, row: Ints, patience: int) -> None:
    """Move a load that ends more than `patience` seconds before its plate is placed as late as people allow."""
    if row[STAGE] != AT_BENCH or row[PLACE_AT] - row[LOAD_END] <= patience:
        return
    plate = p.c_plate[row[CARRIER]]
    length = row[LOAD_END] - row[LOAD_AT]
    give_back(s, row[LOAD_BY], row[LOAD_AT], row[LOAD_END])
    by, at = latest_worker(p, s, LOAD, row[PLACE_AT], length, p.l_open[plate], -1, row[LOAD_BY])
    if at > row[LOAD_AT]:
        row[LOAD_BY], row[LOAD_AT], row[LOAD_END] = by, at, at + length
    take(s, row[LOAD_BY], row[LOAD_AT], row[LOAD_END])


@compiled
def later_setup(p: Arrays, s: State, row: Ints, patience: int) -> None:
    """The same for a setup: before its plate is placed by hand, before the cut where the exchange is automatic."""
    machine = row[MACHINE]
    close = row[CUT_AT] if p.m_auto[machine] else row[PLACE_AT]
    if row[STAGE] != AT_BENCH or row[SETUP_AT] < 0 or close - row[SETUP_END] <= patience:
        return
    spindle = p.l_spindle[machine]
    length = row[SETUP_END] - row[SETUP_AT]
    give_back(s, row[SETUP_BY], row[SETUP_AT], row[SETUP_END])
    give_back(s, spindle, row[SETUP_AT], row[SETUP_END])
    by, at = latest_worker(p, s, SETUP, close, length, spindle, -1, row[SETUP_BY])
    if at > row[SETUP_AT]:
        row[SETUP_BY], row[SETUP_AT], row[SETUP_END] = by, at, at + length
    take(s, row[SETUP_BY], row[SETUP_AT], row[SETUP_END])
    take_open(s, spindle, row[SETUP_AT], row[SETUP_END])


@compiled
def sooner_unload(p: Arrays, s: State, row: Ints) -> None:
    """Take back the room between pull and unload where no plate was placed in it."""
    plate = p.c_plate[row[CARRIER]]
    machine = row[MACHINE]
    stays = p.p_stays[plate] >= 0
    spindle = p.l_spindle[machine]
    length = row[UNLOAD_END] - row[UNLOAD_AT]
    give_back(s, row[UNLOAD_BY], row[UNLOAD_AT], row[UNLOAD_END])
    if stays:
        give_back(s, spindle, row[UNLOAD_AT], row[UNLOAD_END])
    by, at = find_worker(s, UNLOAD, row[PULL_END], length, p.l_open[plate], spindle if stays else -1, -1, -1, 0, 0)
    if at < row[UNLOAD_AT] and (by <= p.l_operator[-1] or by == row[UNLOAD_BY]):
        row[UNLOAD_BY], row[UNLOAD_AT], row[UNLOAD_END] = by, at, at + length
    take(s, row[UNLOAD_BY], row[UNLOAD_AT], row[UNLOAD_END])
    if stays:
        take(s, spindle, row[UNLOAD_AT], row[UNLOAD_END])


@compiled
def sooner_after(p: Arrays, s: State, row: Ints, unloaded: int) -> None:
    """First article and bench work of pieces follow an unload that came sooner."""
    if row[FIRST_BY] >= 0:
        length = row[FIRST_END] - row[FIRST_AT]
        give_back(s, row[FIRST_BY], row[FIRST_AT], row[FIRST_END])
        by, at = find_worker(s, FIRST_ARTICLE, unloaded, length, -1, -1, -1, -1, 0, 0)
        if at < row[FIRST_AT] and (by <= p.l_operator[-1] or by == row[FIRST_BY]):
            row[FIRST_BY], row[FIRST_AT], row[FIRST_END] = by, at, at + length
        take(s, row[FIRST_BY], row[FIRST_AT], row[FIRST_END])
    if row[BENCH_BY] >= 0:
        give_back_pausing(p, s, row[BENCH_BY], row[BENCH_AT], row[BENCH_END])
        length = row[PIECES] * p.s_bench[p.i_step[row[ITEM]]]
        by, at, end = find_pausing(p, s, BENCH, unloaded, length, -1)
        if by >= 0 and end < row[BENCH_END]:
            row[BENCH_BY], row[BENCH_AT], row[BENCH_END] = by, at, end
        take_pausing(p, s, row[BENCH_BY], row[BENCH_AT], row[BENCH_END])


@entry
def tidy(p: Arrays, s: State, c: Choices, runs: Ints, pieces: Ints, built: Ints, patience: int) -> None:
    """Unloads and what follows them sooner, then early loads and setups later, the last ones first; where moves count, what is kept stays.

    `runs` and `pieces` are changed in place.
    """
    p, s, c = by_reference(p), by_reference(s), by_reference(c)
    rebook_but(p, s, c, runs, pieces, built, s.nothing)
    moves = p.k_total[0] > 0
    for number in range(runs.shape[0]):
        if runs[number, UNLOAD_BY] >= 0 and (runs[number, KEPT] < 0 or not moves):
            sooner_unload(p, s, runs[number])
            for row in range(runs[number, FIRST_PIECES], runs[number, LAST_PIECES]):
                sooner_after(p, s, pieces[row], runs[number, UNLOAD_END])
    for number in range(runs.shape[0] - 1, -1, -1):
        if p.p_stays[p.c_plate[runs[number, CARRIER]]] < 0 and (runs[number, KEPT] < 0 or not moves):
            later_setup(p, s, runs[number], patience)
            later_load(p, s, runs[number], patience)
