"""Free time as sorted lists of spans in flat arrays: look for a slot, book it, give it back.

List `l` lies at rows ``off[l] … off[l] + count[l]`` of the arrays `start` and `end` (int64 seconds). All functions are
compiled by numba; without compilation (``.py_func``) they run as the plain Python they are, which the tests compare.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba

from platerota_solver.kernel.cache import choose_cache
from platerota_solver.problem import Ints

choose_cache()

NEVER = 2**60
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
def seek_all(start: Ints, end: Ints, off: Ints, count: Ints, l0: int, l1: int, l2: int, l3: int, t: int, length: int) -> int:
    """The earliest s ≥ t free in up to four lists at once (-1: no list), NEVER where there is none."""
    s = t
    while True:
        before = s
        if l0 >= 0:
            s = seek(start, end, off[l0], off[l0] + count[l0], s, length)
            if s == NEVER:
                return NEVER
        if l1 >= 0:
            s = seek(start, end, off[l1], off[l1] + count[l1], s, length)
            if s == NEVER:
                return NEVER
        if l2 >= 0:
            s = seek(start, end, off[l2], off[l2] + count[l2], s, length)
            if s == NEVER:
                return NEVER
        if l3 >= 0:
            s = seek(start, end, off[l3], off[l3] + count[l3], s, length)
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
def give_back(start: Ints, end: Ints, off: Ints, count: Ints, number: int, a: int, b: int) -> None:
    """Undo `book`: put ``[a, b)`` back, joined to the spans it touches."""
    low = off[number]
    high = low + count[number]
    row = row_at(end, low, high, a)
    joins_left = row > low and end[row - 1] == a
    joins_right = row < high and start[row] == b
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
