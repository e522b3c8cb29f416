"""Arithmetic on lists of spans, each in one sweep or one bisection.

Every list is sorted and disjoint, as :mod:`platerota_shared.calendars` gives them. A task of no length lies inside a
span when it touches it, and overlaps one only strictly inside.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from operator import itemgetter

from platerota_shared.calendars import Span


def last_begun(spans: Sequence[Span], instant: int) -> int:
    """The index of the last span that starts at or before `instant`; -1 where none does."""
    return bisect_right(spans, instant, key=itemgetter(0)) - 1


def within(spans: Sequence[Span], start: int, end: int) -> bool:
    """Whether ``[start, end]`` lies inside one span."""
    index = last_begun(spans, start)
    return index >= 0 and end <= spans[index][1]


def overlapped(spans: Sequence[Span], start: int, end: int) -> Span | None:
    """The first span that ``[start, end)`` overlaps."""
    index = last_begun(spans, start)
    if index >= 0 and spans[index][1] > start and (end > start or spans[index][0] < start):
        return spans[index]
    if index + 1 < len(spans) and spans[index + 1][0] < end:
        return spans[index + 1]
    return None


def common(spans: Sequence[Span], others: Sequence[Span]) -> list[Span]:
    """The time in both lists."""
    shared: list[Span] = []
    left = right = 0
    while left < len(spans) and right < len(others):
        start, end = max(spans[left][0], others[right][0]), min(spans[left][1], others[right][1])
        if start < end:
            shared.append((start, end))
        if spans[left][1] < others[right][1]:
            left += 1
        else:
            right += 1
    return shared


def without(spans: Sequence[Span], holes: Sequence[Span]) -> list[Span]:
    """The time of `spans` outside `holes`."""
    left: list[Span] = []
    first = 0
    for start, end in spans:
        while first < len(holes) and holes[first][1] <= start:
            first += 1
        index = first
        while index < len(holes) and holes[index][0] < end:
            if holes[index][0] > start:
                left.append((start, holes[index][0]))
            start = holes[index][1]
            index += 1
        if start < end:
            left.append((start, end))
    return left


def seconds_in(spans: Sequence[Span]) -> int:
    """The seconds of a list of spans."""
    return sum(end - start for start, end in spans)


def latest_fit(spans: Sequence[Span], length: int, limit: int) -> int | None:
    """The latest start of an unbroken stretch of `length` seconds inside one span that ends by `limit`."""
    for index in range(last_begun(spans, limit - length), -1, -1):
        start, end = spans[index]
        if min(end, limit) - length >= start:
            return min(end, limit) - length
    return None


def latest_paused_fit(spans: Sequence[Span], length: int, limit: int) -> int | None:
    """The latest start of `length` seconds of work that ends by `limit` and pauses between spans."""
    left = length
    for index in range(last_begun(spans, limit), -1, -1):
        start, end = spans[index][0], min(spans[index][1], limit)
        if end - start >= left:
            return end - left
        left -= end - start
    return None
