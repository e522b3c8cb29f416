"""From a checked request to a described plan: construct, search, prove, describe."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass, field, replace
from importlib.metadata import version

from platerota_shared.plan import Decisions, Plan, Quality, SolverReport, Stage
from platerota_shared.starts import Start
from platerota_shared.tables import PlanRequest
from platerota_solver.bounds import lower_bound
from platerota_solver.clock import Clock
from platerota_solver.constructing import ONE_BY_ONE, both_ways, construct, insertions, one_by_one, sequences, vary
from platerota_solver.decisions import decisions_of
from platerota_solver.decoding import Decoder, fitting
from platerota_solver.describe import describe
from platerota_solver.describe.book import open_book
from platerota_solver.describe.results import finish_times
from platerota_solver.exact import by_single_runs, left_out, provable, prove
from platerota_solver.keeping import keep_plan
from platerota_solver.kernel.state import Choices, first_choices
from platerota_solver.listener import Listener
from platerota_solver.problem import Problem, build_problem
from platerota_solver.schedule import Schedule, people_clash, runs_and_tasks, schedule_points, tidied
from platerota_solver.search import Walks
from platerota_solver.settling import settle
from platerota_solver.why import late_reasons, unplaced_reasons
from platerota_solver.windows import Windows, movable_runs

WORKERS = 2
"""Threads of the search; the kernel releases the interpreter lock."""
SHOW_COST = 20
"""A plan is shown again when this many times what showing cost has passed."""
SEARCH_SHARE = 0.9
"""Share of the budget for the search over choices; windows have the rest."""
REPLAN_TRIES = (0.4, 0.68, 0.97)
"""Shares of the budget of a replan at which its searches end, each begun anew; what is left is for what was moved for nothing."""
START_SHARE = 0.6
"""Share of the search in which several starts run side by side before the best of them goes on."""
SHARE_FROM = 0.75
"""Share of the search after which the threads go on from the best plan of all."""
TRIES_PER_START = 200
MOST_STARTS = 24
INSERTION_SHARE = 0.1
"""Share of the budget for starts in which orders are put in one by one, as a guess beforehand says."""
FEWEST_STARTS = 3
"""Where there are such, the best of all starts go on: as many as were made so, and never fewer than these."""
BOUND_SHARE, TINY_BOUND_SHARE, BOUND_SECONDS = 0.15, 0.03, 10.0
"""The bound may take this share of the budget, less in a tiny week, and so many seconds at most."""
PROOF_FROM = 0.05
"""A small week is searched until this share of the budget, then proved."""
TINY_ORDERS, TINY_SHARE, SMALL_SHARE = 5, 0.9, 0.2
"""Tiny is a week of up to so many orders, or with every op one run: its proof may take the larger share of the budget left, else the
smaller one."""
NOT_YET_SAID = "no place found so far; the search goes on"
TRIES = 20
"""Changes tried between two looks at the clock."""


def solve(request: PlanRequest, listener: Listener | None = None, start: Start | None = None) -> Plan:
    """The best plan found for a checked request within its settings.

    Never fails for want of a plan: what cannot be finished within the horizon is left out with the reason.

    Parameters
    ----------
    request
        A request that `platerota_shared.read_request` accepted.
    listener
        Hears of stages and better plans, and may ask to stop.
    start
        The plan to start from, and what the solve is after besides the score.
    """
    solver = _Solver(request, listener or Listener(), start)
    return solver.run()


def warm() -> None:
    """Load the compiled code, or compile it for this machine: two or three minutes, once, then kept on disk.

    One piece on one plate goes through every stage, the proof of small weeks included.
    """
    solve(PlanRequest.model_validate({
        "now": 0,
        "shop": {
            "timezone": "UTC",
            "machines": [{"id": "M", "mount": "A", "travel_x": 9, "travel_y": 9}],
            "plates": [{"id": "P", "mount": "A", "size_x": 9, "size_y": 9, "mass": 1, "fixture": "F"}],
            "fixtures": [{"id": "F", "load_seconds": 60}],
            "nests": [{"fixture": "F", "part": "W", "op": 10, "count": 1}],
            "operations": [{"part": "W", "op": 10, "cut_seconds": 60}],
            "operators": [{"id": "O"}],
            "shifts": [{"operator": "O", "days": ["mon", "tue", "wed", "thu", "fri", "sat", "sun"], "start": "00:00", "end": "24:00"}],
        },
        "orders": [{"id": "A", "part": "W", "quantity": 2, "due": 86_400}],
        "settings": {"horizon_days": 2, "solve_seconds": 0.05, "repeatable": True},
    }))


def load_kernel(decoder: Decoder) -> None:
    """Touch every compiled function on an empty schedule."""
    problem = decoder.problem
    nothing = first_choices(problem, [])
    nothing.skip[:] = 1
    decoder.track(nothing)
    tidied(problem, decoder.state, nothing, decoder.schedule(nothing))


def due_date_plan(request: PlanRequest) -> Plan:
    """What a spreadsheet sorted by due date does: earliest due date first, each task at the earliest gap."""
    problem = build_problem(request)
    decoder = Decoder(problem)
    choices = fitting(decoder, first_choices(problem, sequences(problem)["due"]))
    return _described(problem, decoder.schedule(choices), 0.0, "feasible", _report(request, 0.0))


def _report(request: PlanRequest, seconds: float, *stages: Stage, decisions: Decisions | None = None) -> SolverReport:
    return SolverReport(
        seconds=seconds, seed=request.settings.seed, version=version("platerota"), stages=stages, decisions=decisions)


def _described(
    problem: Problem, schedule: Schedule, bound: float, quality: Quality, report: SolverReport, *, reasons: bool = True,
    base: Plan | None = None,
) -> Plan:
    """The plan of a schedule, with the reasons of what is late or unplaced where asked."""
    problem = replace(problem, wish=None)
    request = problem.request
    runs, tasks = runs_and_tasks(problem, schedule)
    left = [request.orders[o].id for o in schedule.unplaced]
    if not reasons:
        return describe(request, runs, tasks, bound=bound, quality=quality, unplaced=dict.fromkeys(left, NOT_YET_SAID), solver=report,
            base=base)
    finishes = finish_times(open_book(request, runs, tasks, left))
    late = [order.id for order in request.orders if finishes.get(order.id, 0) > order.due]
    return describe(
        request, runs, tasks, bound=bound, quality=quality, unplaced=unplaced_reasons(problem, runs, tasks, left), solver=report,
        why=late_reasons(request, runs, tasks, late, problem=problem), base=base)


def _contract_points(problem: Problem, schedule: Schedule) -> float:
    """The points of a schedule without what is wished besides the score."""
    return schedule.points if problem.wish is None else schedule_points(replace(problem, wish=None), schedule)


def _tiny(problem: Problem) -> bool:
    """Whether the proof of a week that the exact models know is worth most of the budget."""
    return by_single_runs(problem) or (len(problem.request.orders) <= TINY_ORDERS and not left_out(problem))


@dataclass
class Showing:
    """What the listener has seen last, and when it may see more; with a decoder of its own, made when first needed."""

    clock: Clock
    choices: Choices
    points: float
    next_at: float = 1.0
    _decoder: Decoder | None = None

    def decoder(self, problem: Problem) -> Decoder:
        """The decoder that only showing uses."""
        if self._decoder is None:
            self._decoder = Decoder(problem)
        return self._decoder


@dataclass
class _Solver:
    """One solve: the best schedule so far, the bound, and the stages that led there."""

    request: PlanRequest
    listener: Listener
    start: Start | None = None
    stages: list[Stage] = field(default_factory=list[Stage])
    bound: float = 0.0
    quality: Quality = "feasible"
    decided: Choices | None = None
    """The best choices found that keep no run of another plan."""
    most_starts: int = MOST_STARTS

    def run(self) -> Plan:
        """Every stage in turn."""
        problem = build_problem(self.request)
        if self.start is not None:
            problem = keep_plan(problem, self.start)
        decoder = Decoder(problem)
        load_kernel(decoder)  # not the planner's time
        clock = Clock(self.request.settings, self.listener)
        starts = construct(problem, decoder, clock) if self.start is None else vary(problem, decoder, clock, self.start.plan)
        self.decide(starts)
        schedule = self.tidy(problem, decoder, starts[0], decoder.schedule(starts[0]))
        if not (problem.arrays.i_need > 0).any() and not len(problem.arrays.floor_runs):
            self.bound, self.quality = schedule.points, "optimal"
        self.tell("constructive", clock, _contract_points(problem, schedule))
        if self.quality != "optimal" and not clock.over():
            self.listener.improved(self.described(problem, schedule, self.report(clock), reasons=False))
            schedule = self.improve(problem, decoder, starts, schedule, clock)
        return self.described(problem, schedule, self.report(clock, problem))

    def decide(self, found: list[Choices]) -> None:
        """Note the first choices, the best first, that keep no run of another plan."""
        self.decided = next((one for one in found if not (one.keep == 1).any()), self.decided)

    def described(self, problem: Problem, schedule: Schedule, report: SolverReport, *, reasons: bool = True) -> Plan:
        """The plan of a schedule as it stands in this solve; reasons only at its end."""
        base = self.start.plan if self.start is not None and self.start.counts_moves else None
        quality = self.quality if reasons else "feasible"
        return _described(problem, schedule, self.bound, quality, report, reasons=reasons, base=base)

    def improve(self, problem: Problem, decoder: Decoder, starts: list[Choices], schedule: Schedule, clock: Clock) -> Schedule:
        """Bound, search, proof of a small week, then search and windows for what is left of the budget."""
        asked = problem.wish is not None or problem.arrays.k_total[0] > 0  # points that neither proof nor windows know
        small = provable(problem) and not asked
        tiny = small and _tiny(problem)
        self.bound_below(problem, clock, TINY_BOUND_SHARE if tiny else BOUND_SHARE)
        if self.start is None:
            few = len(self.request.orders) <= TINY_ORDERS
            starts = both_ways(problem, starts if few else self.better(problem, decoder, starts, clock))
        if small:
            choices, schedule = self.search(problem, decoder, starts, clock, PROOF_FROM, schedule)
            self.decide([choices])
            schedule = self.prove(problem, schedule, clock, TINY_SHARE if tiny else SMALL_SHARE)
            if self.quality == "optimal" or clock.over():
                return schedule
        until = SEARCH_SHARE if not asked and len(movable_runs(problem, schedule)) > 1 else 1.0
        if problem.arrays.k_total[0] > 0:
            return self.replan(problem, decoder, starts, schedule, clock)
        choices, schedule = self.search(problem, decoder, starts, clock, until, schedule)
        self.decide([choices])
        return self.windows(problem, decoder, choices, schedule, clock) if until < 1.0 else schedule

    def better(self, problem: Problem, decoder: Decoder, starts: list[Choices], clock: Clock) -> list[Choices]:
        """The best of the starts and of those in which orders are put in one by one, as far as time allows: a few good ones, each searched
        for longer, beat many.
        """
        _, tries = self.affordable(decoder, starts[0], clock)
        number = min(len(ONE_BY_ONE), int(INSERTION_SHARE * tries / max(1, insertions(len(problem.request.orders)))))
        found = one_by_one(problem, decoder, clock, starts[0], number)
        if not found:
            return starts
        ranked = sorted([*found, *starts], key=decoder.score)[:max(FEWEST_STARTS, len(found))]
        self.most_starts = len(both_ways(problem, ranked))
        self.decide(ranked)
        return ranked

    def affordable(self, decoder: Decoder, choices: Choices, clock: Clock) -> tuple[int, float]:
        """The runs of a decode, and how many such decodes the whole budget allows."""
        began = clock.seconds
        decoder.score(choices)
        runs = max(1, int(decoder.state.counts[0]))  # of that very schedule: a decoder of its own has decoded none before
        return runs, clock.tries(runs, clock.seconds - began)

    def bound_below(self, problem: Problem, clock: Clock, share: float) -> None:
        """What no plan can be below, found in a share of the budget."""
        settings = self.request.settings
        seconds = min(BOUND_SECONDS, share * settings.solve_seconds)
        bound = lower_bound(problem, seconds, settings.repeatable)
        if settings.repeatable:
            clock.spend(share)
        self.bound = bound.points
        self.tell("bound", clock, math.inf, bound.by)

    def prove(self, problem: Problem, schedule: Schedule, clock: Clock, share: float) -> Schedule:
        """The optimum of a small week, where it can be had in a share of the budget left."""
        share *= max(0.0, 1.0 - clock.share)
        seconds = share * self.request.settings.solve_seconds
        proof = prove(
            problem, schedule, schedule.points, self.bound, seconds, self.request.settings.repeatable, self.listener.should_stop)
        if self.request.settings.repeatable:
            clock.spend(share)
        self.bound = max(self.bound, proof.bound)
        if proof.proved:
            self.quality = "optimal"
        best = proof.schedule or schedule
        self.tell("exact", clock, best.points, proof.detail)
        return best

    def search(
        self, problem: Problem, decoder: Decoder, starts: list[Choices], clock: Clock, until: float, known: Schedule, *, again: int = 0,
    ) -> tuple[Choices, Schedule]:
        """Threads of annealing until a share of the budget has passed; the best choices, and the better of their plan and `known`.

        Searched `again` from the same starts, they walk elsewhere.
        """
        workers = 1 if self.request.settings.repeatable else WORKERS
        runs, tries = self.affordable(decoder, starts[0], clock)
        share = until - clock.share if again else until
        number = max(1, min(self.most_starts, int(tries * share * START_SHARE / TRIES_PER_START)))
        walks = [
            Walks(decoder if k == 0 else Decoder(problem), starts, self.request.settings.seed * 1_000 + 100 * (k + WORKERS * again), number)
            for k in range(workers)
        ]
        shown = Showing(clock, starts[0], known.points)
        first = clock.share

        def walk(own: Walks) -> None:
            while not clock.over(until):
                progress = (clock.share - first) / max(1e-9, until - first)
                own.step(progress, START_SHARE, TRIES)
                clock.count(TRIES * runs)
                if own is walks[0]:
                    self.show(problem, shown, min(walks, key=lambda other: other.best_points), clock)
                if progress > SHARE_FROM and (leader := min(walks, key=lambda other: other.best_points)) is not own:
                    own.adopt(leader)

        threads = [threading.Thread(target=walk, args=(own,), daemon=True) for own in walks[1:]]
        for thread in threads:
            thread.start()
        walk(walks[0])
        for thread in threads:
            thread.join()
        best = min(walks, key=lambda own: own.best_points).best
        found = self.tidy(problem, decoder, best, decoder.schedule(best))
        schedule = found if found.points < known.points else known
        detail = f"{sum(own.tried for own in walks)} changes tried from {number * workers} starts"
        self.tell("search", clock, _contract_points(problem, schedule), detail)
        return best, schedule

    def replan(self, problem: Problem, decoder: Decoder, starts: list[Choices], schedule: Schedule, clock: Clock) -> Schedule:
        """A few searches, each from the plan that is kept: one that goes on where another ended is stuck there, as every run let go
        costs points before it gains any. What was moved for nothing goes back after each.
        """
        for again, until in enumerate(REPLAN_TRIES):
            choices, schedule = self.search(problem, decoder, starts, clock, until, schedule, again=again)
            kept = settle(decoder, choices, clock)
            settled = self.tidy(problem, decoder, kept, decoder.schedule(kept))
            schedule = settled if settled.points <= schedule.points else schedule
            self.tell("settle", clock, schedule.points)
        return schedule

    def tidy(self, problem: Problem, decoder: Decoder, choices: Choices, schedule: Schedule) -> Schedule:
        """The schedule as a planner would leave it; as it was, where tidying broke a rule or made it dearer."""
        better = tidied(problem, decoder.state, choices, schedule)
        plain = replace(schedule, points=schedule_points(problem, schedule))
        return plain if better.points > plain.points + 1e-6 or people_clash(problem, better) else better

    def windows(self, problem: Problem, decoder: Decoder, choices: Choices, schedule: Schedule, clock: Clock) -> Schedule:
        """CP-SAT on windows of the plan, each from a complete hint, for the rest of the budget."""
        windows = Windows(problem, decoder, choices, schedule, clock)
        better = self.tidy(problem, decoder, choices, windows.run(1.0))
        detail = f"{windows.solved} windows, {windows.proved} proved, {windows.better} better, {windows.discarded} discarded"
        self.tell("windows", clock, min(better.points, schedule.points), detail)
        return better if better.points <= schedule.points else schedule

    def show(self, problem: Problem, shown: Showing, leader: Walks, clock: Clock) -> None:
        """Let the listener have the leader's plan now and then, not so often that it costs more than a little of the search."""
        if leader.best_points >= shown.points or clock.seconds < shown.next_at or self.request.settings.repeatable:
            return
        began = clock.seconds
        best, decoder = leader.best, shown.decoder(problem)
        schedule = self.tidy(problem, decoder, best, decoder.schedule(best))
        shown.points = min(leader.best_points, schedule.points)
        self.tell("search", clock, _contract_points(problem, schedule), keep=False)
        self.listener.improved(self.described(problem, schedule, self.report(clock), reasons=False))
        shown.next_at = clock.seconds + max(1.0, SHOW_COST * (clock.seconds - began))

    def tell(self, name: str, clock: Clock, total: float, detail: str = "", *, keep: bool = True) -> None:
        """Note what a stage reached; `keep` puts it into the plan's report."""
        seconds = 0.0 if self.request.settings.repeatable else round(clock.seconds, 3)
        stage = Stage(name=name, seconds=seconds, total=total if math.isfinite(total) else None, bound=self.bound, detail=detail)
        if keep:
            self.stages.append(stage)
        self.listener.stage(stage)

    def report(self, clock: Clock, problem: Problem | None = None) -> SolverReport:
        """How the plan was found, at its end with what was decided; no wall times where the same bytes must come out."""
        seconds = 0.0 if self.request.settings.repeatable else round(clock.seconds, 3)
        decisions = None if problem is None or self.start is None else self.start.plan.solver.decisions  # where a replan kept its runs
        if problem is not None and self.decided is not None:
            decisions = decisions_of(problem, self.decided)
        return _report(self.request, seconds, *self.stages, decisions=decisions)
