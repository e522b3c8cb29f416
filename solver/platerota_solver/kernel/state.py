"""What a schedule under construction holds: free time, runs, pieces, and the choices that lead to it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from platerota_solver.kernel.spans import GRADES
from platerota_solver.problem import Arrays, Ints, Problem

Floats = npt.NDArray[np.float64]

# Columns of a run. An operator is given by the number of the calendar list the work was booked in (regular or overtime).
(CARRIER, MACHINE, LOAD_BY, LOAD_AT, LOAD_END, SETUP_BY, SETUP_AT, SETUP_END, PLACE_BY, PLACE_AT, PLACE_END, CUT_AT, CUT_END,
 PULL_BY, PULL_AT, PULL_END, UNLOAD_BY, UNLOAD_AT, UNLOAD_END, FIRST_PIECES, LAST_PIECES, STAGE, FLOOR, HELD, KEPT) = range(25)
RUN_COLUMNS = 25  # HELD: while a run is looked for, the run whose cut would be held back for its plate (kernel.holding), -1 none
# KEPT: the run of another plan that it is, at the same times (kernel.keeping), -1 none
# Stages a run may begin at: 0 at the bench, then what the floor has done already.
AT_BENCH, LOADED, PLACED, CUTTING, CUT_DONE, PULLED = range(6)
# Columns of the pieces of a run: item, pieces, then bench work and first article (operator list, start, end; -1 none).
ITEM, PIECES, BENCH_BY, BENCH_AT, BENCH_END, FIRST_BY, FIRST_AT, FIRST_END, PIECES_RUN = range(9)
PIECE_COLUMNS = 9
WAITS = -2  # in BENCH_BY: bench work that is booked once the order's runs are
FROZEN = 2  # value of `Choices.keep` for what starts within the frozen window
LATE_HABITS = 3  # values of `Choices.late`
HARM = 1e8
"""Points for a second of harm, where there may be none: more than any wish for the rest of the horizon is worth."""
MAX_KINDS = 32  # different items in one run, at most
# Columns of a machine's cut sequence.
SEQ_START, SEQ_END, SEQ_FIXTURE, SEQ_RUN = range(4)
# Counters.
RUNS, ROWS, FULL, SETUPS, WAITING_FROM, BLAMED, KEPT_TASKS = range(7)


class State(NamedTuple):
    """A schedule under construction; int64 arrays that the kernel changes in place."""

    start: Ints  # free time of every list, see kernel.spans
    end: Ints
    off: Ints
    count: Ints  # type: ignore[assignment]  # a tuple's own count() is never wanted here
    room: Ints
    dead: Ints  # [list, grade] no span that starts before is so long (kernel.spans)
    workers: Ints  # [skill, k] operator lists that may do it
    worker_count: Ints  # [skill]
    table: Ints  # [machine, k, 2] place start and pull end, machines with several positions
    table_count: Ints
    sequence: Ints  # [machine, k, 4] cuts by start
    sequence_count: Ints
    supply: Ints  # [row, 2] instant and pieces that wait for an item, by instant
    supply_off: Ints
    supply_head: Ints  # first row of an item with pieces left
    supply_count: Ints  # one past the last
    left: Ints  # per item: pieces not in a run yet
    cut_from: Ints  # per item: no cut before (first article)
    begun: Ints  # per item: 1 once a run holds it
    finish: Ints  # per order: latest finish so far
    machine_of: Ints  # per order: the machine it used last
    placed: Ints  # per order: 1 where all of it is in runs
    built: Ints  # [carrier, 3] build operator list, start, end; -1 not built
    runs: Ints  # [run, RUN_COLUMNS]
    pieces: Ints  # [row, PIECE_COLUMNS]
    one_plate: Ints  # per machine: 1 where by hand one plate after the other is cut, and none stays; never changed
    several: Ints  # per machine: 1 where by hand several may stand, and none stays; never changed
    visit: Ints  # per machine: the run whose plate stands there until the next one comes (kernel.visits); -1 none
    lent: Ints  # per plate: the machine where it stands so; -1 nowhere
    counts: Ints  # the counters above; WAITING_FROM: row from which bench work may wait; BLAMED: see kernel.visits
    loader: Ints  # carrier, instant asked for, seconds, operator list and start of the load looked for last, while nothing is booked
    last_token: Ints  # per order: its last token
    changed: Ints  # per order: 1 where it claims resources in another way than before (kernel.marks)
    scratch: Ints  # [k, RUN_COLUMNS] rows to work in: the kernel allocates nothing
    scratch_kinds: Ints  # [k, MAX_KINDS, 2]
    scratch_seconds: Ints  # [machine, 2]
    nothing: Ints  # empty: no run


class Choices(NamedTuple):
    """The decisions that the kernel turns into a schedule; the search changes these."""

    tokens: Ints  # orders in the sequence in which they may claim resources; an order may stand several times
    quota: Ints  # per order: runs placed per token
    no_carrier: Ints  # [order, carrier] 1 where the order keeps off
    no_machine: Ints  # [order, machine]
    wait: Ints  # per order: 1 waits for pieces to fill the nests, 0 cuts what is there
    share: Ints  # per order: 1 lets later orders fill its empty nests
    room: Ints  # per order: what may come between a pull and its unload: 0 nothing, 1 the next place, 2 a setup too
    late: Ints  # per order: who fetches its plates (kernel.visits): 0 somebody at once, 1 who brings the next one, 2 that for its last too
    hurry: Ints  # per order: percent of a run's worth credited to its pieces when runs are compared
    skip: Ints  # per order: 1 left unplaced
    build: Ints  # per carrier: 1 where a build may be used
    overtime: Ints  # per row of `Arrays.lists`: 1 where that overtime span is open
    keep: Ints  # per run of the plan that is kept (`Arrays.k_runs`): 1 where it stays as it is, FROZEN before all others
    before: Ints  # [1] tokens that claim resources before what is kept does, but for what is frozen


class Rates(NamedTuple):
    """Points of the score in the kernel's units."""

    late: Floats  # per order and second
    finish: Floats  # per order and second
    unplaced: Floats  # per order
    shop: Floats  # [setup task, overtime second, makespan second, run (tie-break), task moved]
    harm_from: Floats  # per order: seconds from now after which its finish harms somebody
    harm: Floats  # per order: points for each second of that


class Track(NamedTuple):
    """What a search knows of the choices that it goes on from, so that others like them need less work (kernel.marks)."""

    marks: Ints  # [mark, k] the schedule before every few tokens, packed
    size: Ints  # [mark] numbers in it, -1 none
    fresh: Ints  # [mark, k] the same of the choices decoded last
    fresh_size: Ints
    from_mark: Ints  # [1] the mark that the last decode went on from, -1 none
    fellows: Ints  # [order, order] 1 where pieces of the second may fill nests that the first leaves empty
    rates: Rates
    limit: Floats  # [1] points above which a schedule is not wanted
    points: Floats  # [1] of the schedule decoded last; infinite where an order did not fit, or it was given up


def new_state(problem: Problem, spare: int) -> State:
    """An empty state with room for `spare` times the runs that full nests would need."""
    p = problem.arrays
    best = np.ones(max(1, p.nests.shape[1]), dtype=np.int64)
    if p.nests.shape[0]:
        best = np.maximum(1, p.nests.max(axis=0))
    full_runs = np.array([-(-int(need) // int(best[step])) for need, step in zip(p.i_need, p.i_step, strict=True)], dtype=np.int64)
    floor = len(problem.request.floor.running) + len(problem.request.floor.waiting)
    runs = int(full_runs.sum()) * spare + floor + 8
    rows = runs * 3 + 8
    lists = len(p.list_from) - 1
    spans = np.diff(p.list_from)
    room = spans + 8
    room[np.concatenate([p.l_operator, p.l_overtime])] += 5 * runs
    room[np.concatenate([p.l_spindle, p.l_station])] += 5 * runs
    room[np.concatenate([p.l_table, p.l_plate])] += runs
    supply_room = np.array([4 + 3 * spare * max(1, int(full_runs[max(0, i - 1)])) + floor for i in range(len(p.i_need))], dtype=np.int64)
    machines, orders, items = len(p.m_place), len(p.o_due), len(p.i_need)
    several = runs if machines and int(p.m_places.max()) > 1 else 1
    by_hand = (p.m_auto == 0) & ~np.isin(np.arange(machines), p.p_stays)

    def ints(*shape: int) -> Ints:
        return np.zeros(shape, dtype=np.int64)

    return State(
        start=ints(int(room.sum())), end=ints(int(room.sum())), off=_offsets(room), count=ints(lists), room=room,
        dead=ints(lists, len(GRADES)), workers=ints(7, 2 * p.can.shape[1] + 1), worker_count=ints(7),
        table=ints(machines, several, 2), table_count=ints(machines), sequence=ints(machines, runs, 4), sequence_count=ints(machines),
        supply=ints(int(supply_room.sum()), 2), supply_off=np.append(_offsets(supply_room), supply_room.sum()).astype(np.int64),
        supply_head=ints(items), supply_count=ints(items), left=ints(items), cut_from=ints(items), begun=ints(items),
        finish=ints(orders), machine_of=ints(orders), placed=ints(orders), built=ints(len(p.c_plate), 3),
        runs=ints(runs, RUN_COLUMNS), pieces=ints(rows, PIECE_COLUMNS), counts=ints(7), loader=ints(5),
        one_plate=(by_hand & (p.m_places == 1)).astype(np.int64), several=(by_hand & (p.m_places > 1)).astype(np.int64),
        visit=ints(machines), lent=ints(len(problem.request.shop.plates)),
        last_token=ints(orders), changed=ints(orders), scratch=ints(5, RUN_COLUMNS), scratch_kinds=ints(2, MAX_KINDS, 2),
        scratch_seconds=ints(machines, 2), nothing=ints(0),
    )


def _offsets(sizes: Ints) -> Ints:
    return np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64) if len(sizes) else sizes


def first_choices(problem: Problem, sequence: list[int]) -> Choices:
    """Plain choices: the orders in `sequence`, each as a whole, every plate and machine open, no overtime."""
    p: Arrays = problem.arrays
    orders, carriers, machines = len(p.o_due), len(p.c_plate), len(p.m_place)

    def fill(value: int, *shape: int) -> Ints:
        return np.full(shape, value, dtype=np.int64)

    build = fill(0, carriers)
    build[needed_builds(p)] = 1
    return Choices(
        tokens=np.array(sequence, dtype=np.int64), quota=fill(2**40, orders), no_carrier=fill(0, orders, carriers),
        no_machine=fill(0, orders, machines), wait=fill(1, orders), share=fill(1, orders), room=fill(1, orders), late=fill(0, orders),
        hurry=fill(100, orders), skip=fill(0, orders),
        build=build, overtime=fill(0, len(p.lists)), keep=fill(0, len(p.k_runs)), before=fill(0, 1),
    )


def needed_builds(p: Arrays) -> list[int]:
    """One build for each ordered step that no standing plate has a nest for: the first blank that fits a machine (F16)."""
    chosen: list[int] = []
    for step in sorted({int(step) for step, need in zip(p.i_step, p.i_need, strict=True) if need}):
        able = [int(c) for c in p.step_carriers[p.step_from[step]:p.step_from[step + 1]] if p.fits[c].any()]
        if able and all(p.c_build[c] for c in able) and not set(able) & set(chosen):
            taken = {int(p.c_plate[c]) for c in chosen}
            chosen.append(next((c for c in able if int(p.c_plate[c]) not in taken), able[0]))
    return chosen


def rates(problem: Problem) -> Rates:
    """The score's points in the kernel's units (seconds)."""
    score = problem.request.settings.score
    unplaced = np.array([score.unplaced_order * order.weight for order in problem.request.orders], dtype=np.float64)
    shop = np.array([score.setup, score.overtime_hour / 3600, score.makespan_hour / 3600, 1e-6, score.moved_task], dtype=np.float64)
    finish, harm_from, harm = problem.finish_rate, np.full(len(unplaced), np.inf), np.zeros(len(unplaced))
    if problem.wish is not None:
        wish = problem.wish
        finish = finish.copy()
        finish[wish.order] += wish.finish
        unplaced[wish.order] += wish.finish * int(problem.arrays.horizon[0])  # never left out because that would cost less
        if wish.harm_from is not None:
            harm_from, harm = wish.harm_from, np.full(len(unplaced), HARM)
            unplaced[np.isfinite(harm_from)] += HARM * int(problem.arrays.horizon[0])
    return Rates(problem.late_rate, finish, unplaced, shop, harm_from, harm)
