"""Free time as sorted lists of spans in flat arrays of the state: look for a slot, book it, give it back.

List `l` lies at rows ``off[l] … off[l] + count[l]`` of `start` and `end` (int64 seconds) and may have ``room[l]`` spans. Every one of them
that starts before ``dead[l, k]`` is shorter than ``GRADES[k]``. All functions are compiled by numba; without compilation they run as the
plain Python they are, which the tests compare.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import numba
import numpy as np

from platerota_solver.kernel.cache import choose_cache
from platerota_solver.problem import Ints

if TYPE_CHECKING:  # it is made of these lists
    from platerota_solver.kernel.state import State

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
def seek(s: State, low: int, high: int, t: int, length: int) -> int:
    """The earliest instant from t on with so many seconds inside one span of rows low … high, NEVER where there is none."""
    for row in range(row_at(s.end, low, high, t), high):
        at = s.start[row] if s.start[row] > t else t
        if at + length <= s.end[row]:
            return at
    return NEVER


@compiled
def seek_long(s: State, number: int, t: int, length: int) -> int:
    """`seek` in a whole list past the spans known to be too short, which a busy week is full of.

    Booking only shortens spans, so what `dead` says stays true; `give_back` takes it back.
    """
    low = s.off[number]
    high = low + s.count[number]
    a, b = 0, GRADES.shape[0]
    while b - a > 1:
        middle = (a + b) >> 1
        if GRADES[middle] <= length:
            a = middle
        else:
            b = middle
    grade = a
    if t > s.dead[number, grade]:
        return seek(s, low, high, t, length)
    a, b = low, high
    while a < b:
        middle = (a + b) >> 1
        if s.start[middle] >= s.dead[number, grade]:
            b = middle
        else:
            a = middle + 1
    known = True
    while a < high:
        if known and s.end[a] - s.start[a] < GRADES[grade]:
            s.dead[number, grade] = s.start[a] + 1
        else:
            known = False
        if s.start[a] + length <= s.end[a]:
            return s.start[a]  # no sooner than t, which is no later than what is known to be short
        a += 1
    return NEVER


@compiled
def seek_list(s: State, number: int, t: int, length: int) -> int:
    """`seek` in a whole list."""
    if s.count[number] < FEW or length < GRADES[0]:
        return seek(s, s.off[number], s.off[number] + s.count[number], t, length)
    return seek_long(s, number, t, length)


@compiled
def seek_all(s: State, l0: int, l1: int, l2: int, l3: int, t: int, length: int, until: int, agreed: int) -> int:
    """The earliest instant from t on and before `until` that is free in list l0 and up to three more at once (-1: no list), NEVER
    where there is none.

    The other lists are known to be free at t where `agreed` says how many they are; else it is 0.
    """
    lists = 1 + (1 if l1 >= 0 else 0) + (1 if l2 >= 0 else 0) + (1 if l3 >= 0 else 0)
    at, k = t, 0
    while True:  # round the lists until none of them puts off what the others agreed to
        number = l0 if k == 0 else l1 if k == 1 else l2 if k == 2 else l3
        k = (k + 1) & 3
        if number < 0:
            continue
        later = seek_list(s, number, at, length)
        if later >= until:
            return NEVER
        agreed = agreed + 1 if later == at else 1
        at = later
        if agreed >= lists:
            return at


@compiled
def book(s: State, number: int, a: int, b: int) -> bool:
    """Take ``[a, b)`` out of a list that holds it; False where the list has no room for one more span.

    Work of 0 seconds splits its span at that instant, so that nothing else is laid over it.
    """
    low = s.off[number]
    high = low + s.count[number]
    row = row_at(s.end, low, high, a)
    if b <= a and (row == high or s.start[row] >= a):
        return True
    left, right = s.start[row] < a, b < s.end[row]
    if left and right:
        if s.count[number] + 1 > s.room[number]:
            return False
        for k in range(high, row, -1):
            s.start[k] = s.start[k - 1]
            s.end[k] = s.end[k - 1]
        s.end[row] = a
        s.start[row + 1] = b
        s.count[number] += 1
    elif left:
        s.end[row] = a
    elif right:
        s.start[row] = b
    else:
        for k in range(row, high - 1):
            s.start[k] = s.start[k + 1]
            s.end[k] = s.end[k + 1]
        s.count[number] -= 1
    return True


@compiled
def give_back(s: State, number: int, a: int, b: int) -> None:
    """Undo `book`: put ``[a, b)`` back, joined to the spans it touches."""
    low = s.off[number]
    high = low + s.count[number]
    row = row_at(s.end, low, high, a)
    joins_left = row > low and s.end[row - 1] == a
    joins_right = row < high and s.start[row] == b
    begin = s.start[row - 1] if joins_left else a
    for k in range(s.dead.shape[1]):
        s.dead[number, k] = min(s.dead[number, k], begin)
    if joins_left and joins_right:
        s.end[row - 1] = s.end[row]
        for k in range(row, high - 1):
            s.start[k] = s.start[k + 1]
            s.end[k] = s.end[k + 1]
        s.count[number] -= 1
    elif b <= a:
        return
    elif joins_left:
        s.end[row - 1] = b
    elif joins_right:
        s.start[row] = a
    else:
        for k in range(high, row, -1):
            s.start[k] = s.start[k - 1]
            s.end[k] = s.end[k - 1]
        s.start[row] = a
        s.end[row] = b
        s.count[number] += 1


@compiled
def seek_back(s: State, number: int, t: int, length: int) -> int:
    """The latest instant with so many seconds inside one span of a list and ended by t, -1 where there is none."""
    low = s.off[number]
    high = low + s.count[number]
    row = row_at(s.end, low, high, t)
    if row == high or s.start[row] >= t:
        row -= 1
    while row >= low:
        at = min(s.end[row], t) - length
        if at >= s.start[row]:
            return at
        row -= 1
    return -1


@compiled
def seek_back_all(s: State, l0: int, l1: int, l2: int, t: int, length: int) -> int:
    """The latest instant that is free in up to three lists at once (-1: no list) and ended by t, -1 where there is none."""
    at = t - length
    while True:
        before = at
        if l0 >= 0:
            at = seek_back(s, l0, at + length, length)
            if at < 0:
                return -1
        if l1 >= 0:
            at = seek_back(s, l1, at + length, length)
            if at < 0:
                return -1
        if l2 >= 0:
            at = seek_back(s, l2, at + length, length)
            if at < 0:
                return -1
        if at == before:
            return at
