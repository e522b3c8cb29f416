"""What is still to come, at least: the bound that lets the walk leave a label."""

from __future__ import annotations

from platerota_solver.exact.walk_tables import Floats, SpanLists, Walk
from platerota_solver.exact.walk_trade import FEW_ORDERS, traded
from platerota_solver.exact.walk_work import (
    AGAIN,
    CUT_LOAD,
    CUT_UNLOAD,
    CUTS,
    HAND,
    LEAST,
    LOADED,
    LOADS,
    MILL,
    ON,
    RUN_CUT,
    RUN_EXCHANGE,
    RUN_LOAD,
    RUN_UNLOAD,
    SHARED,
    TRIPS,
    may_load,
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
    for c in range(w.kinds.need.shape[0]):
        if w.kinds.component[c] != c:
            continue
        hand += own[c, HAND]
        mill += own[c, MILL]
        if not may_load(own[c]):
            continue
        extra = min(extra, w.kinds.least_of[c, RUN_CUT] + w.kinds.least_of[c, RUN_EXCHANGE])
        least = own[c, LEAST]
        load, piece_load = w.kinds.least_of[c, RUN_LOAD], w.kinds.least_of[c, CUT_LOAD]
        off, piece_off = w.kinds.least_of[c, RUN_UNLOAD], w.kinds.least_of[c, CUT_UNLOAD]
        first_full, first_one = min(first_full, load + least * piece_load), min(first_one, load + piece_load)
        if w.component_lag[c] == 0:
            last_full, last_one = min(last_full, off + least * piece_off), min(last_one, off + piece_off)
        if own[c, LOADS] > 0:
            end = turns(w.spans, w.rounds[0], w.plate_component, times, free, c, own[c, TRIPS])
            rounds = max(rounds, NEVER if end >= NEVER else work_until(w.spans, w.rounds[0], end, w.component_lag[c]))
    return hand, mill, rounds, extra, first_full, first_one, last_full, last_one


@compiled
def finish_of(w: Walk, times: Ints, own: Ints, free: Ints, work: Ints, standing: int, ready: bool, unload: int) -> int:
    """When the last of a set of open orders finishes, at least, from its rows of the table of work: the latest of three.

    What is still to load, cut and unload for them takes its least seconds per piece and per run, in as few runs as can be.
    (1) The operator does the hand work left in working time, from t on. (2) The mills cut and exchange one plate at a time each, in
    the time they can use; where no plate is `ready` for a cut one must be loaded first; the last cut's run is unloaded after it.
    With as few runs as can be, no run holds less than the rest that full ones leave; with more there is one cut and
    exchange more; the lesser of both counts. On one mill its last two cuts say more: `after_cuts`. (3) The plates of a component go
    round, and what follows them comes after.
    """
    hand, mill, rounds, extra, first_full, first_one, last_full, last_one = gather(w, times, own, free, unload)
    at = max(work_until(w.spans, 0, times[0], hand), rounds)
    if mill == 0 or at >= NEVER:
        return at
    mill += standing
    if ready:
        first_full, first_one = 0, 0
    ended = after_mills(w.spans, w.mill, times, mill, first_full, last_full, work)
    ended = max(ended, after_cuts(w, times, own, mill, first_full, False, work))
    if extra < NEVER:
        more = after_mills(w.spans, w.mill, times, mill + extra, first_one, last_one, work)
        ended = min(ended, max(more, after_cuts(w, times, own, mill + extra, first_one, True, work)))
    at = max(at, ended)
    for c in range(w.kinds.need.shape[0]):
        if w.kinds.component[c] == c and own[c, AGAIN] > 0 and at < NEVER:
            at = max(at, circling(w, times, own[c], c, hand, mill, first_one, last_one, work))
    return at


@compiled
def circling(
    w: Walk, times: Ints, row: Ints, component: int, hand: int, mill: int, first_one: int, last_one: int, work: Ints,
) -> int:
    """When a component with an op and the next on the same plates is through: few runs, one after the other, or more side by side.

    With e runs more than the fewest no more than e + 1 are under way at once (`walk_work.again`); each more is hand and mill work.
    """
    load, unload = w.kinds.least_of[component, RUN_LOAD], w.kinds.least_of[component, RUN_UNLOAD]
    exchange, cycle = w.kinds.least_of[component, RUN_EXCHANGE], w.kinds.least_of[component, RUN_CUT]
    best = NEVER
    for more in range(w.component_plates[component]):
        runs = max(0, row[AGAIN] + 1 + more - row[LOADS])
        trips = row[TRIPS] + runs * (load + cycle + exchange + unload)
        at = work_until(w.spans, w.rounds[0], times[0], -(-trips // (more + 1)))
        if runs > 0:
            at = max(at, work_until(w.spans, 0, times[0], hand + runs * (load + exchange + unload)))
            if at < best:
                at = max(at, after_mills(w.spans, w.mill, times, mill + runs * (cycle + exchange), first_one, last_one, work))
        best = min(best, at)
    return best


@compiled
def stand(w: Walk, state: Ints, times: Ints, work: Ints, free: Ints) -> int:
    """What all sets of orders read of a label: when each plate is `free`, in seconds of `rounds`, once the run it is in is unloaded;
    in `work` the plates on each mill that wait for their cut, the plates of each component in use, and the fewest pieces of a set of
    orders on one that waits for its cut; and the seconds by which exchanges done and due change the mills' work.
    """
    kinds, number, machines, seconds = w.kinds.need.shape[0], stages(w.place), w.place.shape[0], 0
    for m in range(machines):
        work[machines + m] = 0
    for c in range(kinds):
        work[2 * machines + c], work[2 * machines + kinds + c] = 0, NEVER
    held = 0
    for plate in range(w.plate_family.shape[0]):
        at, code = times[0], state[kinds + plate] - 1
        if code >= 0:
            stage, fill = code % number, code // number
            at += w.fill_unload[fill]
            work[2 * machines + w.plate_component[plate]] += 1
            if stage == LOADED or (stage >= ON and (stage - ON) % 2 == 0):
                column = 2 * machines + kinds + w.plate_component[plate]
                work[column] = min(work[column], w.fill_least[fill])
            if stage >= ON:
                m, waiting = (stage - ON) // 2, (stage - ON) % 2 == 0
                cut = w.fill_cut[fill, m] if waiting else 0
                at = max(at, (times[1 + m] if w.positions[m] == 1 or cut > 0 else 0) + cut + w.pull[m] + w.fill_unload[fill])
                held += 1
                if waiting:
                    work[machines + m] += 1
                    seconds -= w.place[m]
        free[plate] = worked_by(w.spans, w.rounds[0], at)
    if machines == 1 and work[1] == 0 and held == w.positions[0]:
        seconds += w.pull[0]  # what stands there must be pulled before anything is placed
    return int(seconds)


@compiled
def turns(spans: SpanLists, rounds: int, plate_component: Ints, times: Ints, free: Ints, component: int, seconds: int) -> int:
    """The end of `seconds` of round trips shared by the plates of a component, each from the instant on that it is `free`.

    Water poured over those instants: the least level over the j plates that are free first. Time is that in which anything can
    happen to a plate (`rounds`): working time, and of every gap the longest cut.
    """
    level, count, total, before = NEVER, 0, 0, -1
    while True:
        # The plates in the order in which they are free, without a place to sort them in: the next instant after `before`.
        next_free, same = NEVER, 0
        for plate in range(plate_component.shape[0]):
            if plate_component[plate] != component:
                continue
            if free[plate] > before and free[plate] < next_free:
                next_free, same = free[plate], 1
            elif free[plate] == next_free:
                same += 1
        if next_free >= NEVER or next_free >= level:
            return NEVER if level >= NEVER else work_until(spans, rounds, times[0], level - worked_by(spans, rounds, times[0]))
        count, total, before = count + same, total + same * next_free, next_free
        level = min(level, -(-(total + seconds) // count))


@compiled
def after_mills(spans: SpanLists, mill: Ints, times: Ints, seconds: int, first_load: int, last_unload: int, work: Ints) -> int:
    """The end of the last unload after `seconds` of cuts and exchanges on the mills, after the first load where no plate is loaded."""
    ended = mills_end(spans, mill, times, seconds, first_load, work)
    return NEVER if ended >= NEVER else work_until(spans, 0, ended, last_unload)


@compiled
def after_cuts(w: Walk, times: Ints, own: Ints, seconds: int, first_load: int, more: bool, work: Ints) -> int:
    """When a set is through by its last two cuts on a mill with one position, at least, after `seconds` of cuts and exchanges there;
    0 for other shops and a single cut. With `more` runs than the fewest any may hold one piece.

    Let the last cut hold q pieces. Pulled and unloaded it is after all cuts. The run cut before it is pulled when all but that cut and
    its exchange are done; from then on hands have the last exchange to do, and both unloads. The least over q, and over the
    components that can be the last.
    """
    kinds, waits, cuts, unload = w.kinds.need.shape[0], 2 * w.place.shape[0] + w.kinds.need.shape[0], 1 if more else 0, NEVER
    for c in range(kinds):
        if w.kinds.component[c] == c and own[c, CUTS] > 0:
            cuts += own[c, CUTS]
            pieces = fewest(own[c], more, int(work[waits + c]))
            unload = min(unload, w.kinds.least_of[c, RUN_UNLOAD] + pieces * w.kinds.least_of[c, CUT_UNLOAD])
    if cuts < 2 or w.place.shape[0] > 1 or w.positions[0] > 1:
        return 0
    best, asked, cut_by = NEVER, False, mills_end(w.spans, w.mill, times, seconds - w.pull[0], first_load, work)
    for c in range(kinds):
        if w.kinds.component[c] != c or own[c, CUTS] == 0 or w.component_lag[c] > 0:
            continue
        asked = True
        for pieces in range(fewest(own[c], more, int(work[waits + c])), w.component_most[c, 0] + 1):
            last = w.kinds.least_of[c, RUN_UNLOAD] + pieces * w.kinds.least_of[c, CUT_UNLOAD]
            at = work_until(w.spans, 0, cut_by, w.pull[0] + last)
            if at >= best:
                break
            rest = seconds - w.kinds.least_of[c, RUN_CUT] - w.kinds.least_of[c, RUN_EXCHANGE] - pieces * w.component_most[c, 1]
            but_it = mills_end(w.spans, w.mill, times, rest, first_load, work)
            both = work_until(w.spans, 0, but_it, w.kinds.least_of[c, RUN_EXCHANGE] + unload + last)
            best = min(best, max(at, both))
            if both <= at:
                break
    return int(best) if asked else 0


@compiled
def fewest(row: Ints, more: bool, waiting: int) -> int:
    """The fewest pieces of a set in a cut of a component to come, by its `row` of the table; `waiting`: on plates that wait for it."""
    if more:
        return 1
    if row[SHARED] > 0:
        return int(row[LEAST])
    return int(waiting if row[LOADS] == 0 else min(waiting, row[LEAST]))


@compiled
def to_come(
    w: Walk, state: Ints, times: Ints, counts: Ints, asks: Ints, work: Ints, table: Ints, free: Ints, finish: Ints, press: Ints,
    best: Floats, points: Floats, limit: float,
) -> float:
    """Points still to come from the open orders, at least; infinite where they cannot all fit the horizon.

    Let the open orders finish in some sequence. The j-th to finish is the last of the first j, so it finishes no earlier
    than `finish_of` that set. The least sum of points over all sequences, by dynamic programming over sets (Held & Karp
    1962), is a bound. Where it stays below the `limit` the better one of `walk_trade` is asked.
    """
    orders = w.order_due.shape[0]
    done = state[w.kinds.need.shape[0] + w.plate_family.shape[0]]
    whole = (1 << orders) - 1 - done
    if whole == 0:
        return float(w.makespan[0] * times[0])
    progress(w, state, counts)
    ready, unload = uncut(w, state)
    tabulate(w.kinds, int(done), counts, asks, table)
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
