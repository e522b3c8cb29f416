"""The compiled kernel does what its Python says: the same weeks decoded with and without compilation give the same rows.

Run as a program it prints those weeks, decoded; the test runs it once without compilation.
"""

from __future__ import annotations

import itertools
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any, NamedTuple

import numba
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmarks.generator import FEATURES, FULL, make_request
from platerota_shared import read_request
from platerota_solver.constructing import sequences, split_tokens
from platerota_solver.decoding import Decoder, fitting
from platerota_solver.kernel.spans import GRADES, NEVER, book, give_back, seek, seek_all, seek_back, seek_list
from platerota_solver.kernel.state import LATE_HABITS
from platerota_solver.problem import build_problem
from platerota_solver.schedule import tidied
from platerota_solver.search import Annealing

SOLVER = Path(__file__).parents[1]
WEEKS: list[tuple[str, int, tuple[str, ...]]] = [
    *(("tiny", seed, FULL) for seed in range(1, 7)),
    *(("tiny", seed, FEATURES[seed::2]) for seed in range(7, 13)),
    ("small", 1, FULL),
    ("small", 2, ("routed", "setups", "automatic", "stays")),
]
SPAN = 40
"""Seconds of the little calendars below."""


def decoded() -> list[Any]:
    """Every week after a short walk: what was left out, all runs, pieces and builds, tidied, and the points."""
    found: list[Any] = []
    for family, seed, features in WEEKS:
        problem = build_problem(read_request(make_request(family, seed, features)))
        decoder = Decoder(problem)
        for late, sequence in enumerate(sequences(problem).values()):
            plain = split_tokens(problem, sequence)
            plain.late[:] = late % LATE_HABITS
            walk = Annealing(decoder, fitting(decoder, plain), seed)
            walk.round(0.1, 3)
            best = decoder.schedule(walk.best)
            schedule = tidied(problem, decoder.state, walk.best, best)
            rows = (schedule.runs, schedule.pieces, schedule.built)
            found.append([list(schedule.unplaced), *(row.tolist() for row in rows), best.points, schedule.points])
    return found


def test_compiled_and_plain_kernel_give_the_same_rows() -> None:
    environment = {**os.environ, "NUMBA_DISABLE_JIT": "1", "PYTHONPATH": str(SOLVER)}
    plain = subprocess.run([sys.executable, __file__], env=environment, capture_output=True, text=True, check=True)
    weeks = json.loads(plain.stdout)
    assert all(len(week[1]) for week in weeks)
    assert weeks == json.loads(json.dumps(decoded()))


class FreeTime(NamedTuple):
    """Lists of free spans as the kernel's state has them (`kernel.spans`)."""

    start: Any
    end: Any
    off: Any
    count: Any  # type: ignore[assignment]  # a tuple's own count() is never wanted here
    room: Any
    dead: Any

    @staticmethod
    def whole(lists: int, room: int, end: int) -> FreeTime:
        """Lists with one span each, from 0 to `end`, and room for so many."""
        starts, ends = np.zeros(lists * room, dtype=np.int64), np.zeros(lists * room, dtype=np.int64)
        ends[::room] = end
        off = np.arange(lists, dtype=np.int64) * room
        dead = np.zeros((lists, len(GRADES)), dtype=np.int64)
        return FreeTime(starts, ends, off, np.ones(lists, dtype=np.int64), np.full(lists, room, dtype=np.int64), dead)


@numba.njit
def _booked(s: Any, number: int, steps: Any) -> bool:  # pragma: no cover - compiled
    """Book (1) and give back (0) spans of a list in turn."""
    for k in range(steps.shape[0]):
        if steps[k, 0] == 1:
            if not book(s, number, steps[k, 1], steps[k, 2]):
                return False
        else:
            give_back(s, number, steps[k, 1], steps[k, 2])
    return True


@numba.njit
def _sought(s: Any, t: int, length: int) -> tuple[int, int]:  # pragma: no cover - compiled
    return seek(s, 0, s.count[0], t, length), seek_back(s, 0, t, length)


@numba.njit
def _sought_in_all(s: Any, lists: Any, t: int, length: int, until: int, agreed: int) -> int:  # pragma: no cover - compiled
    return seek_all(s, lists[0], lists[1], lists[2], lists[3], t, length, until, agreed)


@numba.njit
def _asked_both_ways(s: Any, steps: Any) -> Any:  # pragma: no cover - compiled
    """Book what is free, give back what was booked, and ask after each step: how often the quick search differs, and how many spans."""
    differ, most = 0, 0
    for k in range(steps.shape[0]):
        a, length, t, asked = steps[k, 0], steps[k, 1], steps[k, 2], steps[k, 3]
        at = seek(s, 0, s.count[0], a, length)
        if at != NEVER:
            book(s, 0, at, at + length)
            if steps[k, 4] == 0:
                give_back(s, 0, at, at + length)
        if seek(s, 0, s.count[0], t, asked) != seek_list(s, 0, t, asked):
            differ += 1
        most = max(most, s.count[0])
    return differ, most


def test_spans_known_to_be_short_are_skipped_and_nothing_else() -> None:
    """A day that fills up: the search that remembers finds what the plain one finds, also after work was given back."""
    rng = np.random.default_rng(1)
    day, steps = 400_000, 3_000
    table = np.stack([
        rng.integers(0, day, steps), rng.integers(1, 500, steps), rng.integers(0, day, steps) * rng.integers(0, 2, steps),
        rng.integers(1, 6_000, steps), rng.integers(0, 4, steps),
    ], axis=1)
    free = FreeTime.whole(1, steps, day)
    differ, most = _asked_both_ways(free, table)
    assert differ == 0
    assert most > 500
    assert free.dead.max() > day // 10


class Calendar:
    """Free seconds, kept by the kernel and, beside it, as a plain set."""

    def __init__(self) -> None:
        self.kept = FreeTime.whole(1, SPAN, SPAN)
        self.free = set(range(SPAN))

    def change(self, a: int, b: int, *, take: bool) -> None:
        """Book or give back ``[a, b)``."""
        assert _booked(self.kept, 0, np.array([[int(take), a, b]], dtype=np.int64))
        self.free = self.free - set(range(a, b)) if take else self.free | set(range(a, b))

    def spans(self) -> list[tuple[int, int]]:
        """What the kernel holds."""
        return [(int(self.kept.start[k]), int(self.kept.end[k])) for k in range(int(self.kept.count[0]))]

    def fits(self, s: int, length: int) -> bool:
        """Whether ``[s, s + length]`` lies in one free span."""
        return any(a <= s and s + length <= b for a, b in self.spans())


seconds = st.integers(0, SPAN)


def test_work_of_no_length_keeps_its_instant() -> None:
    """Booked at 5, it splits the span: nothing longer can be laid over it, and given back it leaves no trace."""
    calendar = Calendar()
    before = calendar.spans()
    calendar.change(5, 5, take=True)
    assert not calendar.fits(4, 2)
    assert calendar.fits(5, 2)
    calendar.change(5, 5, take=False)
    assert calendar.spans() == before


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.lists(st.tuples(seconds, seconds, st.booleans()), max_size=25), seconds, st.integers(1, 12))
def test_free_time_is_found_booked_and_given_back(changes: list[tuple[int, int, bool]], t: int, length: int) -> None:
    calendar = Calendar()
    for one, other, take in changes:
        a, b = min(one, other), max(one, other) + (one == other)
        if b > SPAN:
            continue
        wanted = set(range(a, b))
        if (take and wanted <= calendar.free and calendar.fits(a, b - a)) or (not take and not wanted & calendar.free):
            calendar.change(a, b, take=take)
    spans = calendar.spans()
    assert {second for a, b in spans for second in range(a, b)} == calendar.free
    assert all(sooner[1] < later[0] for sooner, later in itertools.pairwise(spans)), "touching spans are joined"
    later, sooner = _sought(calendar.kept, t, length)
    starts = [s for s in range(SPAN) if set(range(s, s + length)) <= calendar.free]
    assert later == min((s for s in starts if s >= t), default=NEVER)
    assert sooner == max((s for s in starts if s + length <= t), default=-1)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(
    st.lists(st.lists(st.tuples(seconds, seconds), max_size=8), min_size=4, max_size=4), st.permutations((0, 1, 2, 3)),
    st.sets(st.integers(1, 3)), seconds, st.integers(1, 12), st.one_of(st.just(NEVER), seconds),
)
def test_time_free_in_several_lists_is_found_at_its_earliest(
    taken: list[list[tuple[int, int]]], numbers: list[int], missing: set[int], t: int, length: int, until: int,
) -> None:
    """Some of four lists, in any sequence, with or without an instant that is too late; also where all but the first agree at once."""
    kept = FreeTime.whole(4, SPAN, SPAN)
    free = [set(range(SPAN)) for _ in range(4)]
    for number, spans in enumerate(taken):
        for one, other in spans:
            own = set(range(min(one, other), max(one, other)))
            if own and own <= free[number]:
                assert _booked(kept, number, np.array([[1, min(own), max(own) + 1]], dtype=np.int64))
                free[number] -= own
    lists = np.array([-1 if k in missing else number for k, number in enumerate(numbers)], dtype=np.int64)
    asked = [free[number] for number in lists if number >= 0]
    starts = [s for s in range(t, SPAN) if s < until and all(set(range(s, s + length)) <= own for own in asked)]
    assert _sought_in_all(kept, lists, t, length, until, 0) == min(starts, default=NEVER)
    if all(set(range(t, t + length)) <= own for own in asked[1:]):
        assert _sought_in_all(kept, lists, t, length, until, len(asked) - 1) == min(starts, default=NEVER)


if __name__ == "__main__":
    sys.stdout.write(json.dumps(decoded()))
