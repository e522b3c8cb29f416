"""Good multipliers for the finishing relaxation, by column generation (Dantzig & Wolfe 1960, Operations Research 8:101–111).

A linear programme mixes the ways to finish that are known of each family so that resources suffice; its dual values are
multipliers, and the relaxation with them gives for every family the way to finish that is missing most. The multipliers
tried lie between the programme's and the best ones so far (smoothing: Wentges 1997, International Transactions in
Operational Research 4:151–162), which saves most of the rounds.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from ortools.linear_solver.python.model_builder import LinearConstraint, LinearExpr, Model, Solver, SolveStatus, Variable

from platerota_solver.bounds.calendar import Floats
from platerota_solver.bounds.finishing import Choice, Finishing

HOUR = 3_600
ENOUGH = 1e-4
"""A gap between bound and programme, relative, at which the multipliers are good enough."""


def best_bound(finishing: Finishing, rounds: int, over: Callable[[], bool], smooth: float = 0.6) -> tuple[float, int]:
    """The best bound in so many rounds, and the rounds used; `over` ends them early."""
    centre = finishing.nothing()
    best, choices = finishing.bound(centre)
    master = _Master(finishing)
    master.add([finishing.choice(k, [len(finishing.ends)] * len(family.orders)) for k, family in enumerate(finishing.families)])
    master.add(choices)
    for number in range(1, rounds + 1):
        if over():
            return best, number - 1
        value, duals = master.solve()
        if value is None or value + finishing.settled - best <= ENOUGH * abs(best):
            return best, number
        tried = [smooth * c + (1 - smooth) * d for c, d in zip(centre, duals, strict=True)] if number > 1 else duals
        reached, choices = finishing.bound(tried)
        if reached > best:
            best, centre = reached, tried
        master.add(choices)
    return best, rounds


class _Master:
    """The programme over the ways to finish known so far. Work is in hours, so that its figures are of one size."""

    def __init__(self, finishing: Finishing) -> None:
        self.finishing = finishing
        self.model = Model()  # type: ignore[no-untyped-call]
        self.families = [self.model.add_linear_constraint(0.0, 1.0, 1.0) for _ in finishing.families]
        self.rows: list[dict[int, LinearConstraint]] = []
        self.points: list[tuple[Variable, float]] = []
        for resource, work in zip(finishing.resources, finishing.work, strict=True):
            most = sum(float(own.max()) for own in work.values())
            tight = np.flatnonzero(resource.capacity < most)
            self.rows.append({int(t): self.model.add_linear_constraint(0.0, ub=float(resource.capacity[t]) / HOUR) for t in tight})

    def add(self, choices: list[Choice]) -> None:
        """Let the programme use these ways to finish; work of less than a second is left out of it."""
        for choice in choices:
            share = self.model.new_num_var(0.0, math.inf)
            self.points.append((share, choice.points))
            self.families[choice.family].set_coefficient(share, 1.0)
            for own, work in zip(self.rows, choice.work, strict=True):
                for t, row in own.items():
                    if work[t] > 1.0:
                        row.set_coefficient(share, float(work[t]) / HOUR)

    def solve(self) -> tuple[float | None, list[Floats]]:
        """The programme's value and the multipliers of its resources; None where the solver fails."""
        shares, points = [share for share, _ in self.points], [own for _, own in self.points]
        self.model.minimize(LinearExpr.weighted_sum(shares, points))  # pyright: ignore[reportUnknownMemberType]
        solver = Solver("GLOP")
        weights = self.finishing.nothing()
        if solver.solve(self.model) != SolveStatus.OPTIMAL:
            return None, weights
        for weight, own in zip(weights, self.rows, strict=True):
            for t, row in own.items():
                weight[t] = max(0.0, -float(solver.dual_value(row))) / HOUR
        return float(solver.objective_value), weights
