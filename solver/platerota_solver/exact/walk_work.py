"""What a set of orders still asks of hands, mills and plates, by component: as few runs as can be, each at its least."""

from __future__ import annotations

from platerota_solver.exact.walk_tables import Walk
from platerota_solver.kernel.spans import NEVER, compiled, row_at
from platerota_solver.problem import Ints

# Stages of a plate with a fill; two more per machine follow: placed on it, and cut.
LOADED, OFF, ON = 0, 1, 2
# Columns of `Walk.least`.
CUT, CUT_LOAD, CUT_UNLOAD, RUN_CUT, RUN_LOAD, RUN_UNLOAD, RUN_EXCHANGE = range(7)
# Columns of the table of work [set of orders, component]: seconds of hands, mills and round trips, runs to load, the least pieces
# in one of them, and where an op and the next lie on the same plates the full runs of the first op (see `again`), else 0.
HAND, MILL, TRIPS, LOADS, LEAST, AGAIN = range(6)
WORK_COLUMNS = 6


@compiled
def stages(w: Walk) -> int:
    """Stages that a plate with a fill can be in."""
    return ON + 2 * int(w.place.shape[0])


@compiled
def work_until(w: Walk, number: int, t: int, seconds: int) -> int:
    """The end of `seconds` in the spans of a list from t on, as if work could pause anywhere; NEVER past the last span."""
    if seconds <= 0:
        return t
    first, last = w.span_from[number], w.span_from[number + 1]
    row = row_at(w.closes, first, last, t)
    if row >= last:
        return NEVER
    goal = w.worked[row] + max(0, t - w.begins[row]) + seconds
    while row < last and w.worked[row] + w.closes[row] - w.begins[row] < goal:
        row += 1
    return NEVER if row >= last else int(w.begins[row] + goal - w.worked[row])


@compiled
def worked_by(w: Walk, number: int, t: int) -> int:
    """Seconds of a list before t."""
    row = row_at(w.closes, w.span_from[number], w.span_from[number + 1], t)
    if row >= w.span_from[number + 1]:
        row -= 1
        return int(w.worked[row] + w.closes[row] - w.begins[row]) if row >= w.span_from[number] else 0
    return int(w.worked[row] + max(0, t - w.begins[row]))


@compiled
def progress(w: Walk, state: Ints, counts: Ints) -> None:
    """Pieces loaded, cut and unloaded by kind in `counts` rows 0, 1, 2."""
    kinds, number = w.need.shape[0], stages(w)
    for k in range(kinds):
        counts[0, k] = counts[1, k] = counts[2, k] = w.need[k] - state[k]
    for plate in range(w.plate_family.shape[0]):
        code = state[kinds + plate] - 1
        if code < 0:
            continue
        stage, fill = code % number, code // number
        uncut = stage == LOADED or (stage >= ON and (stage - ON) % 2 == 0)
        for k in range(kinds):
            counts[2, k] -= w.fill_pieces[fill, k]
            if uncut:
                counts[1, k] -= w.fill_pieces[fill, k]


@compiled
def want(w: Walk, state: Ints, chosen: int, counts: Ints, todo: Ints) -> None:
    """Pieces to load, cut and unload by kind (`todo` rows 0, 1, 2) for the `chosen` open orders: what is through may all be theirs."""
    kinds = w.need.shape[0]
    done = state[kinds + w.plate_family.shape[0]] | chosen
    for k in range(kinds):
        wanted = 0
        for o in range(w.order_due.shape[0]):
            if (done >> o) & 1:
                wanted += w.order_need[o, k]
        for row in range(3):
            todo[row, k] = max(0, wanted - counts[row, k])


@compiled
def runs_of(w: Walk, todo: Ints, counts: Ints, component: int) -> tuple[int, int]:
    """The least runs of a component's plates still to load for the pieces in `todo` row 0, and the least pieces in any one of them.

    As many as the step that needs most. Where an op and the next lie on the same plates: the run that is loaded last with
    pieces of the op is followed by one that holds them for the next; and where no piece is under way or waits for a next op,
    the first run holds none of it. Either is one run more.
    """
    runs, least = 0, 1
    kinds, first = w.need.shape[0], True
    for k in range(kinds):
        before = w.before[k]
        if before >= 0 and w.component[k] == component and w.supply[k] + counts[0, before] - counts[0, k] > 0:
            first = False
    for k in range(kinds):
        if w.component[k] != component:
            continue
        total, again = 0, False
        for j in range(kinds):
            if w.component[j] == component and w.kind_step[j] == w.kind_step[k] and todo[0, j] > 0:
                total += todo[0, j]
                if j + 1 < kinds and w.before[j + 1] == j and w.component[j + 1] == component:
                    again = True
        if total == 0:
            continue
        full = -(-total // w.capacity[k])
        number = full + (1 if again or (first and w.before[k] >= 0 and w.component[w.before[k]] == component) else 0)
        if number > runs:
            runs, least = number, (total - (full - 1) * w.capacity[k] if number == full else 1)
    return runs, least


@compiled
def runs_between(w: Walk, todo: Ints, more: int, less: int, component: int) -> int:
    """The least runs that hold the pieces of `todo` row `more` that are not in row `less`: loaded and not cut, or not unloaded."""
    runs = 0
    for k in range(w.need.shape[0]):
        if w.component[k] != component:
            continue
        total = 0
        for j in range(w.need.shape[0]):
            if w.component[j] == component and w.kind_step[j] == w.kind_step[k]:
                total += todo[more, j] - todo[less, j]
        runs = max(runs, -(-total // w.capacity[k]))
    return runs


@compiled
def again(w: Walk, counts: Ints, done: int, component: int) -> int:
    """Full runs that the first op of a pair on the same plates still takes, N; 0 where there is no such pair.

    Let r runs be loaded from now on, g the runs before the i-th of them that are not unloaded when it is loaded, c the most
    pieces of either op in a run. What lies in the first i for the second op is through the first: at most what is through or
    under way now + c (i − 1 − g). The other r − i hold at most c (r − i). Together that must suffice, so g ≤ r − 1 − N: with
    N + 1 + e runs no more than e + 1 of them are ever between load and unload.
    """
    runs, kinds = 0, w.need.shape[0]
    for k in range(kinds):
        before = w.before[k]
        if before < 0 or w.component[k] != component or w.component[before] != component:
            continue
        total, most = 0, 1
        for j in range(kinds):
            first = w.before[j]
            if w.kind_step[j] != w.kind_step[k] or first < 0 or w.kind_step[first] != w.kind_step[before]:
                continue
            wanted = -w.supply[j] - counts[0, first]
            for o in range(w.order_due.shape[0]):
                if (done >> o) & 1:
                    wanted += w.order_need[o, j]
            total += max(0, wanted)
            most = max(most, w.capacity[j], w.capacity[first])
        runs = max(runs, -(-total // most))
    return int(runs)


@compiled
def component_work(w: Walk, counts: Ints, todo: Ints, done: int, component: int, row: Ints) -> None:
    """What a component's pieces still take, into a `row` of the table."""
    loads, least = runs_of(w, todo, counts, component)
    cuts = loads + runs_between(w, todo, 1, 0, component)
    unloads = cuts + runs_between(w, todo, 2, 1, component)
    exchange, cycle = w.least_of[component, RUN_EXCHANGE], w.least_of[component, RUN_CUT]
    load, unload = w.least_of[component, RUN_LOAD], w.least_of[component, RUN_UNLOAD]
    hand, mill = loads * load + cuts * exchange + unloads * unload, cuts * (cycle + exchange)
    trips = loads * (load + cycle + exchange + unload)
    for k in range(w.need.shape[0]):
        if w.component[k] == component:
            hand += todo[0, k] * w.least[k, CUT_LOAD] + todo[2, k] * w.least[k, CUT_UNLOAD]
            mill += todo[1, k] * w.least[k, CUT]
            trips += todo[0, k] * (w.least[k, CUT_LOAD] + w.least[k, CUT] + w.least[k, CUT_UNLOAD])
    row[HAND], row[MILL], row[TRIPS], row[LOADS], row[LEAST] = hand, mill, trips, loads, least
    row[AGAIN] = again(w, counts, done, component) if loads > 0 else 0


@compiled
def tabulate(w: Walk, state: Ints, counts: Ints, todo: Ints, table: Ints) -> None:
    """The table of work for every set of open orders; a set asks a component for what those of its orders ask that lie there."""
    kinds, orders = w.need.shape[0], w.order_due.shape[0]
    done = int(state[kinds + w.plate_family.shape[0]])
    for chosen in range(1 << orders):
        if chosen & done:
            continue
        wanted = False
        for c in range(kinds):
            if w.component[c] != c:
                continue
            own = chosen & w.component_orders[c]
            if own != chosen:
                for column in range(WORK_COLUMNS):
                    table[chosen, c, column] = table[own, c, column]
                continue
            if not wanted:
                want(w, state, chosen, counts, todo)
                wanted = True
            component_work(w, counts, todo, done | chosen, c, table[chosen, c])


@compiled
def uncut(w: Walk, state: Ints) -> tuple[bool, int]:
    """Whether a plate with pieces waits for its cut, and the least unload of such a plate."""
    kinds, number, found, least = w.need.shape[0], stages(w), False, NEVER
    for plate in range(w.plate_family.shape[0]):
        code = state[kinds + plate] - 1
        if code >= 0 and (code % number == LOADED or (code % number >= ON and (code % number - ON) % 2 == 0)):
            found = True
            least = min(least, int(w.fill_unload[code // number]))
    return found, least


@compiled
def mills_end(w: Walk, times: Ints, seconds: int, first_load: int, work: Ints) -> int:
    """The end of `seconds` of cuts and exchanges on the mills (`walk_bound.stand`), after the first load where no plate is loaded."""
    machines = w.place.shape[0]
    begin = work_until(w, 0, times[0], first_load)
    if begin >= NEVER:
        return NEVER
    for m in range(machines):
        work[m] = times[1 + m] if work[machines + m] else max(times[1 + m], begin)
    seconds = max(0, seconds)
    return work_until(w, w.mill[0], work[0], seconds) if machines == 1 else poured(work, machines, seconds)


@compiled
def poured(work: Ints, machines: int, seconds: int) -> int:
    """The least instant by which mills, each from the instant in `work` that it is free, can have worked so many seconds together.

    The level of water poured over those instants: the least of (sum of the j earliest + seconds) ÷ j.
    """
    for k in range(1, machines):  # few mills: sorted by insertion
        at, free = k, work[k]
        while at > 0 and work[at - 1] > free:
            work[at] = work[at - 1]
            at -= 1
        work[at] = free
    level, total = NEVER, seconds
    for k in range(machines):
        total += work[k]
        level = min(level, -(-total // (k + 1)))
    return level
