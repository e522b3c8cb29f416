"""Work that may pause over breaks and shift ends with the same operator (F12): bench work and builds."""

from __future__ import annotations

from platerota_solver.kernel.booking import take
from platerota_solver.kernel.spans import NEVER, compiled, give_back, row_at
from platerota_solver.kernel.state import State
from platerota_solver.problem import Arrays


@compiled
def pausing_end(p: Arrays, s: State, number: int, t: int, length: int) -> int:
    """The end of `length` seconds of work by list `number` begun at t, going on over pauses only; NEVER where it cannot."""
    first, last = p.list_from[number], p.list_from[number + 1]
    k = first
    while k < last and p.lists[k, 1] <= t:
        k += 1
    at, left = t, length
    while k < last:
        begin = max(at, p.lists[k, 0])
        stop = min(p.lists[k, 1], begin + left)
        low, high = s.off[number], s.off[number] + s.count[number]
        row = row_at(s.end, low, high, begin)
        if row == high or s.start[row] > begin or s.end[row] < stop:
            return NEVER
        left -= stop - begin
        if left == 0:
            return stop
        k += 1
        at = 0
    return NEVER


@compiled
def find_pausing(p: Arrays, s: State, skill: int, t: int, length: int, opened: int) -> tuple[int, int, int]:
    """Worker list, start and end of the earliest such work from t on; (-1, …) where nobody can.

    Only regular time is used: overtime is left out, as F12 allows.
    """
    best, best_at, best_end = -1, NEVER, NEVER
    for k in range(s.worker_count[skill]):
        number = s.workers[skill, k]
        if number > p.l_operator[-1]:
            continue
        low, high = s.off[number], s.off[number] + s.count[number]
        for row in range(row_at(s.end, low, high, t), high):
            at = max(t, s.start[row])
            if at >= best_end:
                break
            end = pausing_end(p, s, number, at, length)
            if end != NEVER and closed_between(p, s, number, at, end, opened):
                continue
            if end < best_end:
                best, best_at, best_end = number, at, end
            if end != NEVER:
                break
    return best, best_at, best_end


@compiled
def closed_between(p: Arrays, s: State, number: int, at: int, end: int, opened: int) -> bool:
    """Whether a plate (list of open time, -1 always) is closed while list `number` works between at and end (F17)."""
    if opened < 0:
        return False
    for k in range(p.list_from[number], p.list_from[number + 1]):
        a, b = max(at, p.lists[k, 0]), min(end, p.lists[k, 1])
        if a >= b:
            continue
        row = row_at(s.end, s.off[opened], s.off[opened] + s.count[opened], a)
        if row == s.off[opened] + s.count[opened] or s.start[row] > a or s.end[row] < b:
            return True
    return False


@compiled
def take_pausing(p: Arrays, s: State, number: int, at: int, end: int) -> None:
    """Book the working seconds of list `number` between at and end."""
    for k in range(p.list_from[number], p.list_from[number + 1]):
        a, b = max(at, p.lists[k, 0]), min(end, p.lists[k, 1])
        if a < b:
            take(s, number, a, b)


@compiled
def give_back_pausing(p: Arrays, s: State, number: int, at: int, end: int) -> None:
    """Undo `take_pausing`."""
    for k in range(p.list_from[number], p.list_from[number + 1]):
        a, b = max(at, p.lists[k, 0]), min(end, p.lists[k, 1])
        if a < b:
            give_back(s, number, a, b)
