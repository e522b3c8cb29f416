"""What is still to come, at least: the bound that lets the walk leave a label."""

from __future__ import annotations

from platerota_solver.exact.walk_tables import Floats, Walk
from platerota_solver.kernel.spans import NEVER, compiled, row_at
from platerota_solver.problem import Ints

# Stages of a plate with a fill; two more per machine follow: placed on it, and cut.
LOADED, OFF, ON = 0, 1, 2
# Columns of `Walk.least`, and of the room for a component's work.
CUT, CUT_LOAD, CUT_UNLOAD, RUN_CUT, RUN_LOAD, RUN_UNLOAD, RUN_EXCHANGE = range(7)
HAND, MILL, TRIPS, FREE = range(4)  # FREE: from here on one for each machine


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
def finish_of(w: Walk, state: Ints, times: Ints, chosen: int, counts: Ints, todo: Ints, work: Ints, ready: bool, unload: int) -> int:
    """When the last of the `chosen` open orders finishes, at least: the latest of three.

    What is still to load, cut and unload for them takes its least seconds per piece and per run, in as few runs as can be.
    (1) The operator does the hand work left in working time, from t on. (2) The mills cut and exchange one plate at a time each, in
    the time they can use; where no plate is `ready` for a cut one must be loaded first; the last cut's run is unloaded after it.
    With as few runs as can be, no run holds less than the rest that full ones leave; with more there is one cut and
    exchange more; the lesser of both counts. (3) The plates of a component go round.
    """
    want(w, state, chosen, counts, todo)
    hand, mill, plates, extra = 0, 0, int(times[0]), NEVER
    first_full, first_one, last_full, last_one = NEVER, NEVER, unload, unload
    for c in range(w.need.shape[0]):
        if w.component[c] != c:
            continue
        loads, least = component_work(w, todo, counts, c, work)
        hand += work[HAND]
        mill += work[MILL]
        if loads > 0:
            load, piece_load = w.least_of[c, RUN_LOAD], w.least_of[c, CUT_LOAD]
            off, piece_off = w.least_of[c, RUN_UNLOAD], w.least_of[c, CUT_UNLOAD]
            first_full, first_one = min(first_full, load + least * piece_load), min(first_one, load + piece_load)
            last_full, last_one = min(last_full, off + least * piece_off), min(last_one, off + piece_off)
            extra = min(extra, w.least_of[c, RUN_CUT] + w.least_of[c, RUN_EXCHANGE])
            plates = max(plates, turns(w, state, times, c, work[TRIPS]))
    at = max(work_until(w, 0, times[0], hand), plates)
    if mill == 0 or at >= NEVER:
        return at
    if ready:
        first_full, first_one = 0, 0
    ended = after_mills(w, state, times, mill, first_full, last_full, work)
    if extra < NEVER:
        ended = min(ended, after_mills(w, state, times, mill + extra, first_one, last_one, work))
    return max(at, ended)


@compiled
def component_work(w: Walk, todo: Ints, counts: Ints, component: int, work: Ints) -> tuple[int, int]:
    """Seconds of hand, mill and round trips that a component's pieces still take, into `work`; runs to load and the least pieces of one."""
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
    work[HAND], work[MILL], work[TRIPS] = hand, mill, trips
    return loads, least


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
def turns(w: Walk, state: Ints, times: Ints, component: int, seconds: int) -> int:
    """The end of `seconds` of round trips shared by the plates of a component, each free once the run it is in is unloaded.

    Water poured over the instants at which they are free: the least level over the j plates that are free first.
    """
    kinds, number = w.need.shape[0], stages(w)
    level, count, total, before = NEVER, 0, 0, -1
    while True:
        # The plates in the order in which they are free, without a place to sort them in: the next instant after `before`.
        next_free, same = NEVER, 0
        for plate in range(w.plate_family.shape[0]):
            if w.plate_component[plate] != component:
                continue
            free = times[0]
            code = state[kinds + plate] - 1
            if code >= 0:
                stage, fill = code % number, code // number
                free += w.fill_unload[fill]
                if stage >= ON:
                    m = (stage - ON) // 2
                    cut = w.fill_cut[fill, m] if (stage - ON) % 2 == 0 else 0
                    free = max(free, (times[1 + m] if w.positions[m] == 1 or cut > 0 else 0) + cut + w.pull[m] + w.fill_unload[fill])
            if free > before and free < next_free:
                next_free, same = free, 1
            elif free == next_free:
                same += 1
        if next_free >= NEVER or next_free >= level:
            return level
        count, total, before = count + same, total + same * next_free, next_free
        level = min(level, -(-(total + seconds) // count))


@compiled
def after_mills(w: Walk, state: Ints, times: Ints, seconds: int, first_load: int, last_unload: int, work: Ints) -> int:
    """The end of the last unload after `seconds` of cuts and exchanges on the mills, after the first load where no plate is loaded."""
    kinds, number, machines = w.need.shape[0], stages(w), w.place.shape[0]
    begin = work_until(w, 0, times[0], first_load)
    if begin >= NEVER:
        return NEVER
    for m in range(machines):
        placed, held = 0, 0
        for plate in range(w.plate_family.shape[0]):
            code = state[kinds + plate] - 1
            if code >= 0 and code % number >= ON and (code % number - ON) // 2 == m:
                held += 1
                placed += 1 - (code % number - ON) % 2
        free = times[1 + m] if placed else max(times[1 + m], begin)
        seconds -= placed * w.place[m]
        if machines == 1 and placed == 0 and held == w.positions[m]:
            seconds += w.pull[m]  # what stands there must be pulled before anything is placed
        work[FREE + m] = free
    seconds = max(0, seconds)
    ended = work_until(w, w.mill[0], work[FREE], seconds) if machines == 1 else poured(work, machines, seconds)
    return NEVER if ended >= NEVER else work_until(w, 0, ended, last_unload)


@compiled
def poured(work: Ints, machines: int, seconds: int) -> int:
    """The least instant by which mills, each from the instant in `work` that it is free, can have worked so many seconds together.

    The level of water poured over those instants: the least of (sum of the j earliest + seconds) ÷ j.
    """
    for k in range(1, machines):  # few mills: sorted by insertion
        at, free = k, work[FREE + k]
        while at > 0 and work[FREE + at - 1] > free:
            work[FREE + at] = work[FREE + at - 1]
            at -= 1
        work[FREE + at] = free
    level, total = NEVER, seconds
    for k in range(machines):
        total += work[FREE + k]
        level = min(level, -(-total // (k + 1)))
    return level


@compiled
def to_come(w: Walk, state: Ints, times: Ints, counts: Ints, todo: Ints, work: Ints, best: Floats) -> float:
    """Points still to come from the open orders, at least; infinite where they cannot all fit the horizon.

    Let the open orders finish in some sequence. The j-th to finish is the last of the first j, so it finishes no earlier
    than `finish_of` that set. The least sum of points over all sequences, by dynamic programming over sets (Held & Karp
    1962), is a bound.
    """
    orders = w.order_due.shape[0]
    done = state[w.need.shape[0] + w.plate_family.shape[0]]
    whole = (1 << orders) - 1 - done
    if whole == 0:
        return float(w.makespan[0] * times[0])
    progress(w, state, counts)
    ready, unload = uncut(w, state)
    at = 0
    for chosen in range(1 << orders):
        if chosen & done:
            continue
        if chosen == 0:
            best[0] = 0.0
            continue
        at = finish_of(w, state, times, chosen, counts, todo, work, ready, unload)
        if at > w.horizon[0]:
            return 1e300
        least = 1e300
        for o in range(orders):
            if (chosen >> o) & 1:
                points = best[chosen ^ (1 << o)] + w.finish[o] * at + w.late[o] * max(0, at - w.order_due[o])
                least = min(least, points)
        best[chosen] = least
    return float(best[whole] + w.makespan[0] * at)
