"""The score in whole numbers, for a solver that knows no others."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import lcm

from platerota_solver.problem import Problem

MOST = 10**6
"""Units in a point-hour at most; finer rates are rounded down, so that bounds stay bounds."""


@dataclass(frozen=True)
class Rates:
    """Whole units per second of lateness and finish (by order) and of makespan; `unit` of them are a point."""

    late: list[int]
    finish: list[int]
    makespan: int
    unit: float
    settled: float

    def points(self, units: float) -> float:
        """Points of so many units, and of the orders with nothing left to do."""
        return units / self.unit + self.settled


def whole_rates(problem: Problem) -> Rates:
    """The rates of a request over their common denominator."""
    score = problem.request.settings.score
    p = problem.arrays
    weights = [Fraction(str(order.weight)) for order in problem.request.orders]
    late, finish = Fraction(str(score.late_hour)), Fraction(str(score.finish_hour))
    rates = [late * w for w in weights] + [finish * w for w in weights] + [Fraction(str(score.makespan_hour))]
    unit = min(MOST, lcm(*(rate.denominator for rate in rates)))
    whole = [int(rate * unit) for rate in rates]
    size = len(weights)
    settled = sum(
        float(problem.late_rate[o]) * max(0, -int(p.o_due[o]))
        for o in range(size) if not p.i_need[p.o_items[o, 0]:p.o_items[o, 1]].any()
    )
    return Rates(whole[:size], whole[size:2 * size], whole[-1], 3600.0 * unit, settled)
