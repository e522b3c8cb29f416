"""What the fixed runs leave: free time of every resource while the runs of a window are taken out."""

from __future__ import annotations

import numpy as np

from platerota_solver.kernel.state import Choices, State
from platerota_solver.kernel.tidy import rebook_strictly
from platerota_solver.problem import Ints, Problem
from platerota_solver.schedule import Schedule

Span = tuple[int, int]


def book_others(problem: Problem, state: State, choices: Choices, schedule: Schedule, free: Ints) -> None:
    """Book every run but those in `free` (row numbers) into `state`."""
    marked = np.append(free, -1)
    rebook_strictly(problem.arrays, state, choices, schedule.runs, schedule.pieces, schedule.built, marked)


def clashes(problem: Problem, state: State, choices: Choices, schedule: Schedule, free: Ints) -> int:
    """How many of the runs in `free` claim time that is taken: 0 in a valid plan."""
    return int(rebook_strictly(problem.arrays, state, choices, schedule.runs, schedule.pieces, schedule.built, free))


def taken(state: State, number: int, begin: int, end: int) -> list[Span]:
    """The complement of a free list within ``[begin, end)``: what a run of the window must keep off."""
    low = int(state.off[number])
    blocks: list[Span] = []
    at = begin
    for row in range(low, low + int(state.count[number])):
        first, last = int(state.start[row]), int(state.end[row])
        if last <= at:
            continue
        if first >= end:
            break
        if first > at:
            blocks.append((at, first))
        at = last
    if at < end:
        blocks.append((at, end))
    return blocks
