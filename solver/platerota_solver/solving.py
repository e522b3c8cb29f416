"""From a checked request to a described plan: construct, search, prove, describe."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass, field

from platerota_shared.plan import Plan, Quality, SolverReport, Stage
from platerota_shared.tables import PlanRequest
from platerota_solver.clock import Clock
from platerota_solver.describe import describe
from platerota_solver.kernel.state import Choices, first_choices
from platerota_solver.listener import Listener
from platerota_solver.problem import Problem, build_problem
from platerota_solver.schedule import Schedule, runs_and_tasks, tidied
from platerota_solver.search import Annealing, Decoder, fitting, sequences, split_tokens
from platerota_solver.windows import Windows

WORKERS = 2
"""Threads of the search; the kernel releases the interpreter lock."""
SHOW_COST = 20
"""A plan is shown again when this many times what showing cost has passed."""
SEARCH_SHARE = float(__import__("os").environ.get("SS","0.7"))
"""Share of the budget for the search over choices; windows have the rest."""
TRIES = 20
"""Changes tried between two looks at the clock."""


def solve(request: PlanRequest, listener: Listener | None = None) -> Plan:
    """The best plan found for a checked request within its settings.

    Never fails for want of a plan: what cannot be finished within the horizon is left out with the reason.

    Parameters
    ----------
    request
        A request that `platerota_shared.read_request` accepted.
    listener
        Hears of stages and better plans, and may ask to stop.
    """
    solver = _Solver(request, listener or Listener())
    return solver.run()


def warm() -> None:
    """Load the compiled kernel, or compile it for this machine: about half a minute once, then kept on disk."""
    shop = {"timezone": "UTC"}
    load_kernel(Decoder(build_problem(PlanRequest.model_validate({"now": 0, "shop": shop}))))


def load_kernel(decoder: Decoder) -> None:
    """Touch every compiled function on an empty schedule."""
    problem = decoder.problem
    nothing = first_choices(problem, [])
    nothing.skip[:] = 1
    tidied(problem, decoder.state, nothing, decoder.schedule(nothing))


def due_date_plan(request: PlanRequest) -> Plan:
    """What a spreadsheet sorted by due date does: earliest due date first, each task at the earliest gap."""
    problem = build_problem(request)
    decoder = Decoder(problem)
    choices = fitting(decoder, first_choices(problem, sequences(problem)["due"]))
    return _described(problem, decoder.schedule(choices), 0.0, "feasible", SolverReport(seconds=0.0, seed=request.settings.seed))


def _described(problem: Problem, schedule: Schedule, bound: float, quality: Quality, report: SolverReport) -> Plan:
    runs, tasks = runs_and_tasks(problem, schedule)
    unplaced = {problem.request.orders[o].id: "does not fit the horizon" for o in schedule.unplaced}
    return describe(problem.request, runs, tasks, bound=bound, quality=quality, unplaced=unplaced, solver=report)


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
    stages: list[Stage] = field(default_factory=list[Stage])
    bound: float = 0.0

    def run(self) -> Plan:
        """Every stage in turn."""
        problem = build_problem(self.request)
        decoder = Decoder(problem)
        load_kernel(decoder)  # not the planner's time
        clock = Clock(self.request.settings, self.listener)
        start, schedule = self.construct(problem, decoder)
        self.tell("constructive", clock, schedule.points)
        self.listener.improved(_described(problem, schedule, self.bound, "feasible", self.report(clock)))
        if len(problem.items) and not clock.over():
            choices, schedule = self.search(problem, decoder, start, clock)
            self.tell("search", clock, schedule.points)
            schedule = self.windows(problem, decoder, choices, schedule, clock)
        return _described(problem, schedule, self.bound, "feasible", self.report(clock))

    def construct(self, problem: Problem, decoder: Decoder) -> tuple[Choices, Schedule]:
        """The best of a few plain sequences."""
        best: tuple[float, Choices] | None = None
        for sequence in sequences(problem).values():
            choices = fitting(decoder, split_tokens(problem, sequence))
            score = decoder.score(choices)
            if best is None or score < best[0]:
                best = (score, choices)
        if best is None:
            raise AssertionError("there is always a sequence")
        return best[1], decoder.schedule(best[1])

    def search(self, problem: Problem, decoder: Decoder, start: Choices, clock: Clock) -> tuple[Choices, Schedule]:
        """Threads of annealing that share what they find."""
        runs = max(1, int(decoder.state.counts[0]))
        workers = 1 if self.request.settings.repeatable else WORKERS
        walks = [
            Annealing(decoder if k == 0 else Decoder(problem), start, self.request.settings.seed * 1_000 + k) for k in range(workers)
        ]
        lock = threading.Lock()

        shown = Showing(clock, start, walks[0].best_points)

        def walk(own: Annealing) -> None:
            while not clock.over(SEARCH_SHARE):
                own.round(clock.share / SEARCH_SHARE, TRIES)
                clock.count(TRIES * runs)
                if own is walks[0]:
                    self.show(problem, shown, min(walks, key=lambda other: other.best_points), clock)
                with lock:
                    leader = min(walks, key=lambda other: other.best_points)
                    if leader is not own and clock.share > 0.5:
                        own.adopt(leader.best, leader.best_points)

        threads = [threading.Thread(target=walk, args=(own,), daemon=True) for own in walks[1:]]
        for thread in threads:
            thread.start()
        walk(walks[0])
        for thread in threads:
            thread.join()
        leader = min(walks, key=lambda own: own.best_points)
        best = decoder.schedule(leader.best)
        return leader.best, tidied(problem, decoder.state, leader.best, best)

    def windows(self, problem: Problem, decoder: Decoder, choices: Choices, schedule: Schedule, clock: Clock) -> Schedule:
        """CP-SAT on windows of the plan, each from a complete hint, for the rest of the budget."""
        windows = Windows(problem, decoder, choices, schedule, clock)
        better = tidied(problem, decoder.state, choices, windows.run(1.0))
        detail = f"{windows.solved} windows, {windows.proved} proved, {windows.better} better, {windows.discarded} discarded"
        self.tell("windows", clock, better.points, detail)
        return better if better.points <= schedule.points else schedule

    def show(self, problem: Problem, shown: Showing, leader: Annealing, clock: Clock) -> None:
        """Let the listener have the leader's plan now and then, not so often that it costs more than a little of the search."""
        if leader.best_points >= shown.points or clock.seconds < shown.next_at:
            return
        began = clock.seconds
        best = leader.best
        schedule = shown.decoder(problem).schedule(best)
        shown.points = schedule.points
        self.listener.improved(_described(problem, tidied(problem, shown.decoder(problem).state, best, schedule), self.bound, "feasible", self.report(clock)))
        shown.next_at = clock.seconds + max(1.0, SHOW_COST * (clock.seconds - began))

    def tell(self, name: str, clock: Clock, total: float, detail: str = "") -> None:
        """Note what a stage reached."""
        seconds = 0.0 if self.request.settings.repeatable else round(clock.seconds, 3)
        stage = Stage(name=name, seconds=seconds, total=total if math.isfinite(total) else None, bound=self.bound, detail=detail)
        self.stages.append(stage)
        self.listener.stage(stage)

    def report(self, clock: Clock) -> SolverReport:
        """How the plan was found; no wall times where the same bytes must come out."""
        seconds = 0.0 if self.request.settings.repeatable else round(clock.seconds, 3)
        return SolverReport(seconds=seconds, seed=self.request.settings.seed, stages=tuple(self.stages))
