"""What is still to come, at least: the bound that lets the walk leave a label."""

from __future__ import annotations

from platerota_solver.exact.walk_tables import Walk
from platerota_solver.kernel.spans import NEVER, compiled, row_at
from platerota_solver.problem import Ints

Floats = Ints  # numba reads no annotations; float64 arrays here

# Stages of a plate with a fill; two more per machine follow: placed on it, and cut.
LOADED, OFF, ON = 0, 1, 2
CUT, CUT_LOAD, CUT_UNLOAD, RUN_CUT, RUN_LOAD, RUN_UNLOAD, RUN_EXCHANGE = range(7)


@compiled
def stages(w: Walk) -> int:
    """Stages that a plate with a fill can be in."""
    return ON + 2 * w.place.shape[0]


@compiled
def work_until(w: Walk, t: int, seconds: int) -> int:
    """The end of `seconds` of hand work begun at t or later, as if it could pause anywhere; NEVER past the horizon."""
    if seconds <= 0:
        return t
    first, last = w.span_from[0], w.span_from[1]
    row = row_at(w.closes, first, last, t)
    if row >= last:
        return NEVER
    goal = w.worked[row] + max(0, t - w.begins[row]) + seconds
    while row < last and w.worked[row] + w.closes[row] - w.begins[row] < goal:
        row += 1
    return NEVER if row >= last else w.begins[row] + goal - w.worked[row]


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
def runs_of(w: Walk, pieces: Ints, row: int, component: int) -> int:
    """The least runs of a component's plates that hold so many pieces (row `row`) of its kinds: the step that needs most."""
    most = 0
    for k in range(pieces.shape[1]):
        if w.component[k] != component:
            continue
        total = 0
        for j in range(pieces.shape[1]):
            if w.component[j] == component and w.kind_step[j] == w.kind_step[k]:
                total += pieces[row, j]
        most = max(most, -(-total // w.capacity[k]))
    return most


@compiled
def least_run(w: Walk, component: int, column: int) -> int:
    """The least seconds per run in `column` of any kind of a component."""
    least = NEVER
    for k in range(w.need.shape[0]):
        if w.component[k] == component:
            least = min(least, w.least[k, column])
    return least


@compiled
def finish_of(w: Walk, state: Ints, times: Ints, chosen: int, counts: Ints, todo: Ints) -> int:
    """When the last of the `chosen` open orders finishes, at least.

    Pieces that are through an operation already may all be theirs. What is still to load, cut and unload for them takes
    its least seconds per piece and per run, with as few runs as full plates need. (1) The operator does the hand work
    left in working time, after what is done (t). (2) The mills cut and exchange one plate at a time each; a mill can go on when it
    is free, a run's exchange needs the operator after t, and where no plate is loaded one must be first; then the last
    run is unloaded. (3) The plates of a component go round, each run from its load to its unload.
    The latest of the three is valid for every way to go on.
    """
    kinds = w.need.shape[0]
    done = state[kinds + w.plate_family.shape[0]]
    for k in range(kinds):
        wanted = 0
        for o in range(w.order_due.shape[0]):
            if ((done | chosen) >> o) & 1:
                wanted += w.order_need[o, k]
        for row in range(3):
            todo[row, k] = max(0, wanted - counts[row, k])
    hand, mill, last, first = 0, 0, NEVER, NEVER
    plates = times[0]
    for c in range(kinds):
        if w.component[c] != c:
            continue
        loads, cuts, unloads = runs_of(w, todo, 0, c), runs_of(w, todo, 1, c), runs_of(w, todo, 2, c)
        if unloads == 0:
            continue
        exchange, cycle = least_run(w, c, RUN_EXCHANGE), least_run(w, c, RUN_CUT)
        load, unload = least_run(w, c, RUN_LOAD), least_run(w, c, RUN_UNLOAD)
        loading, cutting, unloading, round_trip = loads * load, cuts * (cycle + exchange), unloads * unload, 0
        for k in range(kinds):
            if w.component[k] == c:
                loading += todo[0, k] * w.least[k, CUT_LOAD]
                cutting += todo[1, k] * w.least[k, CUT]
                unloading += todo[2, k] * w.least[k, CUT_UNLOAD]
                round_trip += todo[0, k] * (w.least[k, CUT_LOAD] + w.least[k, CUT] + w.least[k, CUT_UNLOAD])
        hand += loading + cuts * exchange + unloading
        mill += cutting
        last = min(last, unload)
        if loads > 0:
            first = min(first, load)
            plates = max(plates, turns(w, state, times, c, round_trip + loads * (load + cycle + exchange + unload)))
    at = max(work_until(w, times[0], hand), plates)
    if mill > 0 and at < NEVER:
        ended = mills_until(w, state, times, mill, first)
        at = max(at, NEVER if ended >= NEVER else work_until(w, ended, last))
    return at


@compiled
def turns(w: Walk, state: Ints, times: Ints, component: int, seconds: int) -> int:
    """The end of `seconds` of round trips shared by the plates of a component; a single plate first ends the run it is in."""
    kinds, number = w.need.shape[0], stages(w)
    count, at = 0, times[0]
    for plate in range(w.plate_family.shape[0]):
        if w.plate_component[plate] != component:
            continue
        count += 1
        code = state[kinds + plate] - 1
        if code >= 0:
            stage, fill = code % number, code // number
            end = times[0] + w.fill_unload[fill]
            if stage >= ON:
                machine = (stage - ON) // 2
                cut = w.fill_cut[fill, machine] if (stage - ON) % 2 == 0 else 0
                end = max(times[0], times[1 + machine] + cut) + w.pull[machine] + w.fill_unload[fill]
            at = max(at, end)
    if count == 0:
        return NEVER
    return at + seconds if count == 1 else times[0] + seconds // count


@compiled
def mills_until(w: Walk, state: Ints, times: Ints, seconds: int, first_load: int) -> int:
    """The end of `seconds` of cuts and exchanges shared by the mills, each free from its own time on."""
    kinds, number = w.need.shape[0], stages(w)
    ready = False
    for plate in range(w.plate_family.shape[0]):
        code = state[kinds + plate] - 1
        if code >= 0 and (code % number == LOADED or (code % number >= ON and (code % number - ON) % 2 == 0)):
            ready = True
    begin = times[0] if ready or first_load >= NEVER else work_until(w, times[0], first_load)
    if begin >= NEVER:
        return NEVER
    machines = w.place.shape[0]
    placed = 0
    free_sum, free_least, count = 0, NEVER, 0
    for m in range(machines):
        waiting = 0
        for plate in range(w.plate_family.shape[0]):
            code = state[kinds + plate] - 1
            if code >= 0 and code % number == ON + 2 * m:
                waiting += 1
        placed += waiting * w.place[m]
        free = times[1 + m] if waiting else max(times[1 + m], begin)
        free_sum += free
        free_least = min(free_least, free)
        count += 1
    seconds = max(0, seconds - placed)
    if count == 1:
        return free_least + seconds
    return free_least + seconds // count


@compiled
def to_come(w: Walk, state: Ints, times: Ints, counts: Ints, todo: Ints, best: Floats) -> float:
    """Points still to come from the open orders, at least; infinite where they cannot all fit the horizon.

    Let the open orders finish in some sequence. The j-th to finish is the last of the first j, so it finishes no earlier
    than `finish_of` that set. The least sum of points over all sequences, by dynamic programming over sets (Held & Karp
    1962), is a bound.
    """
    orders = w.order_due.shape[0]
    done = state[w.need.shape[0] + w.plate_family.shape[0]]
    whole = (1 << orders) - 1 - done
    if whole == 0:
        return w.makespan[0] * times[0]
    progress(w, state, counts)
    at = 0
    for chosen in range(1 << orders):
        if chosen & done:
            continue
        if chosen == 0:
            best[0] = 0.0
            continue
        at = finish_of(w, state, times, chosen, counts, todo)
        if at > w.horizon[0]:
            return 1e300
        least = 1e300
        for o in range(orders):
            if (chosen >> o) & 1:
                points = best[chosen ^ (1 << o)] + w.finish[o] * at + w.late[o] * max(0, at - w.order_due[o])
                least = min(least, points)
        best[chosen] = least
    return best[whole] + w.makespan[0] * at
