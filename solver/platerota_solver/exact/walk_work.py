"""What a set of orders still asks of hands, mills and plates, by component: as few runs as can be, each at its least."""

from __future__ import annotations

from platerota_solver.exact.walk_tables import Kinds, SpanLists, Walk
from platerota_solver.kernel.spans import NEVER, compiled, row_at
from platerota_solver.problem import Ints

# Stages of a plate with a fill; two more per machine follow: placed on it, and cut.
LOADED, OFF, ON = 0, 1, 2
# Columns of `Walk.least`.
CUT, CUT_LOAD, CUT_UNLOAD, RUN_CUT, RUN_LOAD, RUN_UNLOAD, RUN_EXCHANGE = range(7)
# Columns of the table of work [set of orders, component]: seconds of hands, mills and round trips, runs to load, the least pieces in
# one of them, where an op and the next lie on the same plates the full runs of the first op (see `again`), else 0, the least runs to
# cut, and whether pieces that are loaded may be left to other orders.
HAND, MILL, TRIPS, LOADS, LEAST, AGAIN, CUTS, SHARED = range(8)
WORK_COLUMNS = 8
OF_STEP = 3  # rows of `asks` from here on: all kinds of a step together


@compiled
def stages(place: Ints) -> int:
    """Stages that a plate with a fill can be in, from the seconds of a place by machine."""
    return ON + 2 * int(place.shape[0])


@compiled
def work_until(spans: SpanLists, number: int, t: int, seconds: int) -> int:
    """The end of `seconds` in the spans of a list from t on, as if work could pause anywhere; NEVER past the last span."""
    if seconds <= 0:
        return t
    first, last = spans.span_from[number], spans.span_from[number + 1]
    row = row_at(spans.closes, first, last, t)
    if row >= last:
        return NEVER
    goal = spans.worked[row] + max(0, t - spans.begins[row]) + seconds
    while row < last and spans.worked[row] + spans.closes[row] - spans.begins[row] < goal:
        row += 1
    return NEVER if row >= last else int(spans.begins[row] + goal - spans.worked[row])


@compiled
def worked_by(spans: SpanLists, number: int, t: int) -> int:
    """Seconds of a list before t."""
    row = row_at(spans.closes, spans.span_from[number], spans.span_from[number + 1], t)
    if row >= spans.span_from[number + 1]:
        row -= 1
        return int(spans.worked[row] + spans.closes[row] - spans.begins[row]) if row >= spans.span_from[number] else 0
    return int(spans.worked[row] + max(0, t - spans.begins[row]))


@compiled
def progress(w: Walk, state: Ints, counts: Ints) -> None:
    """Pieces loaded, cut and unloaded by kind in `counts` rows 0, 1, 2."""
    kinds, number = w.kinds.need.shape[0], stages(w.place)
    for k in range(kinds):
        counts[0, k] = counts[1, k] = counts[2, k] = w.kinds.need[k] - state[k]
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
def want(kinds: Kinds, done: int, counts: Ints, asks: Ints) -> None:
    """Pieces to load, cut and unload by kind (`asks` rows 0, 1, 2) until the orders in `done` are: what is through may all be theirs.

    Rows 3, 4 and 5 hold the same for all kinds together that fill the same nests on the plates of a kind's component.
    """
    for k in range(kinds.need.shape[0]):
        wanted = 0
        for o in range(kinds.order_need.shape[0]):
            if (done >> o) & 1:
                wanted += kinds.order_need[o, k]
        for row in range(3):
            asks[row, k] = max(0, wanted - counts[row, k])
            asks[OF_STEP + row, k] = 0
    for k in range(kinds.need.shape[0]):
        for j in range(kinds.need.shape[0]):
            if kinds.component[j] == kinds.component[k] and kinds.kind_step[j] == kinds.kind_step[k]:
                for row in range(3):
                    asks[OF_STEP + row, k] += asks[row, j]


@compiled
def runs_of(kinds: Kinds, asks: Ints, counts: Ints, component: int) -> tuple[int, int]:
    """The least runs of a component's plates still to load for the pieces in `asks` row 0, and the least pieces in any one of them.

    As many as the step that needs most. Where an op and the next lie on the same plates: the run that is loaded last with
    pieces of the op is followed by one that holds them for the next; and where no piece is under way or waits for a next op,
    the first run holds none of it. Either is one run more.
    """
    runs, least = 0, 1
    number_of_kinds, first = kinds.need.shape[0], True
    for k in range(number_of_kinds):
        before = kinds.before[k]
        if before >= 0 and kinds.component[k] == component and kinds.supply[k] + counts[0, before] - counts[0, k] > 0:
            first = False
    for k in range(number_of_kinds):
        if kinds.component[k] != component:
            continue
        total, again = asks[OF_STEP, k], False
        if total == 0:
            continue
        for j in range(number_of_kinds - 1):
            if kinds.component[j] == component and kinds.kind_step[j] == kinds.kind_step[k] and asks[0, j] > 0:
                again = again or (kinds.before[j + 1] == j and kinds.component[j + 1] == component)
        full = -(-total // kinds.capacity[k])
        number = full + (1 if again or (first and kinds.before[k] >= 0 and kinds.component[kinds.before[k]] == component) else 0)
        if number > runs:
            runs, least = number, (total - (full - 1) * kinds.capacity[k] if number == full else 1)
    return runs, least


@compiled
def runs_between(kinds: Kinds, asks: Ints, more: int, less: int, component: int) -> int:
    """The least runs that hold the pieces of `asks` row `more` that are not in row `less` (-1: all of them)."""
    runs = 0
    for k in range(kinds.need.shape[0]):
        if kinds.component[k] == component:
            pieces = asks[OF_STEP + more, k] - (asks[OF_STEP + less, k] if less >= 0 else 0)
            runs = max(runs, -(-pieces // kinds.capacity[k]))
    return runs


@compiled
def may_load(row: Ints) -> bool:
    """Whether a set may load new runs in a component, by its `row` of the table: it must, or may leave to others what is loaded."""
    return bool(row[LOADS] > 0 or (row[SHARED] > 0 and row[CUTS] > 0))


@compiled
def shares(kinds: Kinds, asks: Ints, done: int, component: int) -> bool:
    """Whether orders outside the set `done` are alike to one of it that still needs a component: theirs may be what is under way now."""
    for k in range(kinds.need.shape[0]):
        if kinds.component[k] == component and asks[2, k] > 0:
            wanted = 0
            for o in range(kinds.order_need.shape[0]):
                if (done >> o) & 1:
                    wanted += kinds.order_need[o, k]
            if wanted < kinds.need[k]:
                return True
    return False


@compiled
def least_cut(kinds: Kinds, asks: Ints, cuts: int, component: int) -> int:
    """The least pieces of one step in any of so many cuts, where these are as few as can be."""
    least = 1
    for k in range(kinds.need.shape[0]):
        if kinds.component[k] == component:
            least = max(least, asks[OF_STEP + 1, k] - (cuts - 1) * kinds.capacity[k])
    return int(least)


@compiled
def again(kinds: Kinds, counts: Ints, done: int, component: int) -> int:
    """Full runs that the first op of a pair on the same plates still takes, N; 0 where there is no such pair.

    Let r runs be loaded from now on, g the runs before the i-th of them that are not unloaded when it is loaded, c the most
    pieces of either op in a run. What lies in the first i for the second op is through the first: at most what is through or
    under way now + c (i − 1 − g). The other r − i hold at most c (r − i). Together that must suffice, so g ≤ r − 1 − N: with
    N + 1 + e runs no more than e + 1 of them are ever between load and unload.
    """
    runs = 0
    for k in range(kinds.need.shape[0]):
        before = kinds.before[k]
        if before < 0 or kinds.component[k] != component or kinds.component[before] != component:
            continue
        total, most = 0, 1
        for j in range(kinds.need.shape[0]):
            first = kinds.before[j]
            if kinds.kind_step[j] != kinds.kind_step[k] or first < 0 or kinds.kind_step[first] != kinds.kind_step[before]:
                continue
            wanted = -kinds.supply[j] - counts[0, first]
            for o in range(kinds.order_need.shape[0]):
                if (done >> o) & 1:
                    wanted += kinds.order_need[o, j]
            total += max(0, wanted)
            most = max(most, kinds.capacity[j], kinds.capacity[first])
        runs = max(runs, -(-total // most))
    return int(runs)


@compiled
def component_work(kinds: Kinds, counts: Ints, asks: Ints, done: int, component: int, row: Ints) -> None:
    """What a component's pieces still take, into a `row` of the table.

    What is loaded or cut has its place in runs of its own, beside those still to load; but where orders outside the set are alike it may
    be left to them, and then new runs may hold it all.
    """
    loads, least = runs_of(kinds, asks, counts, component)
    shared = shares(kinds, asks, done, component)
    if shared:
        cuts = max(loads, runs_between(kinds, asks, 1, -1, component))
        unloads = max(cuts, runs_between(kinds, asks, 2, -1, component))
        least = max(least if cuts == loads else 1, least_cut(kinds, asks, cuts, component))
    else:
        cuts = loads + runs_between(kinds, asks, 1, 0, component)
        unloads = cuts + runs_between(kinds, asks, 2, 1, component)
    exchange, cycle = kinds.least_of[component, RUN_EXCHANGE], kinds.least_of[component, RUN_CUT]
    load, unload = kinds.least_of[component, RUN_LOAD], kinds.least_of[component, RUN_UNLOAD]
    hand, mill = loads * load + cuts * exchange + unloads * unload, cuts * (cycle + exchange)
    trips = loads * (load + cycle + exchange + unload)
    for k in range(kinds.need.shape[0]):
        if kinds.component[k] == component:
            hand += asks[0, k] * kinds.least[k, CUT_LOAD] + asks[2, k] * kinds.least[k, CUT_UNLOAD]
            mill += asks[1, k] * kinds.least[k, CUT]
            trips += asks[0, k] * (kinds.least[k, CUT_LOAD] + kinds.least[k, CUT] + kinds.least[k, CUT_UNLOAD])
    row[HAND], row[MILL], row[TRIPS], row[LOADS], row[LEAST], row[CUTS] = hand, mill, trips, loads, least, cuts
    row[SHARED] = 1 if shared else 0
    row[AGAIN] = again(kinds, counts, done, component) if loads > 0 else 0


@compiled
def tabulate(kinds: Kinds, done: int, counts: Ints, asks: Ints, table: Ints) -> None:
    """The table of work for every set of orders beside those `done`; what a set asks of a component its orders there ask."""
    for chosen in range(1 << kinds.order_need.shape[0]):
        if chosen & done:
            continue
        wanted = False
        for c in range(kinds.need.shape[0]):
            if kinds.component[c] != c:
                continue
            own = chosen & kinds.component_orders[c]
            if own != chosen:
                for column in range(WORK_COLUMNS):
                    table[chosen, c, column] = table[own, c, column]
                continue
            if not wanted:
                want(kinds, done | chosen, counts, asks)
                wanted = True
            component_work(kinds, counts, asks, done | chosen, c, table[chosen, c])


@compiled
def uncut(w: Walk, state: Ints) -> tuple[bool, int]:
    """Whether a plate with pieces waits for its cut, and the least unload of such a plate."""
    kinds, number, found, least = w.kinds.need.shape[0], stages(w.place), False, NEVER
    for plate in range(w.plate_family.shape[0]):
        code = state[kinds + plate] - 1
        if code >= 0 and (code % number == LOADED or (code % number >= ON and (code % number - ON) % 2 == 0)):
            found = True
            least = min(least, int(w.fill_unload[code // number]))
    return found, least


@compiled
def mills_end(spans: SpanLists, mill: Ints, times: Ints, seconds: int, first_load: int, work: Ints) -> int:
    """The end of `seconds` of cuts and exchanges on the mills (`walk_bound.stand`), after the first load where no plate is loaded."""
    machines = mill.shape[0]
    begin = work_until(spans, 0, times[0], first_load)
    if begin >= NEVER:
        return NEVER
    for m in range(machines):
        work[m] = times[1 + m] if work[machines + m] else max(times[1 + m], begin)
    seconds = max(0, seconds)
    return work_until(spans, mill[0], work[0], seconds) if machines == 1 else poured(work, machines, seconds)


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
