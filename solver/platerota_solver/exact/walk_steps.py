"""One step of the operator from a label to the next: every load, place, cut, pull and unload that may come next."""

from __future__ import annotations

from typing import NamedTuple

from platerota_solver.exact.walk_bound import to_come
from platerota_solver.exact.walk_tables import Floats, SpanLists, Walk
from platerota_solver.exact.walk_work import LOADED, OFF, ON, progress, stages
from platerota_solver.kernel.passing import by_reference
from platerota_solver.kernel.spans import NEVER, compiled, entry, row_at
from platerota_solver.problem import Ints

LOAD, PLACE, CUT, PULL, UNLOAD = range(5)
# Columns of a label's last step. CUT_AT and CUT_END: the cut that follows a place at once, else -1. FINISHED: the orders
# that an unload finishes, as bits.
KIND, PLATE, FILL, MACHINE, AT, END, CUT_AT, CUT_END = range(8)
FINISHED = CUT_AT
STEP_COLUMNS = 8


class Labels(NamedTuple):
    """Labels as columns: where the shop stands, when, and what it has cost."""

    state: Ints  # [label, pieces left by kind … a code per plate … finished orders as bits]
    times: Ints  # [label, operator free, then each machine free]
    idle: Ints  # [label, two per family] loads no longer than this are too late now: see `idled`
    cost: Floats  # points of the finished orders
    total: Floats  # cost and what is still to come, at least
    parent: Ints
    step: Ints  # [label, STEP_COLUMNS] the step that led here
    layer: Ints  # pieces × stages done: every step adds some


class Room(NamedTuple):
    """Where one expansion works: the kernel allocates nothing."""

    state: Ints
    times: Ints
    idle: Ints
    counts: Ints  # [3, kind]
    asks: Ints  # [6, kind], see walk_work.want
    work: Ints  # [2 × (machines + kinds)]
    table: Ints  # [set of orders, component, WORK_COLUMNS]
    free: Ints  # per plate
    finish: Ints  # per set of orders
    press: Ints
    best: Floats
    points: Floats


@compiled
def earliest(spans: SpanLists, first: int, second: int, third: int, t: int, length: int) -> int:
    """The earliest s ≥ t with ``[s, s + length]`` inside a span of each list (-1: no list); NEVER past the horizon."""
    s = t
    while True:
        before = s
        for turn in range(3):
            number = first if turn == 0 else (second if turn == 1 else third)
            if number < 0:
                continue
            row, last = row_at(spans.closes, spans.span_from[number], spans.span_from[number + 1], s), spans.span_from[number + 1]
            while row < last and max(s, spans.begins[row]) + length > spans.closes[row]:
                row += 1
            if row >= last:
                return NEVER
            s = max(s, spans.begins[row])
        if s == before:
            return s


@compiled
def on_machine(w: Walk, state: Ints, machine: int) -> int:
    """Plates that stand on a machine."""
    kinds, number, count = w.kinds.need.shape[0], stages(w.place), 0
    for plate in range(w.plate_family.shape[0]):
        code = state[kinds + plate] - 1
        if code >= 0 and code % number >= ON and (code % number - ON) // 2 == machine:
            count += 1
    return count


@compiled
def same_as_before(w: Walk, state: Ints, times: Ints, machine: int) -> bool:
    """Whether a like machine earlier in the list is as empty and free at the same instant: the step would be the same."""
    if on_machine(w, state, machine) > 0:
        return False
    for other in range(machine):
        if w.like[other] == w.like[machine] and times[1 + other] == times[1 + machine] and on_machine(w, state, other) == 0:
            return True
    return False


@compiled
def settle(w: Walk, state: Ints, times: Ints) -> None:
    """Let a machine on which no plate waits for its cut be free no sooner than the operator: what comes next there takes them."""
    kinds, number = w.kinds.need.shape[0], stages(w.place)
    for m in range(w.place.shape[0]):
        waiting = False
        for plate in range(w.plate_family.shape[0]):
            code = state[kinds + plate] - 1
            if code >= 0 and code % number == ON + 2 * m:
                waiting = True
        if not waiting and times[1 + m] < times[0]:
            times[1 + m] = times[0]


@compiled
def repeats(w: Walk, state: Ints, plate: int) -> bool:
    """Whether a plate of the same family earlier in the list is in the same state: its step would be the same."""
    kinds = w.kinds.need.shape[0]
    other = plate - 1  # like plates lie side by side in the order of their codes
    return other >= 0 and w.plate_family[other] == w.plate_family[plate] and bool(state[kinds + other] == state[kinds + plate])


@compiled
def waits(w: Walk, state: Ints, fill: int) -> bool:
    """Whether pieces of a fill are not there yet: too few left to load, or too few through the op before."""
    kinds, number = w.kinds.need.shape[0], stages(w.place)
    for k in range(kinds):
        pieces = w.fill_pieces[fill, k]
        if pieces == 0:
            continue
        if pieces > state[k]:
            return True
        before = w.kinds.before[k]
        if before < 0:
            continue
        through = w.kinds.supply[k] + w.kinds.need[before] - state[before] - (w.kinds.need[k] - state[k])
        for plate in range(w.plate_family.shape[0]):
            code = state[kinds + plate] - 1
            if code >= 0:
                through -= w.fill_pieces[code // number, before]
        if pieces > through:
            return True
    return False


@compiled
def set_plate(w: Walk, state: Ints, plate: int, code: int) -> None:
    """Give a plate its new code and keep like plates in order of their codes, so that they are told apart by nothing else."""
    kinds = w.kinds.need.shape[0]
    state[kinds + plate] = code
    at = plate
    while at > 0 and w.plate_family[at - 1] == w.plate_family[plate] and state[kinds + at - 1] > state[kinds + at]:
        state[kinds + at - 1], state[kinds + at] = state[kinds + at], state[kinds + at - 1]
        at -= 1
    while (
        at + 1 < w.plate_family.shape[0] and w.plate_family[at + 1] == w.plate_family[plate]
        and state[kinds + at + 1] < state[kinds + at]
    ):
        state[kinds + at + 1], state[kinds + at] = state[kinds + at], state[kinds + at + 1]
        at += 1


@compiled
def put(w: Walk, out: Labels, row: int, source: Labels, parent: int, room: Room, cost: float, limit: float) -> int:
    """Write the child in `room` to `row` of `out` unless it cannot lead below `limit`; the next free row."""
    settle(w, room.state, room.times)
    total = cost + to_come(
        w, room.state, room.times, room.counts, room.asks, room.work, room.table, room.free, room.finish, room.press, room.best,
        room.points, limit - cost)
    if total >= limit:
        return row
    for column in range(room.state.shape[0]):
        out.state[row, column] = room.state[column]
    for column in range(room.times.shape[0]):
        out.times[row, column] = room.times[column]
    for column in range(room.idle.shape[0]):
        out.idle[row, column] = room.idle[column]
    out.cost[row], out.total[row], out.parent[row] = cost, max(total, source.total[parent]), parent
    return row + 1


@compiled
def note(
    out: Labels, row: int, layer: int, kind: int, plate: int, fill: int, machine: int, at: int, end: int, cut_at: int, cut_end: int,
) -> None:
    """Write the step that leads to `row`; rows that were not kept are written over later."""
    out.layer[row] = layer
    out.step[row, KIND], out.step[row, PLATE], out.step[row, FILL], out.step[row, MACHINE] = kind, plate, fill, machine
    out.step[row, AT], out.step[row, END], out.step[row, CUT_AT], out.step[row, CUT_END] = at, end, cut_at, cut_end


@compiled
def start_room(source: Labels, parent: int, room: Room) -> None:
    """Copy a label into the room."""
    for column in range(room.state.shape[0]):
        room.state[column] = source.state[parent, column]
    for column in range(room.times.shape[0]):
        room.times[column] = source.times[parent, column]
    for column in range(room.idle.shape[0]):
        room.idle[column] = source.idle[parent, column]


@compiled
def longest_free(spans: SpanLists, t: int, until: int) -> int:
    """The longest stretch of working time between two instants."""
    row, last, longest = row_at(spans.closes, spans.span_from[0], spans.span_from[1], t), spans.span_from[1], 0
    while row < last and spans.begins[row] < until:
        longest = max(longest, min(until, spans.closes[row]) - max(t, spans.begins[row]))
        row += 1
    return longest


@compiled
def fits_idle(w: Walk, room: Room, plate: int, at: int) -> bool:
    """Whether the unload or the pull that a plate waits for can begin now and end by `at`."""
    number, t = stages(w.place), int(room.times[0])
    code = int(room.state[w.kinds.need.shape[0] + plate]) - 1
    stage, fill = code % number, code // number
    length, begin, opened = int(w.fill_unload[fill]), t, -1
    if stage > ON and (stage - ON) % 2 == 1:
        m = (stage - ON) // 2
        length, begin, opened = int(w.pull[m]), max(t, int(room.times[1 + m])), int(w.open[m])
    elif stage != OFF:
        return False
    begin = earliest(w.spans, 0, w.plate_open[plate], opened, begin, length)
    return length > 0 and begin + length <= at


@compiled
def idled(w: Walk, room: Room, at: int, own: int) -> bool:
    """Whether the operator, idle until a step begins at `at`, could have done what must be done anyway: the step is never better.

    An unload or a pull (of any plate but `own`) that fits the idle time can be done then, and all that follows is no later.
    So can the next load of a family with an empty plate, if it fits: it is noted in `idle` as too late from now on, among raw
    pieces until the family's next load, among pieces through another op until the next unload. Every such exchange ends a step
    sooner and none later, so it cannot go in circles with dominance, which needs not know of `idle`.
    """
    t = room.times[0]
    longest = longest_free(w.spans, t, at) if at > t else 0
    if longest == 0:
        return False
    for plate in range(w.plate_family.shape[0]):
        if room.state[w.kinds.need.shape[0] + plate] == 0:
            column = 2 * w.plate_family[plate]
            if w.plate_open[plate] < 0 and t >= w.released[0]:
                room.idle[column] = max(room.idle[column], longest)
                room.idle[column + 1] = max(room.idle[column + 1], longest)
        elif plate != own and fits_idle(w, room, plate, at):
            return True
    return False


@compiled
def load_steps(w: Walk, source: Labels, parent: int, plate: int, out: Labels, row: int, room: Room, limit: float) -> int:
    """Every load of an empty plate."""
    kinds, number, family = w.kinds.need.shape[0], stages(w.place), w.plate_family[plate]
    for fill in range(w.family_fills[family], w.family_fills[family + 1]):
        start_room(source, parent, room)
        column = 2 * family + w.fill_later[fill]
        if waits(w, room.state, fill) or 0 < w.fill_load[fill] <= room.idle[column]:
            continue
        at = earliest(w.spans, 0, w.plate_open[plate], -1, max(room.times[0], w.fill_from[fill]), w.fill_load[fill])
        if at == NEVER or idled(w, room, at, plate):
            continue
        room.idle[2 * family], room.idle[2 * family + 1] = 0, 0
        for k in range(kinds):
            room.state[k] -= w.fill_pieces[fill, k]
        set_plate(w, room.state, plate, 1 + fill * number + LOADED)
        room.times[0] = at + w.fill_load[fill]
        note(out, row, source.layer[parent] + w.fill_count[fill], LOAD, plate, fill, -1, at, room.times[0], -1, -1)
        row = put(w, out, row, source, parent, room, source.cost[parent], limit)
    return row


@compiled
def place_steps(w: Walk, source: Labels, parent: int, plate: int, fill: int, out: Labels, row: int, room: Room, limit: float) -> int:
    """Every place of a loaded plate; on a machine with one position the cut follows as soon as it may (nothing else can happen there)."""
    number = stages(w.place)
    for m in range(w.place.shape[0]):
        start_room(source, parent, room)
        cut = w.fill_cut[fill, m]
        if cut < 0 or on_machine(w, room.state, m) >= w.positions[m] or same_as_before(w, room.state, room.times, m):
            continue
        at = earliest(w.spans, 0, w.plate_open[plate], w.open[m], max(room.times[0], room.times[1 + m]), w.place[m])
        if at == NEVER or idled(w, room, at, plate):
            continue
        end, cut_at, cut_end, stage = at + w.place[m], -1, -1, ON + 2 * m
        room.times[0], room.times[1 + m] = end, end
        if w.positions[m] == 1:
            cut_at = earliest(w.spans, w.cutting[m], w.plate_open[plate], -1, end, cut)
            if cut_at == NEVER:
                continue
            cut_end, stage = cut_at + cut, stage + 1
            room.times[1 + m] = cut_end
        set_plate(w, room.state, plate, 1 + fill * number + stage)
        layer = source.layer[parent] + w.fill_count[fill] * (2 if cut_at >= 0 else 1)
        note(out, row, layer, PLACE, plate, fill, m, at, end, cut_at, cut_end)
        row = put(w, out, row, source, parent, room, source.cost[parent], limit)
    return row


@compiled
def machine_step(
    w: Walk, source: Labels, parent: int, plate: int, fill: int, stage: int, out: Labels, row: int, room: Room, limit: float,
) -> int:
    """The cut of a placed plate, or the pull of one that is cut."""
    number, m = stages(w.place), (stage - ON) // 2
    start_room(source, parent, room)
    if (stage - ON) % 2 == 0:
        kind, after, length = CUT, stage + 1, w.fill_cut[fill, m]
        at = earliest(w.spans, w.cutting[m], w.plate_open[plate], -1, room.times[1 + m], length)
    else:
        kind, after, length = PULL, OFF, w.pull[m]
        at = earliest(w.spans, 0, w.plate_open[plate], w.open[m], max(room.times[0], room.times[1 + m]), length)
    if at == NEVER or (kind == PULL and idled(w, room, at, plate)):
        return row
    room.times[1 + m] = at + length
    if kind == PULL:
        room.times[0] = at + length
    set_plate(w, room.state, plate, 1 + fill * number + after)
    note(out, row, source.layer[parent] + w.fill_count[fill], kind, plate, fill, m, at, at + length, -1, -1)
    return put(w, out, row, source, parent, room, source.cost[parent], limit)


@compiled
def unload_steps(w: Walk, source: Labels, parent: int, plate: int, fill: int, out: Labels, row: int, room: Room, limit: float) -> int:
    """The unload of a plate, once for every choice of orders that its pieces finish: none, or any that they suffice for."""
    mask = w.kinds.need.shape[0] + w.plate_family.shape[0]
    start_room(source, parent, room)
    at = earliest(w.spans, 0, w.plate_open[plate], -1, room.times[0], w.fill_unload[fill])
    if at == NEVER or idled(w, room, at, plate):
        return row
    end = at + w.fill_unload[fill]
    for family in range(w.family_fills.shape[0] - 1):
        room.idle[2 * family + 1] = 0
    set_plate(w, room.state, plate, 0)
    room.times[0] = end
    progress(w, room.state, room.counts)
    done, orders, can = room.state[mask], w.order_due.shape[0], 0
    for o in range(orders):
        if not (done >> o) & 1 and finishes(w, room, fill, 1 << o):
            can |= 1 << o
    chosen = can
    while True:
        if chosen == 0 or finishes(w, room, fill, chosen):
            cost = source.cost[parent]
            for o in range(orders):
                if (chosen >> o) & 1:
                    cost += w.finish[o] * end + w.late[o] * max(0, end - w.order_due[o])
            room.state[mask] = done | chosen
            note(out, row, source.layer[parent] + w.fill_count[fill], UNLOAD, plate, fill, -1, at, end, chosen, -1)
            row = put(w, out, row, source, parent, room, cost, limit)
            room.state[mask] = done
            progress(w, room.state, room.counts)
        if chosen == 0:
            return row
        chosen = (chosen - 1) & can


@compiled
def finishes(w: Walk, room: Room, fill: int, chosen: int) -> bool:
    """Whether the last pieces of all the `chosen` orders are unloaded, with one of this fill's kinds in each group."""
    kinds = w.kinds.need.shape[0]
    done = room.state[kinds + w.plate_family.shape[0]]
    for k in range(kinds):
        if not w.ends[k]:
            continue
        wanted, touched = 0, False
        for o in range(w.order_due.shape[0]):
            if ((done | chosen) >> o) & 1:
                wanted += w.kinds.order_need[o, k]
            if (chosen >> o) & 1 and w.order_group[o] == w.kind_group[k]:
                touched = True
        if touched and (wanted > room.counts[2, k] or w.fill_pieces[fill, k] == 0):
            return False
    return True


@entry
def expand(w: Walk, source: Labels, first: int, last: int, out: Labels, room: Room, limit: float) -> tuple[int, int]:
    """The children of labels first … last that may lead below `limit`; the next label to expand and the rows written.

    Stops early where `out` might not hold all children of the next label.
    """
    w, source, out, room = by_reference(w), by_reference(source), by_reference(out), by_reference(room)
    kinds, number, row = w.kinds.need.shape[0], stages(w.place), 0
    fills, plates = w.fill_count.shape[0], w.plate_family.shape[0]
    most = plates * max(fills, w.place.shape[0], 1 << w.order_due.shape[0]) + 1
    for parent in range(first, last):
        if row + most > out.cost.shape[0]:
            return parent, row
        for plate in range(plates):
            start_room(source, parent, room)
            if repeats(w, room.state, plate):
                continue
            code = source.state[parent, kinds + plate] - 1
            stage, fill = code % number, code // number
            if code < 0:
                row = load_steps(w, source, parent, plate, out, row, room, limit)
            elif stage == LOADED:
                row = place_steps(w, source, parent, plate, fill, out, row, room, limit)
            elif stage == OFF:
                row = unload_steps(w, source, parent, plate, fill, out, row, room, limit)
            else:
                row = machine_step(w, source, parent, plate, fill, stage, out, row, room, limit)
    return last, row
