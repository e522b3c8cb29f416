"""Marks along a decode: what the schedule holds before a turn, packed, so that other choices that begin alike need not begin anew.

Most changes of a search leave the first turns as they are. A mark is the used part of every array of the state, one after the other in
a row of its own; `first_change` says up to which turn two sets of choices lead to the same schedule.
"""

from __future__ import annotations

from platerota_solver.kernel.spans import compiled
from platerota_solver.kernel.state import ROWS, RUNS, Choices, State
from platerota_solver.problem import Arrays, Ints


@compiled
def pack(source: Ints, low: int, high: int, mark: Ints, at: int) -> int:
    """Append rows low … high of a flat array; where the next ones go."""
    for k in range(low, high):
        mark[at + k - low] = source[k]
    return at + high - low


@compiled
def pack_rows(source: Ints, rows: int, mark: Ints, at: int) -> int:
    """Append the first rows of a table; where the next ones go."""
    for k in range(rows):
        for column in range(source.shape[1]):
            mark[at] = source[k, column]
            at += 1
    return at


@compiled
def unpack(target: Ints, low: int, high: int, mark: Ints, at: int) -> int:
    """Undo `pack`."""
    for k in range(low, high):
        target[k] = mark[at + k - low]
    return at + high - low


@compiled
def unpack_rows(target: Ints, rows: int, mark: Ints, at: int) -> int:
    """Undo `pack_rows`."""
    for k in range(rows):
        for column in range(target.shape[1]):
            target[k, column] = mark[at]
            at += 1
    return at


@compiled
def size_now(s: State) -> int:
    """How many numbers a mark of the schedule takes."""
    lists, machines, items, orders = s.off.shape[0], s.visit.shape[0], s.left.shape[0], s.finish.shape[0]
    size = s.counts.shape[0] + lists + s.dead.shape[0] * s.dead.shape[1] + 3 * machines + s.lent.shape[0] + 5 * items + 3 * orders
    size += s.built.shape[0] * s.built.shape[1] + s.counts[RUNS] * s.runs.shape[1] + s.counts[ROWS] * s.pieces.shape[1]
    for number in range(lists):
        size += 2 * s.count[number]
    for machine in range(machines):
        size += 2 * s.table_count[machine] + 4 * s.sequence_count[machine]
    for item in range(items):
        size += 2 * (s.supply_count[item] - s.supply_off[item])
    return size


@compiled
def save(s: State, mark: Ints) -> int:
    """Pack the schedule into a mark; its size, -1 where it has no room."""
    if size_now(s) > mark.shape[0]:
        return -1
    at = pack(s.counts, 0, s.counts.shape[0], mark, 0)
    at = pack(s.count, 0, s.count.shape[0], mark, at)
    at = pack_rows(s.dead, s.dead.shape[0], mark, at)
    for number in range(s.off.shape[0]):
        at = pack(s.start, s.off[number], s.off[number] + s.count[number], mark, at)
        at = pack(s.end, s.off[number], s.off[number] + s.count[number], mark, at)
    for machine in range(s.visit.shape[0]):
        mark[at], mark[at + 1], mark[at + 2] = s.visit[machine], s.table_count[machine], s.sequence_count[machine]
        at = pack_rows(s.table[machine], s.table_count[machine], mark, at + 3)
        at = pack_rows(s.sequence[machine], s.sequence_count[machine], mark, at)
    at = pack(s.lent, 0, s.lent.shape[0], mark, at)
    for item in range(s.left.shape[0]):
        low = s.supply_off[item]
        mark[at], mark[at + 1] = s.supply_head[item] - low, s.supply_count[item] - low
        mark[at + 2], mark[at + 3], mark[at + 4] = s.left[item], s.cut_from[item], s.begun[item]
        at += 5
        for row in range(low, s.supply_count[item]):
            mark[at], mark[at + 1] = s.supply[row, 0], s.supply[row, 1]
            at += 2
    at = pack(s.finish, 0, s.finish.shape[0], mark, at)
    at = pack(s.machine_of, 0, s.machine_of.shape[0], mark, at)
    at = pack(s.placed, 0, s.placed.shape[0], mark, at)
    at = pack_rows(s.built, s.built.shape[0], mark, at)
    at = pack_rows(s.runs, s.counts[RUNS], mark, at)
    return pack_rows(s.pieces, s.counts[ROWS], mark, at)


@compiled
def restore(s: State, mark: Ints) -> None:
    """The schedule as it was when `save` packed it; who may do what depends on the choices alone and is not in it."""
    at = unpack(s.counts, 0, s.counts.shape[0], mark, 0)
    at = unpack(s.count, 0, s.count.shape[0], mark, at)
    at = unpack_rows(s.dead, s.dead.shape[0], mark, at)
    for number in range(s.off.shape[0]):
        at = unpack(s.start, s.off[number], s.off[number] + s.count[number], mark, at)
        at = unpack(s.end, s.off[number], s.off[number] + s.count[number], mark, at)
    for machine in range(s.visit.shape[0]):
        s.visit[machine], s.table_count[machine], s.sequence_count[machine] = mark[at], mark[at + 1], mark[at + 2]
        at = unpack_rows(s.table[machine], s.table_count[machine], mark, at + 3)
        at = unpack_rows(s.sequence[machine], s.sequence_count[machine], mark, at)
    at = unpack(s.lent, 0, s.lent.shape[0], mark, at)
    for item in range(s.left.shape[0]):
        low = s.supply_off[item]
        s.supply_head[item], s.supply_count[item] = low + mark[at], low + mark[at + 1]
        s.left[item], s.cut_from[item], s.begun[item] = mark[at + 2], mark[at + 3], mark[at + 4]
        at += 5
        for row in range(low, s.supply_count[item]):
            s.supply[row, 0], s.supply[row, 1] = mark[at], mark[at + 1]
            at += 2
    at = unpack(s.finish, 0, s.finish.shape[0], mark, at)
    at = unpack(s.machine_of, 0, s.machine_of.shape[0], mark, at)
    at = unpack(s.placed, 0, s.placed.shape[0], mark, at)
    at = unpack_rows(s.built, s.built.shape[0], mark, at)
    at = unpack_rows(s.runs, s.counts[RUNS], mark, at)
    unpack_rows(s.pieces, s.counts[ROWS], mark, at)
    s.loader[0] = -1


@compiled
def differ(one: Ints, other: Ints) -> bool:
    """Whether two arrays of one length do."""
    k = 0
    while k < one.shape[0] and one[k] == other[k]:
        k += 1
    return k < one.shape[0]


@compiled
def order_differs(c: Choices, other: Choices, order: int) -> bool:
    """Whether an order claims resources in another way."""
    if c.quota[order] != other.quota[order] or c.skip[order] != other.skip[order] or c.hurry[order] != other.hurry[order]:
        return True
    if c.wait[order] != other.wait[order] or c.share[order] != other.share[order]:
        return True
    if c.room[order] != other.room[order] or c.late[order] != other.late[order]:
        return True
    return differ(c.no_carrier[order], other.no_carrier[order]) or differ(c.no_machine[order], other.no_machine[order])


@compiled
def keeps(c: Choices) -> bool:
    """Whether a run of another plan is kept."""
    k = 0
    while k < c.keep.shape[0] and c.keep[k] == 0:
        k += 1
    return k < c.keep.shape[0]


@compiled
def first_change(p: Arrays, s: State, c: Choices, other: Choices, fellows: Ints) -> int:
    """The first turn whose outcome may differ between two sets of choices with the same turns in another sequence; -1 where what is
    booked before all turns may.

    `fellows[a, b]`: 1 where pieces of order b may fill nests that order a leaves empty: then a's turns look ahead at those of b
    (kernel.filling), and end where these differ or come in another sequence. What the floor holds, and what is kept of another plan,
    is booked before all turns by its orders' habits.
    """
    turns = c.tokens.shape[0]
    if c.before[0] or other.before[0] or other.tokens.shape[0] != turns or differ(c.keep, other.keep) or differ(c.build, other.build):
        return -1
    if differ(c.overtime, other.overtime):
        return -1
    first = turns
    for k in range(turns):
        if c.tokens[k] != other.tokens[k]:
            first = k
            break
    changed = False
    for order in range(c.quota.shape[0]):
        s.changed[order] = 1 if order_differs(c, other, order) else 0
        changed = changed or s.changed[order] == 1
    if changed and (p.floor_runs.shape[0] > 0 or keeps(c)):
        return -1
    for k in range(first):
        order = c.tokens[k]
        if s.changed[order] or (c.share[order] and looks_at_change(s, c, other, fellows[order], first)):
            return k
    return first


@compiled
def looks_at_change(s: State, c: Choices, other: Choices, fellow: Ints, first: int) -> bool:
    """Whether one of these orders claims resources in another way, or they have their turns from `first` on in another sequence."""
    for order in range(fellow.shape[0]):
        if fellow[order] and s.changed[order]:
            return True
    k = first
    for turn in range(first, c.tokens.shape[0]):
        if fellow[c.tokens[turn]] == 0:
            continue
        while fellow[other.tokens[k]] == 0:
            k += 1
        if other.tokens[k] != c.tokens[turn]:
            return True
        k += 1
    return False
