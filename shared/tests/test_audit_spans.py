"""The audit's arithmetic on spans against the plainest model there is: sets of seconds, all small cases."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import pytest

from platerota_shared.audit.spans import common, latest_fit, latest_paused_fit, overlapped, seconds_in, within, without
from platerota_shared.calendars import Span

END = 7


def lists() -> Iterator[list[Span]]:
    """Every sorted list of at most two spans, apart from each other, of the first seconds."""
    yield []
    for count in (2, 4):
        for edges in itertools.combinations(range(END + 1), count):
            yield list(zip(edges[::2], edges[1::2], strict=True))


def seconds(spans: list[Span]) -> set[int]:
    return {second for start, end in spans for second in range(start, end)}


def inside(spans: list[Span], start: int, end: int) -> bool:
    """Whether a stretch lies inside one span, its ends on the edges allowed."""
    return any(first <= start and end <= last for first, last in spans)


LISTS = list(lists())


def test_what_two_lists_share_and_what_is_left_of_one_are_sets_of_seconds() -> None:
    for one, other in itertools.product(LISTS, LISTS):
        assert seconds(common(one, other)) == seconds(one) & seconds(other)
        assert seconds(without(one, other)) == seconds(one) - seconds(other)
        assert seconds_in(one) == len(seconds(one))
        assert all(start < end for start, end in (*common(one, other), *without(one, other)))  # whoever looks through them meets no moment


@pytest.mark.parametrize("length", range(4))
def test_a_stretch_lies_inside_or_overlaps_as_its_seconds_do(length: int) -> None:
    for spans, start in itertools.product(LISTS, range(END + 1)):
        end = start + length
        assert within(spans, start, end) == inside(spans, start, end), (spans, start, end)
        # One of no length overlaps only where it lies strictly inside.
        hit = [one for one in spans if (one[0] < end and start < one[1]) or (length == 0 and one[0] < start < one[1])]
        assert overlapped(spans, start, end) == (hit[0] if hit else None), (spans, start, end)


@pytest.mark.parametrize("length", range(1, 6))
def test_the_latest_fit_is_the_last_of_all_that_fit(length: int) -> None:
    for spans, limit in itertools.product(LISTS, range(-1, END + 2)):
        fits = [start for start in range(-1, END + 1) if start + length <= limit and inside(spans, start, start + length)]
        assert latest_fit(spans, length, limit) == max(fits, default=None), (spans, length, limit)
        # Work that pauses may begin where its seconds of open time, counted back from the limit, are used up.
        open_seconds = sorted(second for second in seconds(spans) if second < limit)
        paused = open_seconds[-length] if len(open_seconds) >= length else None
        assert latest_paused_fit(spans, length, limit) == paused, (spans, length, limit)
