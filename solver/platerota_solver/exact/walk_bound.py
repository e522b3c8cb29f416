"""What is still to come, at least: the bound that lets the walk leave a label."""

from __future__ import annotations

from platerota_solver.exact.walk_tables import Floats, Walk
from platerota_solver.exact.walk_trade import FEW_ORDERS, traded
from platerota_solver.exact.walk_work import (
    AGAIN,
    CUT_LOAD,
    CUT_UNLOAD,
    HAND,
    LEAST,
    LOADS,
    MILL,
    ON,
    RUN_CUT,
    RUN_EXCHANGE,
    RUN_LOAD,
    RUN_UNLOAD,
    TRIPS,
    mills_end,
    progress,
    stages,
    tabulate,
    uncut,
    work_until,
    worked_by,
)
from platerota_solver.kernel.spans import NEVER, compiled
from platerota_solver.problem import Ints


@compiled
def gather(w: Walk, times: Ints, own: Ints, free: Ints, unload: int) -> tuple[int, int, int, int, int, int, int, int]:
    """A set's rows of the table together: hand and mill seconds, the end of its plates' rounds, cut and exchange of one run more, and
    with as few runs as can be, or more, the least first load and the least last unload.
    """
    hand, mill, rounds, extra = 0, 0, int(times[0]), NEVER
    first_full, first_one, last_full, last_one = NEVER, NEVER, unload, unload
    for c in range(w.need.shape[0]):
        if w.component[c] != c:
            continue
        hand += own[c, HAND]
        mill += own[c, MILL]
        if own[c, LOADS] == 0:
            continue
        least = own[c, LEAST]
        load, piece_load = w.least_of[c, RUN_LOAD], w.least_of[c, CUT_LOAD]
        off, piece_off = w.least_of[c, RUN_UNLOAD], w.least_of[c, CUT_UNLOAD]
        first_full, first_one = min(first_full, load + least * piece_load), min(first_one, load + piece_load)
        if w.component_lag[c] == 0:
            last_full, last_one = min(last_full, off + least * piece_off), min(last_one, off + piece_off)
        extra = min(extra, w.least_of[c, RUN_CUT] + w.least_of[c, RUN_EXCHANGE])
        end = turns(w, times, free, c, own[c, TRIPS])
        rounds = max(rounds, NEVER if end >= NEVER else work_until(w, w.rounds[0], end, w.component_lag[c]))
    return hand, mill, rounds, extra, first_full, first_one, last_full, last_one


@compiled
def finish_of(w: Walk, times: Ints, own: Ints, free: Ints, work: Ints, standing: int, ready: bool, unload: int) -> int:
    """When the last of a set of open orders finishes, at least, from its rows of the table of work: the latest of three.

    What is still to load, cut and unload for them takes its least seconds per piece and per run, in as few runs as can be.
    (1) The operator does the hand work left in working time, from t on. (2) The mills cut and exchange one plate at a time each, in
    the time they can use; where no plate is `ready` for a cut one must be loaded first; the last cut's run is unloaded after it.
    With as few runs as can be, no run holds less than the rest that full ones leave; with more there is one cut and
    exchange more; the lesser of both counts. (3) The plates of a component go round, and what follows them comes after.
    """
    hand, mill, rounds, extra, first_full, first_one, last_full, last_one = gather(w, times, own, free, unload)
    at = max(work_until(w, 0, times[0], hand), rounds)
    if mill == 0 or at >= NEVER:
        return at
    mill += standing
    if ready:
        first_full, first_one = 0, 0
    ended = after_mills(w, times, mill, first_full, last_full, work)
    if extra < NEVER:
        ended = min(ended, after_mills(w, times, mill + extra, first_one, last_one, work))
    at = max(at, ended)
    for c in range(w.need.shape[0]):
        if w.component[c] == c and own[c, AGAIN] > 0 and at < NEVER:
            at = max(at, circling(w, times, own[c], c, hand, mill, first_one, last_one, work))
    return at


@compiled
def circling(
    w: Walk, times: Ints, row: Ints, component: int, hand: int, mill: int, first_one: int, last_one: int, work: Ints,
) -> int:
    """When a component with an op and the next on the same plates is through: few runs, one after the other, or more side by side.

    With e runs more than the fewest no more than e + 1 are under way at once (`walk_work.again`); each more is hand and mill work.
    """
    load, unload = w.least_of[component, RUN_LOAD], w.least_of[component, RUN_UNLOAD]
    exchange, cycle = w.least_of[component, RUN_EXCHANGE], w.least_of[component, RUN_CUT]
    best = NEVER
    for more in range(w.component_plates[component]):
        runs = max(0, row[AGAIN] + 1 + more - row[LOADS])
        trips = row[TRIPS] + runs * (load + cycle + exchange + unload)
        at = work_until(w, w.rounds[0], times[0], -(-trips // (more + 1)))
        if runs > 0:
            at = max(at, work_until(w, 0, times[0], hand + runs * (load + exchange + unload)))
            if at < best:
                at = max(at, after_mills(w, times, mill + runs * (cycle + exchange), first_one, last_one, work))
        best = min(best, at)
    return best


@compiled
def stand(w: Walk, state: Ints, times: Ints, work: Ints, free: Ints) -> int:
    """What all sets of orders read of a label: when each plate is `free`, in seconds of `rounds`, once the run it is in is unloaded;
    in `work` the plates on each mill that wait for their cut, and the plates of each component in use; and the seconds by which
    exchanges done and due change the mills' work.
    """
    kinds, number, machines, seconds = w.need.shape[0], stages(w), w.place.shape[0], 0
    for m in range(machines):
        work[machines + m] = 0
    for c in range(kinds):
        work[2 * machines + c] = 0
    held = 0
    for plate in range(w.plate_family.shape[0]):
        at, code = times[0], state[kinds + plate] - 1
        if code >= 0:
            stage, fill = code % number, code // number
            at += w.fill_unload[fill]
            work[2 * machines + w.plate_component[plate]] += 1
            if stage >= ON:
                m, waiting = (stage - ON) // 2, (stage - ON) % 2 == 0
                cut = w.fill_cut[fill, m] if waiting else 0
                at = max(at, (times[1 + m] if w.positions[m] == 1 or cut > 0 else 0) + cut + w.pull[m] + w.fill_unload[fill])
                held += 1
                if waiting:
                    work[machines + m] += 1
                    seconds -= w.place[m]
        free[plate] = worked_by(w, w.rounds[0], at)
    if machines == 1 and work[1] == 0 and held == w.positions[0]:
        seconds += w.pull[0]  # what stands there must be pulled before anything is placed
    return int(seconds)


@compiled
def turns(w: Walk, times: Ints, free: Ints, component: int, seconds: int) -> int:
    """The end of `seconds` of round trips shared by the plates of a component, each from the instant on that it is `free`.

    Water poured over those instants: the least level over the j plates that are free first. Time is that in which anything can
    happen to a plate (`rounds`): working time, and of every gap the longest cut.
    """
    level, count, total, before = NEVER, 0, 0, -1
    while True:
        # The plates in the order in which they are free, without a place to sort them in: the next instant after `before`.
        next_free, same = NEVER, 0
        for plate in range(w.plate_family.shape[0]):
            if w.plate_component[plate] != component:
                continue
            if free[plate] > before and free[plate] < next_free:
                next_free, same = free[plate], 1
            elif free[plate] == next_free:
                same += 1
        if next_free >= NEVER or next_free >= level:
            return NEVER if level >= NEVER else work_until(w, w.rounds[0], times[0], level - worked_by(w, w.rounds[0], times[0]))
        count, total, before = count + same, total + same * next_free, next_free
        level = min(level, -(-(total + seconds) // count))


@compiled
def after_mills(w: Walk, times: Ints, seconds: int, first_load: int, last_unload: int, work: Ints) -> int:
    """The end of the last unload after `seconds` of cuts and exchanges on the mills, after the first load where no plate is loaded."""
    ended = mills_end(w, times, seconds, first_load, work)
    return NEVER if ended >= NEVER else work_until(w, 0, ended, last_unload)


@compiled
def to_come(
    w: Walk, state: Ints, times: Ints, counts: Ints, todo: Ints, work: Ints, table: Ints, free: Ints, finish: Ints, press: Ints,
    best: Floats, points: Floats, limit: float,
) -> float:
    """Points still to come from the open orders, at least; infinite where they cannot all fit the horizon.

    Let the open orders finish in some sequence. The j-th to finish is the last of the first j, so it finishes no earlier
    than `finish_of` that set. The least sum of points over all sequences, by dynamic programming over sets (Held & Karp
    1962), is a bound. Where it stays below the `limit` the better one of `walk_trade` is asked.
    """
    orders = w.order_due.shape[0]
    done = state[w.need.shape[0] + w.plate_family.shape[0]]
    whole = (1 << orders) - 1 - done
    if whole == 0:
        return float(w.makespan[0] * times[0])
    progress(w, state, counts)
    ready, unload = uncut(w, state)
    tabulate(w, state, counts, todo, table)
    standing = stand(w, state, times, work, free)
    at, open_orders = 0, 0
    for o in range(orders):
        open_orders += (whole >> o) & 1
    best[0] = 0.0
    for chosen in range(1, 1 << orders):
        if chosen & done:
            continue
        at = finish_of(w, times, table[chosen], free, work, standing, ready, unload)
        if at > w.horizon[0]:
            return 1e300
        finish[chosen] = at
        least = 1e300
        for o in range(orders):
            if (chosen >> o) & 1:
                least = min(least, best[chosen ^ (1 << o)] + w.finish[o] * at + w.late[o] * max(0, at - w.order_due[o]))
        best[chosen] = least
    makespan = w.makespan[0] * at
    if best[whole] + makespan < limit and 1 < open_orders <= FEW_ORDERS and w.place.shape[0] == 1:
        return float(makespan + traded(w, times, whole, work, standing, ready, unload, table, finish, press, best, points))
    return float(best[whole] + makespan)
