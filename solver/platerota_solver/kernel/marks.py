"""Marks along a decode: what the schedule holds before a turn, packed, so that other choices that begin alike need not begin anew.

Most changes of a search leave the first turns as they are. A mark is the used part of every array of the state, one after the other in
a row of its own; `first_change` says up to which turn two sets of choices lead to the same schedule.
"""

from __future__ import annotations

from platerota_solver.kernel.spans import compiled
from platerota_solver.kernel.state import ROWS, RUNS, Choices, State
from platerota_solver.problem import Arrays, Ints


@compiled
def carry(flat: Ints, low: int, high: int, mark: Ints, at: int, back: bool) -> int:
    """Put rows low … high of a flat array into a mark from `at` on, or `back`; where the next ones are."""
    for k in range(low, high):
        if back:
            flat[k] = mark[at]
        else:
            mark[at] = flat[k]
        at += 1
    return at


@compiled
def carry_rows(table: Ints, rows: int, mark: Ints, at: int, back: bool) -> int:
    """The same for the first rows of a table."""
    for k in range(rows):
        at = carry(table[k], 0, table.shape[1], mark, at, back)
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
    return carry_all(s, mark, False) if size_now(s) <= mark.shape[0] else -1


@compiled
def restore(s: State, mark: Ints) -> None:
    """The schedule as it was when `save` packed it; who may do what depends on the choices alone and is not in it."""
    carry_all(s, mark, True)
    s.loader[0] = -1


@compiled
def carry_all(s: State, mark: Ints, back: bool) -> int:
    """Every array that a decode changes, as far as it is used; how much is comes before it. How many numbers that are."""
    at = carry(s.counts, 0, s.counts.shape[0], mark, 0, back)
    at = carry(s.count, 0, s.count.shape[0], mark, at, back)
    at = carry_rows(s.dead, s.dead.shape[0], mark, at, back)
    for number in range(s.off.shape[0]):
        at = carry(s.start, s.off[number], s.off[number] + s.count[number], mark, at, back)
        at = carry(s.end, s.off[number], s.off[number] + s.count[number], mark, at, back)
    at = carry(s.visit, 0, s.visit.shape[0], mark, at, back)
    at = carry(s.lent, 0, s.lent.shape[0], mark, at, back)
    at = carry(s.table_count, 0, s.table_count.shape[0], mark, at, back)
    at = carry(s.sequence_count, 0, s.sequence_count.shape[0], mark, at, back)
    for machine in range(s.visit.shape[0]):
        at = carry_rows(s.table[machine], s.table_count[machine], mark, at, back)
        at = carry_rows(s.sequence[machine], s.sequence_count[machine], mark, at, back)
    for item in range(s.left.shape[0]):
        low = s.supply_off[item]  # another one once the arrays have grown: rows are counted from it
        s.supply_head[item] -= low
        s.supply_count[item] -= low
        at = carry(s.supply_head, item, item + 1, mark, at, back)
        at = carry(s.supply_count, item, item + 1, mark, at, back)
        s.supply_head[item] += low
        s.supply_count[item] += low
        for row in range(low, s.supply_count[item]):
            at = carry(s.supply[row], 0, s.supply.shape[1], mark, at, back)
    at = carry(s.left, 0, s.left.shape[0], mark, at, back)
    at = carry(s.cut_from, 0, s.cut_from.shape[0], mark, at, back)
    at = carry(s.begun, 0, s.begun.shape[0], mark, at, back)
    at = carry(s.finish, 0, s.finish.shape[0], mark, at, back)
    at = carry(s.machine_of, 0, s.machine_of.shape[0], mark, at, back)
    at = carry(s.placed, 0, s.placed.shape[0], mark, at, back)
    at = carry_rows(s.built, s.built.shape[0], mark, at, back)
    at = carry_rows(s.runs, s.counts[RUNS], mark, at, back)
    return int(carry_rows(s.pieces, s.counts[ROWS], mark, at, back))


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
    turns, k = c.tokens.shape[0], first
    for turn in range(first, turns):
        if fellow[c.tokens[turn]] == 0:
            continue
        while k < turns and fellow[other.tokens[k]] == 0:
            k += 1
        if k == turns or other.tokens[k] != c.tokens[turn]:
            return True
        k += 1
    return False
