"""The relaxation of `finishing` with each order finishing once, at one instant, and not a mixture of finishes.

Multipliers prove what a linear programme over mixtures can: half an order this evening and half tomorrow. Where one order more
or less by the evening decides the score, that is where most of it goes. Here an order takes exactly one bucket, and CP-SAT looks
for the least points such that

    Σ_orders work done by an instant ≤ capacity by then, for every resource and instant
    not all orders of a set lie before `PlateFamily.ready` of that set, for every set of a family

Why no plan is below: the finishes of any plan choose one bucket for each of its orders (the last bucket for one left out); they
pay at least the bucket's points; `Profile.done` at the bucket's end is no more than the plan has done by any instant, which fits
the capacity; and a set cannot be through before it is ready. So the plan's choice is among those that the least is taken over.
Work and points are rounded down and capacities up, to whole numbers. Stopped early, CP-SAT still says what no choice is below.
"""

from __future__ import annotations

import math

import numpy as np
from ortools.sat.python import cp_model
from ortools.sat.python.cp_model import IntVar, LinearExpr

from platerota_solver.bounds.calendar import SLACK, Floats
from platerota_solver.bounds.finishing import Finishing

UNIT = 20.0
"""Seconds of work that count as one."""
FINEST, LARGEST = 1_000.0, 1e13
"""Parts of a point that are told apart, unless the sum of all points would be above the second figure."""


def whole_bound(finishing: Finishing, seconds: float, repeatable: bool) -> float:
    """Points that no valid plan is below; 0 where nothing was found in time.

    Parameters
    ----------
    seconds
        Wall time; in CP-SAT's deterministic units where the bound must be repeatable.
    """
    model = cp_model.CpModel()
    finishes = {o: {int(b): model.new_bool_var("") for b in np.flatnonzero(np.isfinite(points))} for o, points in finishing.points.items()}
    for own in finishes.values():
        model.add_exactly_one(own.values())
    _share_resources(model, finishing, finishes)
    _share_plates(model, finishing, finishes)
    most = sum(float(points[np.isfinite(points)].max()) for points in finishing.points.values())
    scale = min(FINEST, LARGEST / max(1.0, most))
    chosen = [(share, math.floor(finishing.points[o][b] * scale)) for o, own in finishes.items() for b, share in own.items()]
    model.minimize(_sum(chosen))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.linearization_level = 2
    if repeatable:
        solver.parameters.max_deterministic_time = seconds
    else:
        solver.parameters.max_time_in_seconds = seconds
    known = solver.solve(model) in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    return finishing.settled + max(0.0, solver.best_objective_bound) / scale if known else 0.0


def _share_resources(model: cp_model.CpModel, finishing: Finishing, finishes: dict[int, dict[int, IntVar]]) -> None:
    """By every instant at which it could matter, no more work is done than mills or people can have done."""
    for resource, work in zip(finishing.resources, finishing.work, strict=True):
        units: dict[int, Floats] = {o: np.floor(needed / UNIT) for o, needed in work.items()}
        capacity = np.ceil(resource.capacity / UNIT)
        for t in np.flatnonzero(capacity < sum(float(needed.max()) for needed in units.values())):
            asked = [(share, int(units[o][b, t])) for o in units for b, share in finishes[o].items() if units[o][b, t] > 0]
            model.add(_sum(asked) <= int(capacity[t]))


def _share_plates(model: cp_model.CpModel, finishing: Finishing, finishes: dict[int, dict[int, IntVar]]) -> None:
    """Of every set of orders that share plates one at least is not through before the set can be."""
    for family in finishing.families:
        for chosen in range(1, len(family.ready)):
            members = [k for k in range(len(family.orders)) if chosen >> k & 1]
            if max(float(family.ready[chosen ^ (1 << k)]) for k in members) >= family.ready[chosen]:
                continue  # a smaller set says as much
            first = int(np.searchsorted(finishing.ends, float(family.ready[chosen]) - SLACK))
            early = [(share, 1) for k in members for b, share in finishes[family.orders[k]].items() if b < first]
            model.add(_sum(early) <= len(members) - 1)


def _sum(terms: list[tuple[IntVar, int]]) -> LinearExpr:
    shares, amounts = [share for share, _ in terms], [amount for _, amount in terms]
    return LinearExpr.weighted_sum(shares, amounts)  # pyright: ignore[reportUnknownMemberType]
