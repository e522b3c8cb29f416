"""Free time as sorted lists of spans in flat arrays: look for a slot, book it, give it back.

List `l` lies at rows ``off[l] … off[l] + count[l]`` of the arrays `start` and `end` (int64 seconds). All functions are
compiled by numba; without compilation (``.py_func``) they run as the plain Python they are, which the tests compare.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba
import numpy as np

from platerota_solver.kernel.cache import choose_cache
from platerota_solver.problem import Ints

choose_cache()

NEVER = 2**60
GRADES: Ints = np.array([int(30 * 1.4**k) for k in range(16)], dtype=np.int64)
"""Lengths in seconds, 30 s to an hour and a half, for which a list remembers up to where it has no span so long."""
FEW = 160
"""Spans of a list that are looked through as quickly as they are skipped, measured."""
_Function = TypeVar("_Function", bound=Callable[..., Any])


def compiled(function: _Function) -> _Function:
    """Compile a function that only other compiled functions call: cached on disk, no Python entry (half the compile time).

    Without numba's reference counting (`_nrt`), which made a decode five times slower: nothing in the kernel allocates.
    """
    compiler: Any = numba.njit
    return compiler(cache=True, nogil=True, _nrt=False, no_cpython_wrapper=True, no_cfunc_wrapper=True)(function)


def entry(function: _Function) -> _Function:
    """Compile a function that Python calls: it releases the interpreter lock while it runs."""
    compiler: Any = numba.njit
    return compiler(cache=True, nogil=True, _nrt=False, no_cfunc_wrapper=True)(function)


@compiled
def seek(start: Ints, end: Ints, low: int, high: int, t: int, length: int) -> int:
    """The earliest s ≥ t with ``[s, s + length]`` inside one span of rows low … high, NEVER where there is none."""
    a, b = low, high
    while a < b:
        middle = (a + b) >> 1
        if end[middle] > t:
            b = middle
        else:
            a = middle + 1
    while a < high:
        s = start[a] if start[a] > t else t
        if s + length <= end[a]:
            return s
        a += 1
    return NEVER


@compiled
def seek_long(start: Ints, end: Ints, low: int, high: int, short: Ints, t: int, length: int) -> int:
    """`seek` past the spans known to be too short, which a busy week is full of.

    ``short[k]``: every span that starts before that instant is shorter than ``GRADES[k]`` seconds. Booking only shortens spans, so
    it stays true; `give_back` takes it back.
    """
    a, b = 0, GRADES.shape[0]
    while b - a > 1:
        middle = (a + b) >> 1
        if GRADES[middle] <= length:
            a = middle
        else:
            b = middle
    grade = a
    if t > short[grade]:
        return seek(start, end, low, high, t, length)
    a, b = low, high
    while a < b:
        middle = (a + b) >> 1
        if start[middle] >= short[grade]:
            b = middle
        else:
            a = middle + 1
    known = True
    while a < high:
        if known and end[a] - start[a] < GRADES[grade]:
            short[grade] = start[a] + 1
        else:
            known = False
        if start[a] + length <= end[a]:
            return start[a]  # no sooner than t, which is no later than what is known to be short
        a += 1
    return NEVER


@compiled
def seek_list(start: Ints, end: Ints, off: Ints, count: Ints, dead: Ints, number: int, t: int, length: int) -> int:
    """`seek` in a whole list, with its row of `dead` where the list is long."""
    low, spans = off[number], count[number]
    if spans < FEW or length < GRADES[0]:
        return seek(start, end, low, low + spans, t, length)
    return seek_long(start, end, low, low + spans, dead[number], t, length)


@compiled
def seek_all(start: Ints, end: Ints, off: Ints, count: Ints, dead: Ints, l0: int, l1: int, l2: int, l3: int, t: int, length: int) -> int:
    """The earliest s ≥ t free in up to four lists at once (-1: no list), NEVER where there is none."""
    s = t
    while True:
        before = s
        if l0 >= 0:
            s = seek_list(start, end, off, count, dead, l0, s, length)
            if s == NEVER:
                return NEVER
        if l1 >= 0:
            s = seek_list(start, end, off, count, dead, l1, s, length)
            if s == NEVER:
                return NEVER
        if l2 >= 0:
            s = seek_list(start, end, off, count, dead, l2, s, length)
            if s == NEVER:
                return NEVER
        if l3 >= 0:
            s = seek_list(start, end, off, count, dead, l3, s, length)
            if s == NEVER:
                return NEVER
        if s == before:
            return s


@compiled
def row_at(end: Ints, low: int, high: int, t: int) -> int:
    """The first row whose span ends after t."""
    while low < high:
        middle = (low + high) >> 1
        if end[middle] > t:
            high = middle
        else:
            low = middle + 1
    return low


@compiled
def book(start: Ints, end: Ints, off: Ints, count: Ints, room: Ints, number: int, a: int, b: int) -> bool:
    """Take ``[a, b)`` out of a list that holds it; False where the list has no room for one more span.

    Work of 0 seconds splits its span at that instant, so that nothing else is laid over it.
    """
    low = off[number]
    high = low + count[number]
    row = row_at(end, low, high, a)
    if b <= a and (row == high or start[row] >= a):
        return True
    left, right = start[row] < a, b < end[row]
    if left and right:
        if count[number] + 1 > room[number]:
            return False
        for k in range(high, row, -1):
            start[k] = start[k - 1]
            end[k] = end[k - 1]
        end[row] = a
        start[row + 1] = b
        count[number] += 1
    elif left:
        end[row] = a
    elif right:
        start[row] = b
    else:
        for k in range(row, high - 1):
            start[k] = start[k + 1]
            end[k] = end[k + 1]
        count[number] -= 1
    return True


@compiled
def give_back(start: Ints, end: Ints, off: Ints, count: Ints, dead: Ints, number: int, a: int, b: int) -> None:
    """Undo `book`: put ``[a, b)`` back, joined to the spans it touches."""
    low = off[number]
    high = low + count[number]
    row = row_at(end, low, high, a)
    joins_left = row > low and end[row - 1] == a
    joins_right = row < high and start[row] == b
    begin = start[row - 1] if joins_left else a
    for k in range(dead.shape[1]):
        dead[number, k] = min(dead[number, k], begin)
    if joins_left and joins_right:
        end[row - 1] = end[row]
        for k in range(row, high - 1):
            start[k] = start[k + 1]
            end[k] = end[k + 1]
        count[number] -= 1
    elif b <= a:
        return
    elif joins_left:
        end[row - 1] = b
    elif joins_right:
        start[row] = a
    else:
        for k in range(high, row, -1):
            start[k] = start[k - 1]
            end[k] = end[k - 1]
        start[row] = a
        end[row] = b
        count[number] += 1


@compiled
def seek_back(start: Ints, end: Ints, low: int, high: int, t: int, length: int) -> int:
    """The latest s with ``[s, s + length]`` inside one span and ended by t, -1 where there is none."""
    row = row_at(end, low, high, t)
    if row == high or start[row] >= t:
        row -= 1
    while row >= low:
        s = min(end[row], t) - length
        if s >= start[row]:
            return s
        row -= 1
    return -1


@compiled
def seek_back_all(start: Ints, end: Ints, off: Ints, count: Ints, l0: int, l1: int, l2: int, t: int, length: int) -> int:
    """The latest s free in up to three lists at once (-1: no list) and ended by t, -1 where there is none."""
    s = t - length
    while True:
        before = s
        if l0 >= 0:
            s = seek_back(start, end, off[l0], off[l0] + count[l0], s + length, length)
            if s < 0:
                return -1
        if l1 >= 0:
            s = seek_back(start, end, off[l1], off[l1] + count[l1], s + length, length)
            if s < 0:
                return -1
        if l2 >= 0:
            s = seek_back(start, end, off[l2], off[l2] + count[l2], s + length, length)
            if s < 0:
                return -1
        if s == before:
            return s
