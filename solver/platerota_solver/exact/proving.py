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

NARROW, WIDE = (50, 500), 5_000
"""Labels kept of a layer: narrow walks are quick and find plans that let the exact one drop more; the wide one is for a week that
the exact one cannot prove in its time."""
AIM, NEAR_AIM, NEAR = 0.4, 0.65, 0.06
"""Where between the best bound and the best plan the next exact walk has its limit, and where it has it once they are nearer than that
share of the points: one that finds nothing is far shorter than one with the plan as its limit, and lifts the bound; one that finds a plan
has proved it."""
CLOSE = 0.02
"""Share of its points within which a bound is so close to a plan that the plan is the limit."""
EXACT_SHARE = 0.8
"""Share of the time after the narrow walks that exact ones may take before the wide one has the rest."""
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
    """Whether the model of single runs is the one to ask: it knows the week, and the walk would be long or does not know it."""
    p = problem.arrays
    if not single_runs(problem):
        return False
    return len(p.m_place) > 1 or int((p.i_need > 0).sum()) > FEW_RUNS or walk_shop(problem) is None


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
    labels: int = 0
    limit: float = field(init=False)
    until: float = 1.0

    def run(self) -> Proof:
        """Narrow walks for a plan, exact ones with rising limits for the proof, a wide one where the time is too short for it."""
        self.limit = self.points
        for width in NARROW:
            self.walk(width, self.limit)
            if self.done():
                return self.proof()
        self.until = self.spent() + EXACT_SHARE * (1.0 - self.spent())
        while not self.done():
            gap = self.limit - self.floor
            aim = AIM if gap > NEAR * self.limit else NEAR_AIM if gap > CLOSE * self.limit else 1.0
            if not self.walk(None, self.floor + aim * gap):
                break
        self.until = 1.0
        if not self.done():
            self.walk(WIDE, self.limit)
        return self.proof()

    def walk(self, width: int | None, limit: float) -> bool:
        """One walk below a limit: its plan and its bound; whether it came to its end."""
        settled = settled_points(self.problem, self.shop)
        walked = Walking(self.shop, limit - settled - TOLERANCE, width, MOST_LABELS, self.over).run()
        self.labels = max(self.labels, walked.labels)
        if walked.total + settled < self.limit:
            self.limit = walked.total + settled
            if not left_out(self.problem):
                self.adopt(walked.steps)
        self.floor = max(self.floor, min(walked.bound + settled, self.limit))
        return walked.exact

    def done(self) -> bool:
        """Whether nothing is left to prove, or no time to prove it in."""
        return self.floor >= self.limit - 2 * TOLERANCE or self.over(0)

    def proof(self) -> Proof:
        """What is proved by now."""
        relaxed = left_out(self.problem)
        detail = f"{self.labels} labels" + (f", without {', '.join(relaxed)}" if relaxed else "")
        return _proof(self.better, self.points, self.floor, self.incumbent, detail)

    def adopt(self, steps: Ints) -> None:
        """A better plan, where its rows score what the walk says."""
        schedule = read_schedule(self.problem, self.shop, steps)
        if schedule.points < self.points:
            self.better, self.points = schedule, schedule.points

    def over(self, labels: int) -> bool:
        """Whether time or labels are used up, or the caller wants to stop."""
        self.expanded += labels
        return self.should_stop() or self.spent() >= self.until

    def spent(self) -> float:
        """The share of the time, or of the labels that stand for it, that is used up."""
        if self.seconds <= 0:
            return 1.0
        if self.repeatable:
            return self.expanded / (self.seconds * LABELS_PER_SECOND)
        return (perf_counter() - self.began) / self.seconds


def settled_points(problem: Problem, shop: WalkShop) -> float:
    """Points of the orders with nothing left to load: they finish at `now`, or later where a run of theirs is under way."""
    late = problem.late_rate
    return sum(float(late[o]) * max(0, -int(due)) for o, due in enumerate(problem.arrays.o_due) if o not in shop.orders)
