"""What the references share: the runs of a plan as plain rows, a plan made from such rows and audited, what they cannot express.

A reference counts only as an audited plan: its own objective value is never a figure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from platerota_shared.audit import audit
from platerota_shared.plan import Kind, Plan, Run, RunPieces, SolverReport, Stage, Task
from platerota_shared.tables import PlanRequest
from platerota_solver import Listener, solve
from platerota_solver.describe import describe
from platerota_solver.exact import left_out
from platerota_solver.problem import Problem

TASKS: tuple[Kind, ...] = ("load", "place", "cut", "pull", "unload")
"""The five tasks of a run, in sequence (F2)."""
ROOM = 7 * 86_400
"""Seconds by which a reference may end later than the plan it begins from."""
LEFT_OUT = "the plan this reference began from leaves the order out"


class CannotExpress(ValueError):
    """A request uses rules that a reference does not know; `features` names them."""

    def __init__(self, reference: str, features: Sequence[str]) -> None:
        super().__init__(f"{reference} cannot express: {', '.join(features)}")
        self.features = tuple(features)


class NoFigure(RuntimeError):
    """The audit finds something in the plan of a reference."""


@dataclass(frozen=True)
class Trip:
    """One run, by rows of the problem's arrays; times are seconds from now.

    Attributes
    ----------
    carrier, machine
        Rows; the carrier is a plate with its fixture.
    pieces
        Item and number of pieces.
    at, end
        Start and end of load, place, cut, pull and unload.
    by
        Operators of the five tasks; -1 for the cut.
    """

    carrier: int
    machine: int
    pieces: tuple[tuple[int, int], ...]
    at: tuple[int, ...]
    end: tuple[int, ...]
    by: tuple[int, ...]


@dataclass(frozen=True)
class Answer:
    """What a reference found: an audited plan, how its search ended, and the wall seconds it took in all."""

    reference: str
    plan: Plan
    status: str
    seconds: float


class _FirstPlan(Listener):
    """Keeps the first plan that the solver shows, the constructive one, and stops it then."""

    def __init__(self) -> None:
        self.plan: Plan | None = None

    def improved(self, plan: Plan) -> None:
        """Keep the first."""
        self.plan = self.plan or plan

    def should_stop(self) -> bool:
        """Once there is one."""
        return self.plan is not None


def constructive_plan(request: PlanRequest) -> Plan:
    """The plan that our solver begins its search from."""
    settings = request.settings.model_copy(update={"solve_seconds": 0.1, "repeatable": False})
    first = _FirstPlan()
    plan = solve(request.model_copy(update={"settings": settings}), first)
    return first.plan or plan


def refuse(reference: str, problem: Problem, more: Sequence[str] = (), known: Sequence[str] = ()) -> None:
    """Raise CannotExpress for the rules that our exact models do not know either, but for those `known`, and for `more`."""
    features = [*(name for name in left_out(problem) if name not in known), *more]
    if features:
        raise CannotExpress(reference, features)


def trips_of(problem: Problem, plan: Plan) -> list[Trip]:
    """The runs of a plan that has all five tasks in each of them."""
    shop, now = problem.request.shop, problem.request.now
    carriers = {(plate.id, fixture.id): row for row, (plate, fixture) in enumerate(problem.carriers)}
    machines = {machine.id: row for row, machine in enumerate(shop.machines)}
    operators = {operator.id: row for row, operator in enumerate(shop.operators)}
    items = {(order.id, op): row for row, (order, op) in enumerate(problem.items)}
    tasks = {(task.run, task.kind): task for task in plan.tasks}
    trips: list[Trip] = []
    for run in plan.runs:
        own = [tasks[run.id, kind] for kind in TASKS]
        trips.append(Trip(
            carriers[run.plate, run.fixture], machines[str(run.machine)],
            tuple((items[pieces.order, pieces.op], pieces.pieces) for pieces in run.pieces),
            tuple(task.start - now for task in own), tuple(task.end - now for task in own),
            tuple(-1 if task.operator is None else operators[task.operator] for task in own)))
    return trips


def links(problem: Problem, trips: Sequence[Trip]) -> list[tuple[int, int]]:
    """Maker and user of pieces between two ops, by number of the trip, first unloaded to first loaded (F14)."""
    p = problem.arrays
    found: list[tuple[int, int]] = []
    for item in (item for item in range(len(p.i_next)) if p.i_next[item] >= 0):
        made = [[n, pieces] for n in _by_time(trips, 4) for held, pieces in trips[n].pieces if held == item]
        stock, after = int(p.i_ready[p.i_next[item]]), int(p.i_next[item])
        for user, wanted in ((n, pieces) for n in _by_time(trips, 0) for held, pieces in trips[n].pieces if held == after):
            taken = min(stock, wanted)
            stock, wanted = stock - taken, wanted - taken
            while wanted > 0:
                part = min(wanted, made[0][1])
                found.append((made[0][0], user))
                wanted -= part
                made[0][1] -= part
                if not made[0][1]:
                    made.pop(0)
    return found


def _by_time(trips: Sequence[Trip], task: int) -> list[int]:
    times = [trip.end if task == 4 else trip.at for trip in trips]
    return sorted(range(len(trips)), key=lambda n: times[n][task])


def answer(reference: str, problem: Problem, trips: Sequence[Trip], unplaced: Sequence[str], status: str, seconds: float) -> Answer:
    """The described and audited plan of `trips`.

    Parameters
    ----------
    unplaced
        Ids of the orders that the reference was not asked to place.

    Raises
    ------
    NoFigure
        Where the audit finds anything.
    """
    request = problem.request
    runs: list[Run] = []
    tasks: list[Task] = []
    for number, trip in enumerate(sorted(trips, key=lambda trip: (trip.at, trip.carrier)), start=1):
        run, own = _written(problem, f"R{number}", trip)
        runs.append(run)
        tasks.extend(own)
    report = SolverReport(seconds=seconds, seed=request.settings.seed, stages=(Stage(name=reference, seconds=seconds, detail=status),))
    plan = describe(
        request, runs, tasks, bound=0.0, quality="feasible", unplaced=dict.fromkeys(unplaced, LEFT_OUT), solver=report)
    findings = audit(request, plan)
    if findings:
        raise NoFigure(f"{reference}: {len(findings)} findings, such as {findings[0]}")
    return Answer(reference, plan, status, seconds)


def _written(problem: Problem, name: str, trip: Trip) -> tuple[Run, list[Task]]:
    """A run and its tasks in the contract's words."""
    shop, now = problem.request.shop, problem.request.now
    plate, fixture = problem.carriers[trip.carrier]
    machine = shop.machines[trip.machine].id
    pieces = tuple(
        RunPieces(order=order.id, part=order.part, op=op, pieces=number)
        for order, op, number in ((*problem.items[item], number) for item, number in trip.pieces))
    tasks = [
        Task(
            id=f"{name}.{kind}", kind=kind, run=name, plate=plate.id, start=now + at, end=now + end,
            machine=None if kind in ("load", "unload") else machine, operator=None if by < 0 else shop.operators[by].id)
        for kind, at, end, by in zip(TASKS, trip.at, trip.end, trip.by, strict=True)
    ]
    return Run(id=name, plate=plate.id, fixture=fixture.id, machine=machine, pieces=pieces), tasks
