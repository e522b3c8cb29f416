"""The last look at a replan: whatever it moved for nothing goes back to where it was.

A search lets runs go, several at a time, and finds them places anew; some of them it needs elsewhere, others only came along. Each
move costs points, but a random walk seldom asks for just that run, or those runs together, that might as well have stayed. So they
are asked one after the other: greedy local search to a plan in which no run alone, and none of the groups below, may go back.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from platerota_solver.clock import Clock
from platerota_solver.decoding import Decoder, copy_choices
from platerota_solver.kernel.state import CARRIER, CUT_AT, MACHINE, RUNS, Choices
from platerota_solver.problem import Ints

NEIGHBOURS = 4
"""Runs that follow each other at one mill, and are put back together, up to so many."""


def settle(decoder: Decoder, choices: Choices, clock: Clock) -> Choices:
    """The choices with those runs of the plan kept again that cost nothing there, within the budget.

    A group of runs is put back where that gives no more points than before: at a tie the plan of before is the one that people know.
    """
    now, points = choices, decoder.score(choices)
    runs, again = max(1, int(decoder.state.counts[RUNS])), True
    while again and not clock.over():
        again = False
        for group in _groups(decoder, now):
            rows = group[now.keep[group] == 0]
            if not len(rows) or clock.over():
                continue
            trial = copy_choices(now)
            trial.keep[rows] = 1
            clock.count(runs)
            score = decoder.score(trial)
            if score <= points + 1e-9:
                now, points, again = trial, score, True
    return now


def _groups(decoder: Decoder, choices: Choices) -> Iterator[Ints]:
    """Runs that were let go and may go back together: all, those of an order, of a plate, neighbours at a mill, each alone."""
    p = decoder.problem.arrays
    free = np.flatnonzero(choices.keep == 0)
    yield free
    for order in range(len(p.o_due)):
        yield free[decoder.holds[order, free]]
    for column in (CARRIER, MACHINE):
        for value in np.unique(p.k_runs[free, column]):
            own = free[p.k_runs[free, column] == value]
            own = own[np.argsort(p.k_runs[own, CUT_AT], kind="stable")]
            yield own
            for size in range(NEIGHBOURS, 1, -1):
                for at in range(len(own) - size + 1):
                    yield own[at:at + size]
    for row in free:
        yield free[free == row]
