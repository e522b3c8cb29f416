"""The best of the bounds."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain
from time import perf_counter

import numpy as np

from platerota_solver.bounds.finishing import Finishing
from platerota_solver.bounds.multipliers import best_bound
from platerota_solver.bounds.profiles import Shop, bounding_shop
from platerota_solver.bounds.whole import whole_bound
from platerota_solver.problem import Problem

ROUNDS = 60
"""Rounds of column generation; most weeks need half."""
FEW_ORDERS = 12
"""Orders up to which each is also asked to finish once; with more, a grid that CP-SAT can take in loses more than that gains."""
WHOLE_SECONDS, WHOLE_SHARE, WHOLE_LEAST = 3.0, 0.1, 0.1
"""Wall time for that at most; where the bound must be repeatable the share of the budget, in CP-SAT's units; less is not begun."""


@dataclass(frozen=True)
class Bound:
    """Points that no valid plan is below, and the name of the bound that says so."""

    points: float
    by: str


def lower_bound(problem: Problem, budget_seconds: float, repeatable: bool) -> Bound:
    """The best of four bounds, each valid for every plan: any runs, fills, plates, mills, people, overtime, builds, orders left out.

    `orders`: each order alone in the empty shop. `plates`: orders that share plates, family by family. `mills and people`:
    the families together, with what mills and people can do by any instant. `whole orders`: the same with each order finishing
    once, for few orders. What a plan may pay for overtime, setups and moved tasks counts 0.

    Parameters
    ----------
    budget_seconds
        Wall time; the last two bounds are left as far as they came.
    repeatable
        Counts rounds instead of time: the same bound every time.
    """
    began = perf_counter()
    shop = bounding_shop(problem)
    orders = sum(1 for own in shop.profiles if own)
    if not orders:
        return Bound(Finishing(problem, shop, 1, 1).settled, "orders")
    finishing = Finishing(problem, shop, instants=max(40, min(160, 6_000 // orders)), buckets=max(100, min(500, 15_000 // orders)))
    rounds = ROUNDS if not repeatable else max(1, min(ROUNDS, int(budget_seconds * 20)))
    found = {
        "orders": finishing.settled + sum(float(points.min()) for points in finishing.points.values()),
        "plates": finishing.bound(finishing.nothing())[0],
        "mills and people": best_bound(finishing, rounds, lambda: not repeatable and perf_counter() - began > budget_seconds)[0],
    }
    left = WHOLE_SHARE * budget_seconds if repeatable else budget_seconds - (perf_counter() - began)
    if orders <= FEW_ORDERS and left > WHOLE_LEAST:
        found["whole orders"] = whole_bound(Finishing(problem, shop, instants=120, buckets=150), min(WHOLE_SECONDS, left), repeatable)
    by = max(found, key=lambda name: found[name])
    return Bound(_with_makespan(problem, shop, finishing, found[by]), by)


def _with_makespan(problem: Problem, shop: Shop, finishing: Finishing, points: float) -> float:
    """The bound with the points of the makespan, which the finishes of all placed orders ask for beside their own.

    Where an order is left out the makespan may be anything, but the plan pays for that order: the lesser of the two.
    """
    rate = problem.request.settings.score.makespan_hour / 3600
    if rate == 0:
        return points
    least_out = min(finishing.left_out[o] for o in finishing.orders)
    together = makespan(problem, shop, finishing)
    return min(points + rate * together, max(points, least_out)) if np.isfinite(together) else max(points, least_out)


def makespan(problem: Problem, shop: Shop, finishing: Finishing) -> float:
    """When all orders can be through: no sooner than any of them alone, any family, all hand work, and all work of a pool of mills."""
    ends = [float(np.max(shop.earliest)), *(float(family.ready[-1]) for family in finishing.families)]
    stages = list(chain.from_iterable(shop.profiles))
    ends.append(float(shop.people.until(0.0, sum(own.stage.hand for own in stages))))
    for resource in finishing.resources:
        if resource.kind == "mill":
            ends.append(finishing.mills_until(resource, sum(own.stage.mill for _, own in resource.users)))
    return max(ends)
