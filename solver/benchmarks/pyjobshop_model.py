# pyright: basic, reportMissingTypeStubs=false
"""PyJobShop (MIT licence, version in constraints.txt) on what it can express of a week: an outside modeller's own CP-SAT model.

Expressed: who does each task, on which plate and mill, in which sequence and when; working time, closures and unattended
limits as breaks of resources; a plate and a mill held from task to task as tasks that may stay idle; positions and alike
plates as capacities; lateness, finish and makespan.

Not expressed, so taken from the plan it begins from: how many runs there are, which pieces lie in each (a task has no
quantity), and which run's pieces go on into which (first in, first out). Nothing ends later than `ROOM` after that plan.
Refused: what no reference knows (`benchmarks.trips.refuse`), waiting after an op (a job ends with its tasks) among it, and
closures of one plate, which stop work on the plate but not its waiting.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise
from math import lcm
from time import perf_counter
from typing import Any

import pyjobshop
from pyjobshop.Solution import ScheduledTask, Solution

from benchmarks.trips import ROOM, TASKS, Answer, Trip, answer, constructive_plan, links, refuse, trips_of
from platerota_shared.plan import Plan
from platerota_shared.tables import PlanRequest
from platerota_solver.problem import EXCHANGE, LOAD, UNLOAD, Problem, build_problem

WORKERS = 8
SKILLS = {"load": LOAD, "place": EXCHANGE, "pull": EXCHANGE, "unload": UNLOAD}


def solve_pyjobshop(request: PlanRequest, seconds: float, workers: int = WORKERS, plan: Plan | None = None) -> Answer:
    """The audited plan of PyJobShop: the plan it began from where its solver finds none in time (status `time-limit`).

    Parameters
    ----------
    seconds
        Wall time of its solver, seconds; building the model comes on top.
    plan
        The plan that gives the runs and the first solution; our constructive one where None.

    Raises
    ------
    CannotExpress
        Where the request uses rules that the model cannot say.
    NoFigure
        Where the audit finds something in it.
    """
    began = perf_counter()
    problem = build_problem(request)
    refuse("PyJobShop", problem, closed_plates(problem))
    start = plan or constructive_plan(request)
    week = Week(problem, trips_of(problem, start))
    data = week.model.data()
    result = week.model.solve(  # presolve as for the monolith: with probing, shifts as start domains lose the first solution
        time_limit=seconds, display=False, num_workers=workers, initial_solution=Solution(data, week.first),
        cp_model_probing_level=0, symmetry_level=0)
    unplaced = [order.id for order in start.orders if not order.placed]
    trips = week.read(result.best.tasks) if result.best.tasks else week.trips
    return answer("PyJobShop", problem, trips, unplaced, result.status.value.lower(), perf_counter() - began)


def closed_plates(problem: Problem) -> list[str]:
    """Whether a plate has closures of its own."""
    return ["closures of one plate"] if (problem.arrays.l_open >= 0).any() else []


class Week:
    """The model of `trips`, and `first`: that plan as its tasks."""

    def __init__(self, problem: Problem, trips: Sequence[Trip]) -> None:
        self.problem, self.p, self.trips = problem, problem.arrays, trips
        self.until = min(int(self.p.horizon[0]), max((trip.end[-1] for trip in trips), default=0) + ROOM)
        self.model = pyjobshop.Model()
        self.first: list[ScheduledTask] = []
        self.tasks: list[dict[str, int]] = []
        self.meaning: dict[int, tuple[int, int]] = {}  # of a mode: operator, or group of plates, and mill; -1 none
        self.modes_of: dict[int, list[int]] = defaultdict(list)
        self._resources()
        self._orders()
        for trip in trips:
            self._trip(trip)
        for maker, user in links(problem, trips):
            self.model.add_end_before_start(self._task(maker, "unload"), self._task(user, "load"))

    def _task(self, trip: int, kind: str) -> Any:
        return self.model.tasks[self.tasks[trip][kind]]

    def _breaks(self, number: int) -> list[tuple[int, int]]:
        """What lies between the spans of a calendar list until the model ends."""
        p, at, found = self.p, 0, list[tuple[int, int]]()
        spans = p.lists[p.list_from[number]:p.list_from[number + 1]].tolist()
        for begin, end in [*(span for span in spans if span[0] < self.until), [self.until] * 2]:
            if begin > at:
                found.append((at, begin))
            at = max(at, end)
        return found

    def _resources(self) -> None:
        """Operators, mills (their spindle, their place for plates, their cutting time), and plates that are alike."""
        p, model = self.p, self.model
        self.operators = [model.add_machine(self._breaks(int(number))) for number in p.l_operator]
        self.mills = [model.add_machine(self._breaks(int(number))) for number in p.l_spindle]
        self.cutting = [model.add_machine(self._breaks(int(number))) for number in p.l_cut]
        self.places = [model.add_renewable(int(places)) for places in p.m_places]
        alike: dict[tuple[int, ...], list[int]] = defaultdict(list)
        for carrier in range(len(p.c_plate)):
            alike[(int(p.c_fixture[carrier]), *p.fits[carrier].tolist(), *p.room[carrier].tolist())].append(carrier)
        self.groups = list(alike.values())
        self.plates = [model.add_renewable(len(group)) for group in self.groups]

    def _orders(self) -> None:
        """A job for each order in the plan, and the score in whole weights."""
        p, score = self.p, self.problem.request.settings.score
        weights = [Fraction(str(order.weight)) for order in self.problem.request.orders]
        rates = [Fraction(str(rate)) for rate in (score.late_hour, score.finish_hour, score.makespan_hour)]
        by_weight, by_rate = lcm(*(w.denominator for w in weights)), lcm(*(rate.denominator for rate in rates))
        late, finish, makespan = (int(rate * by_rate) for rate in rates)
        placed = sorted({int(p.i_order[item]) for trip in self.trips for item, _ in trip.pieces})
        self.jobs = {order: self.model.add_job(int(weights[order] * by_weight), due_date=int(p.o_due[order])) for order in placed}
        self.model.set_objective(
            weight_total_tardiness=late, weight_total_flow_time=finish, weight_makespan=makespan * by_weight)

    def _trip(self, trip: Trip) -> None:
        """Five tasks, and two that hold the plate and the place on the mill as long as they are needed (F2, F4, F6)."""
        model, p, own = self.model, self.p, dict[str, int]()
        released = [int(p.o_release[p.i_order[item]]) for item, _ in trip.pieces if p.i_ready[item] < 0]
        orders = list(dict.fromkeys(int(p.i_order[item]) for item, _ in trip.pieces))
        mills = [m for m in range(len(p.m_place)) if self._groups_on(trip, m)]
        lengths: dict[str, int] = {kind: trip.end[task] - trip.at[task] for task, kind in enumerate(TASKS) if kind in ("load", "unload")}
        for task, kind in enumerate(TASKS):
            job = self.jobs[orders[0]] if kind == "unload" else None
            earliest = max(released, default=0) if kind == "load" else 0
            own[kind] = self._add(kind, job=job, earliest_start=earliest)
            chosen = -1
            for length, resources, meaning in self._modes(trip, kind, lengths, mills):
                mode = self._mode(own[kind], length, resources, meaning)
                chosen = mode if meaning == (trip.by[task], -1 if kind in lengths else trip.machine) else chosen
            self._note(chosen, trip.at[task], trip.end[task])
        for before, after in pairwise(TASKS):
            model.add_end_before_start(model.tasks[own[before]], model.tasks[own[after]])
        self._stand(trip, own, mills)
        self._hold(trip, own, mills)
        for order in orders[1:]:
            own[f"done {order}"] = self._add("done", job=self.jobs[order])
            self._note(self._mode(own[f"done {order}"], 0, [], (-1, -1)), trip.end[4], trip.end[4])
            model.add_end_at_end(model.tasks[own["unload"]], model.tasks[own[f"done {order}"]])
        self.tasks.append(own)

    def _modes(self, trip: Trip, kind: str, lengths: dict[str, int], mills: list[int]) -> list[tuple[int, list[Any], tuple[int, int]]]:
        """Length, resources and meaning of each way to do a task."""
        if kind == "cut":
            return [(self._cut(trip, m), [self.mills[m], self.cutting[m]], (-1, m)) for m in mills]
        able = [u for u in range(self.p.can.shape[1]) if self.p.can[SKILLS[kind], u]]
        if kind in lengths:
            return [(lengths[kind], [self.operators[u]], (u, -1)) for u in able]
        seconds = self.p.m_place if kind == "place" else self.p.m_pull
        return [(int(seconds[m]), [self.operators[u], self.mills[m]], (u, m)) for m in mills for u in able]

    def _stand(self, trip: Trip, own: dict[str, int], mills: list[int]) -> None:
        """The plate on its mill from place to pull; the three tasks follow it to that mill."""
        model = self.model
        own["stand"] = self._add("stand", allow_idle=True)
        chosen, ways = -1, {kind: self.modes_of[own[kind]] for kind in ("place", "cut", "pull")}
        for m in mills:
            least = self._cut(trip, m) + int(self.p.m_place[m]) + int(self.p.m_pull[m])
            mode = self._mode(own["stand"], least, [self.places[m]], (-1, m))
            chosen = mode if m == trip.machine else chosen
            for modes in ways.values():
                model.add_mode_dependency(model.modes[mode], [model.modes[other] for other in modes if self.meaning[other][1] == m])
        self._note(chosen, trip.at[1], trip.end[3])
        model.add_start_at_start(model.tasks[own["place"]], model.tasks[own["stand"]])
        model.add_end_at_end(model.tasks[own["pull"]], model.tasks[own["stand"]])

    def _hold(self, trip: Trip, own: dict[str, int], mills: list[int]) -> None:
        """The plate in this run's hands from load to unload, of a sort that fits the mill and bears the pieces (F5)."""
        model = self.model
        own["hold"] = self._add("hold", allow_idle=True)
        chosen, stands = -1, self.modes_of[own["stand"]]
        for g in sorted({g for m in mills for g in self._groups_on(trip, m)}):
            mode = self._mode(own["hold"], trip.end[0] - trip.at[0] + trip.end[4] - trip.at[4], [self.plates[g]], (g, -1))
            chosen = mode if trip.carrier in self.groups[g] else chosen
            fit = [model.modes[other] for other in stands if g in self._groups_on(trip, self.meaning[other][1])]
            model.add_mode_dependency(model.modes[mode], fit)
        self._note(chosen, trip.at[0], trip.end[4])
        model.add_start_at_start(model.tasks[own["load"]], model.tasks[own["hold"]])
        model.add_end_at_end(model.tasks[own["unload"]], model.tasks[own["hold"]])

    def _groups_on(self, trip: Trip, machine: int) -> list[int]:
        """Groups of plates with this run's fixture that may carry its pieces on a mill."""
        p = self.p
        stock = sum(n * int(p.s_stock[p.i_step[item]]) for item, n in trip.pieces)
        return [
            g for g, (first, *_) in enumerate(self.groups)
            if p.c_fixture[first] == p.c_fixture[trip.carrier] and p.fits[first, machine] and p.room[first, machine] >= stock
        ]

    def _cut(self, trip: Trip, machine: int) -> int:
        """Seconds of the cut on a mill (F1)."""
        p = self.p
        work = int(p.f_cycle[p.c_fixture[trip.carrier]]) + sum(n * int(p.s_cut[p.i_step[item]]) for item, n in trip.pieces)
        return -(-work * int(p.m_factor[machine, 0]) // int(p.m_factor[machine, 1]))

    def _add(self, name: str, **options: Any) -> int:
        self.model.add_task(name=name, latest_end=self.until, **options)
        return len(self.model.tasks) - 1

    def _mode(self, task: int, length: int, resources: list[Any], meaning: tuple[int, int]) -> int:
        demands = [int(isinstance(resource, pyjobshop.Renewable)) for resource in resources]
        self.model.add_mode(self.model.tasks[task], resources, length, demands)
        number = len(self.model.modes) - 1
        self.meaning[number] = meaning
        self.modes_of[task].append(number)
        return number

    def _note(self, mode: int, at: int, end: int) -> None:
        """The next task as the first plan has it."""
        way = self.model.modes[mode]
        self.first.append(ScheduledTask(mode, way.resources, at, end, idle=end - at - way.duration))

    def read(self, found: Sequence[ScheduledTask]) -> list[Trip]:
        """The runs as PyJobShop places them, each on a plate of its own among those that are alike."""
        free_from = [0] * len(self.p.c_plate)
        trips: list[Trip] = []
        for own, trip in sorted(zip(self.tasks, self.trips, strict=True), key=lambda pair: found[pair[0]["load"]].start):
            placed = [found[own[kind]] for kind in TASKS]
            group = self.groups[self.meaning[found[own["hold"]].mode][0]]
            carrier = min(group, key=lambda c: free_from[c])
            free_from[carrier] = placed[4].end
            machine = self.meaning[found[own["stand"]].mode][1]
            by = tuple(self.meaning[task.mode][0] for task in placed)
            trips.append(Trip(carrier, machine, trip.pieces, tuple(t.start for t in placed), tuple(t.end for t in placed), by))
        return trips
