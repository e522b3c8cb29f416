"""Prove a small week: the best plan there is, or how far from it the best one known can be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from time import perf_counter

from platerota_solver.exact.coverage import left_out
from platerota_solver.exact.single_runs import single_runs, solve_single_runs
from platerota_solver.exact.walk import Walking
from platerota_solver.exact.walk_reading import read_schedule
from platerota_solver.exact.walk_tables import WalkShop, walk_shop
from platerota_solver.problem import Ints, Problem
from platerota_solver.schedule import Schedule, schedule_points

WIDTHS = (50, 500, 5_000, 50_000, None)
"""Labels kept of a layer, one walk after the other: narrow walks are quick and find plans that let the exact one drop more."""
MOST_LABELS = 4_000_000
LABELS_PER_SECOND = 60_000
"""Labels that stand for a second where a solve must be repeatable: what one slow core expands."""
FEW_RUNS = 12
"""Runs up to which one mill is walked where both models know the week."""
TOLERANCE = 1e-7
"""Points by which a plan must be better to count."""


@dataclass(frozen=True)
class Proof:
    """What was proved.

    Attributes
    ----------
    schedule
        A plan better than the one given, None where none was found.
    points
        Points of that plan, of the one given where there is none better.
    bound
        No plan that places every order scores less.
    proved
        Whether `points` is that bound.
    detail
        How, in a few words for the solver's report.
    """

    schedule: Schedule | None
    points: float
    bound: float
    proved: bool
    detail: str


def provable(problem: Problem) -> bool:
    """Whether the exact models know how to walk this week."""
    return by_single_runs(problem) or walk_shop(problem) is not None


def prove(
    problem: Problem, incumbent: Schedule, incumbent_points: float, floor: float, seconds: float, repeatable: bool,
    should_stop: Callable[[], bool],
) -> Proof:
    """The optimum of a small week, or the best plan and bound that `seconds` allow.

    Parameters
    ----------
    incumbent, incumbent_points
        The best plan known and its score. Where it leaves orders out nothing is proved, but a plan with them may be found.
    floor
        The best bound known; what is returned is never below it.
    repeatable
        Counts labels instead of seconds: the same answer on every machine.
    """
    incumbent_points = min(incumbent_points, schedule_points(problem, incumbent))  # without what breaks ties
    if by_single_runs(problem):
        found = solve_single_runs(problem, incumbent, seconds, repeatable, should_stop)
        points = found.schedule.points if found.schedule is not None else incumbent_points
        return _proof(found.schedule, points, max(floor, found.bound), incumbent, "one run per op")
    shop = walk_shop(problem)
    if shop is None:
        return Proof(None, incumbent_points, floor, False, "not for the exact models")
    return _Prover(problem, shop, incumbent, incumbent_points, floor, seconds, repeatable, should_stop).run()


def by_single_runs(problem: Problem) -> bool:
    """Whether the model of single runs is the one to ask: it knows the week, and the walk would be long."""
    p = problem.arrays
    return (len(p.m_place) > 1 or int((p.i_need > 0).sum()) > FEW_RUNS) and single_runs(problem)


def _proof(better: Schedule | None, points: float, bound: float, incumbent: Schedule, detail: str) -> Proof:
    """A proof from what was found; where orders are left out of the only plan known there is none."""
    proved = bound >= points - 2 * TOLERANCE and not (incumbent.unplaced and better is None)
    return Proof(better, points, points if proved else min(bound, points), proved, detail)


@dataclass
class _Prover:
    """Walks of growing width, each with the best plan of those before it as its limit."""

    problem: Problem
    shop: WalkShop
    incumbent: Schedule
    points: float
    floor: float
    seconds: float
    repeatable: bool
    should_stop: Callable[[], bool]
    began: float = field(default_factory=perf_counter)
    expanded: int = 0
    better: Schedule | None = None

    def run(self) -> Proof:
        """Every width in turn until one was wide enough."""
        relaxed = left_out(self.problem)
        settled, labels, limit = settled_points(self.problem, self.shop), 0, self.points
        for width in WIDTHS:
            walked = Walking(self.shop, limit - settled - TOLERANCE, width, MOST_LABELS, self.over).run()
            labels = max(labels, walked.labels)
            total = walked.total + settled
            if total < limit:
                limit = total
                if not relaxed:
                    self.adopt(walked.steps)
            self.floor = max(self.floor, min(walked.bound + settled, limit))
            if walked.exact or self.floor >= limit - TOLERANCE or self.over(0):
                break
        detail = f"{labels} labels" + (f", without {', '.join(relaxed)}" if relaxed else "")
        return _proof(self.better, self.points, self.floor, self.incumbent, detail)

    def adopt(self, steps: Ints) -> None:
        """A better plan, where its rows score what the walk says."""
        schedule = read_schedule(self.problem, self.shop, steps)
        if schedule.points < self.points:
            self.better, self.points = schedule, schedule.points

    def over(self, labels: int) -> bool:
        """Whether time or labels are used up, or the caller wants to stop."""
        self.expanded += labels
        if self.should_stop():
            return True
        if self.repeatable:
            return self.expanded > self.seconds * LABELS_PER_SECOND
        return perf_counter() - self.began > self.seconds


def settled_points(problem: Problem, shop: WalkShop) -> float:
    """Points of the orders with nothing left to load: they finish at `now`, or later where a run of theirs is under way."""
    late = problem.late_rate
    return sum(float(late[o]) * max(0, -int(due)) for o, due in enumerate(problem.arrays.o_due) if o not in shop.orders)
