"""The request and the plan side by side, indexed once for every rule.

A book is only opened on a plan whose ids and references are sound (:mod:`platerota_shared.audit.structure`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

from platerota_shared.audit.hours import Hours, hours
from platerota_shared.audit.spans import without
from platerota_shared.audit.trip import FloorRun, Piece, Trip, floor_runs, spans_of
from platerota_shared.calendars import Span, attended_spans, machine_closures, plate_closures
from platerota_shared.instants import local_text
from platerota_shared.plan import Plan, Task
from platerota_shared.tables import Machine, Operation, PlanRequest

Holder = TypeVar("Holder")


@dataclass(frozen=True, slots=True)
class Use:
    """A stretch in which a plate belongs to a run or a build (UTC seconds); `trip` is None for a build or a run left out."""

    start: int
    end: int
    tasks: tuple[Task, ...]
    trip: Trip | None = None


class Book:
    """A request and a plan for it, and the plan that it replans if it does. All instants are UTC seconds."""

    def __init__(self, request: PlanRequest, plan: Plan, base: Plan | None = None) -> None:
        shop = request.shop
        self.request, self.plan, self.shop, self.base = request, plan, shop, base
        self.now, self.horizon_end = request.now, request.horizon_end
        self.machines = {machine.id: machine for machine in shop.machines}
        self.plates = {plate.id: plate for plate in shop.plates}
        self.fixtures = {fixture.id: fixture for fixture in shop.fixtures}
        self.operators = {operator.id: operator for operator in shop.operators}
        self.orders = {order.id: order for order in request.orders}
        self.operations = {(row.part, row.op): row for row in shop.operations}
        self.results = {result.id: result for result in plan.orders}
        self.tasks = {task.id: task for task in plan.tasks}
        self.last = max((task.end for task in plan.tasks), default=self.now)
        self._machine_closures: dict[str, list[Span]] = {}
        self._plate_closures: dict[str, list[Span]] = {}

    def at(self, instant: int) -> str:
        """An instant in words: local time with offset."""
        return local_text(instant, self.shop.zone)

    def operation(self, piece: Piece) -> Operation:
        """The operation of an order's pieces."""
        return self.operations[self.orders[piece[0]].part, piece[1]]

    def placed(self, order: str) -> bool:
        """Whether the plan says that the order is placed."""
        return self.results[order].placed

    def abandoned(self, run: FloorRun) -> bool:
        """Whether a run of the floor holds pieces of unplaced orders only, so that it may stay where it is."""
        return not any(self.placed(order) for order, _ in run.pieces)

    @cached_property
    def ops(self) -> dict[str, list[int]]:
        """The ops of each part, ascending."""
        found: dict[str, list[int]] = defaultdict(list)
        for part, op in sorted(self.operations):
            found[part].append(op)
        return found

    @cached_property
    def nests(self) -> dict[str, dict[tuple[str, int], int]]:
        """The nests of each fixture, by part and op."""
        found: dict[str, dict[tuple[str, int], int]] = defaultdict(dict)
        for nest in self.shop.nests:
            key = (nest.part, nest.op)
            found[nest.fixture][key] = found[nest.fixture].get(key, 0) + nest.count
        return found

    @cached_property
    def tools(self) -> dict[str, frozenset[str]]:
        """The tools each fixture needs: those of every op in its nests."""
        return {
            fixture: frozenset(tool for key in self.nests.get(fixture, {}) for tool in self.operations[key].tools)
            for fixture in self.fixtures
        }

    @cached_property
    def pieces_through(self) -> dict[Piece, int]:
        """Pieces in floor.pieces by order and op: done through that op and waiting."""
        found: dict[Piece, int] = defaultdict(int)
        for row in self.request.floor.pieces:
            found[row.order, row.op] += row.pieces
        return found

    @cached_property
    def floor(self) -> dict[str, FloorRun]:
        """The runs under way at `now`, by plate."""
        return floor_runs(self.request.floor)

    @cached_property
    def trips(self) -> list[Trip]:
        """Every run with its tasks; the floor's runs are those without a load on a plate that is under way."""
        trips = {run.id: Trip(run, self.plates[run.plate].stays_in is not None) for run in self.plan.runs}
        for task in self.plan.tasks:
            if task.run is not None:
                trips[task.run].put(task)
        waiting = dict(self.floor)
        for trip in sorted(trips.values(), key=_begin):
            if trip.load is None and trip.run.plate in waiting:
                trip.floor = waiting.pop(trip.run.plate)
        return list(trips.values())

    @cached_property
    def floor_left_out(self) -> list[FloorRun]:
        """Runs of the floor that the plan does not hold."""
        held = {trip.run.plate for trip in self.trips if trip.floor is not None}
        return [run for plate, run in self.floor.items() if plate not in held]

    @cached_property
    def builds(self) -> list[Task]:
        """Every build."""
        return [task for task in self.plan.tasks if task.kind == "build"]

    @cached_property
    def at_machine(self) -> dict[str, list[Task]]:
        """The tasks of each machine, by start."""
        return self._grouped("machine", ((task.machine, task) for task in self.plan.tasks))

    @cached_property
    def at_plate(self) -> dict[str, list[Task]]:
        """The tasks of each plate, by start."""
        return self._grouped("plate", ((task.plate, task) for task in self.plan.tasks))

    @cached_property
    def by_operator(self) -> dict[str, list[Task]]:
        """The tasks of each operator, by start."""
        return self._grouped("operator", ((task.operator, task) for task in self.plan.tasks))

    def _grouped(self, resource: str, pairs: Iterable[tuple[str | None, Task]]) -> dict[str, list[Task]]:
        """The tasks of each resource of one sort, by start and as its own lane has them."""
        groups: dict[str, list[Task]] = defaultdict(list)
        for name, task in pairs:
            if name is not None:
                groups[name].append(task)
        lanes = {lane.id: lane.tasks for lane in self.plan.lanes if lane.resource == resource}
        return {name: _by_start(tasks, lanes.get(name, ())) for name, tasks in groups.items()}

    @cached_property
    def cuts(self) -> dict[str, list[Task]]:
        """The cuts of each machine, by start."""
        return {machine: [task for task in self.at_machine.get(machine, []) if task.kind == "cut"] for machine in self.machines}

    @cached_property
    def uses(self) -> dict[str, list[Use]]:
        """When each plate is taken, by start: runs from load to unload, builds, and what the floor keeps."""
        found: dict[str, list[Use]] = defaultdict(list)
        for trip in self.trips:
            found[trip.run.plate].append(self._use(trip))
        for task in self.builds:
            assert task.plate is not None
            found[task.plate].append(Use(task.start, task.end, (task,)))
        for run in self.floor_left_out:
            found[run.plate].append(Use(self.now, self.horizon_end, ()))
        return {plate: sorted(uses, key=lambda use: (use.start, use.end)) for plate, uses in found.items()}

    def _use(self, trip: Trip) -> Use:
        start = _begin(trip)[0] if trip.floor is None else self.now
        end = trip.unload.end if trip.unload is not None else self.horizon_end
        return Use(min(start, end), end, tuple(trip.chain), trip)

    @cached_property
    def hours(self) -> dict[str, Hours]:
        """The working time of each operator from `now` to the horizon."""
        return {
            operator: hours(self.shop, operator, self.by_operator.get(operator, []), self.now, self.horizon_end)
            for operator in self.operators
        }

    @cached_property
    def unattended(self) -> list[Span]:
        """The time in which nobody is inside a shift, as far back before `now` as the longest limit reaches."""
        begin = self.now - 60 * max((machine.unattended_minutes or 0 for machine in self.shop.machines), default=0)
        called = [day for found in self.hours.values() for day in found.called_days]
        return without([(begin, self.horizon_end)], attended_spans(self.shop, begin, self.horizon_end, called))

    def no_cutting(self, machine: Machine) -> list[Span]:
        """The time in which a machine must not cut because it has been unattended for too long (F9)."""
        if machine.unattended_minutes is None:
            return []
        limit = machine.unattended_minutes * 60
        return [(start + limit, end) for start, end in self.unattended if start + limit < end]

    def machine_closures(self, machine: str) -> list[Span]:
        """When a machine, or the shop, is closed."""
        if machine not in self._machine_closures:
            self._machine_closures[machine] = machine_closures(self.shop, machine)
        return self._machine_closures[machine]

    def plate_closures(self, plate: str) -> list[Span]:
        """When a plate, or the shop, is closed."""
        if plate not in self._plate_closures:
            self._plate_closures[plate] = plate_closures(self.shop, plate)
        return self._plate_closures[plate]


def _by_start(tasks: list[Task], lane: Sequence[str]) -> list[Task]:
    """The tasks of one resource by start; at one instant those of no length first, then as its lane has them."""
    rank = {name: place for place, name in enumerate(lane)}
    return sorted(tasks, key=lambda task: (task.start, task.end, rank.get(task.id, 0)))


def _begin(trip: Trip) -> tuple[int, str]:
    """The start of the first task of a run, for sorting."""
    return min((task.start for task in trip.chain), default=0), trip.run.id


def clashes(taken: Iterable[tuple[int, int, Holder]]) -> Iterator[tuple[Holder, Holder]]:
    """Who takes something before another lets go of it: ``(that other, who)``, from stretches ``(start, end, who)`` by start and end.

    The other is the first of those who keep it longest until then.
    """
    holder: tuple[int, int, Holder] | None = None
    for one in taken:
        if holder is not None and one[0] < holder[1]:
            yield holder[2], one[2]
        if holder is None or one[1] > holder[1]:
            holder = one


def stretches(tasks: Iterable[Task]) -> list[tuple[int, int, Task]]:
    """The stretches of work of tasks, by start: ``(start, end, task)``."""
    found = [(start, end, task) for task in tasks for start, end in spans_of(task)]
    return sorted(found, key=lambda stretch: stretch[:2])
