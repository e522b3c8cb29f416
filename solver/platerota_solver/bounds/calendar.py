"""Working time as a running total of seconds: how much of a resource's time lies before an instant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from platerota_shared.calendars import Span, merge, subtract
from platerota_solver.problem import EXCHANGE, LOAD, UNLOAD, Arrays

Floats = npt.NDArray[np.float64]


SLACK = 1e-6
"""Seconds by which sums of work may be off."""


@dataclass(frozen=True)
class Calendar:
    """A piecewise linear running total: `total` seconds have passed at the instants `at`."""

    at: Floats
    total: Floats

    def seconds(self, instants: Floats | float) -> Floats:
        """Seconds before each instant."""
        return np.asarray(np.interp(instants, self.at, self.total))

    def until(self, begin: Floats | float, seconds: Floats | float) -> Floats:
        """The earliest instants at which so many seconds after `begin` have passed; infinite past the horizon."""
        goal = np.asarray(self.seconds(begin) + seconds)
        k = np.clip(np.searchsorted(self.total, goal - SLACK, side="left"), 1, len(self.total) - 1)
        rise, run = self.total[k] - self.total[k - 1], self.at[k] - self.at[k - 1]
        found = self.at[k] - (self.total[k] - goal) * run / np.maximum(rise, SLACK)
        return np.where(goal > self.total[-1] + SLACK, np.inf, np.maximum(found, begin))


def calendar(spans: list[Span], horizon: int) -> Calendar:
    """The running total of sorted, disjoint spans."""
    at, total = [0.0], [0.0]
    for a, b in spans:
        at.extend((float(a), float(b)))
        total.extend((total[-1], total[-1] + b - a))
    at.append(float(horizon))
    total.append(total[-1])
    return Calendar(np.array(at), np.array(total))


def spans_of(p: Arrays, number: int) -> list[Span]:
    """The spans of one of the problem's lists, all of time for -1."""
    if number < 0:
        return [(0, int(p.horizon[0]))]
    return [(int(a), int(b)) for a, b in p.lists[p.list_from[number]:p.list_from[number + 1]]]


def has_overtime(p: Arrays) -> bool:
    """Whether anybody may work overtime."""
    return any(p.list_from[n + 1] > p.list_from[n] for n in p.l_overtime)


def hands(p: Arrays) -> list[Span]:
    """When anybody who loads, exchanges or unloads works; overtime counts as if it cost nothing."""
    spans: list[Span] = []
    for u in range(len(p.l_operator)):
        if p.can[[LOAD, EXCHANGE, UNLOAD], u].any():
            spans += spans_of(p, int(p.l_operator[u])) + spans_of(p, int(p.l_overtime[u]))
    return merge(sorted(spans))


def with_gaps(worked: list[Span], most: int, horizon: int, cuts: list[Span]) -> list[Span]:
    """`worked`, and of every gap in it the first `most` seconds in which cuts may run.

    Nobody exchanges or loads a plate in a gap, so no more can be cut there than the runs that stand ready: `most` is
    their longest. Taking it at the start of the gap only helps.
    """
    spans = list(worked)
    for gap in subtract([(0, horizon)], worked):
        left = most
        for a, b in subtract([gap], subtract([(0, horizon)], cuts)):
            if left > 0:
                spans.append((a, min(b, a + left)))
                left -= min(b - a, left)
    return merge(sorted(spans))
