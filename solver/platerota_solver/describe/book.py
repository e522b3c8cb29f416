"""The plan opened for reading: its tasks in sequence, and every look-up the description needs, each made once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property

from platerota_shared.plan import Run, Task
from platerota_shared.tables import Fixture, Machine, Operation, Order, PlanRequest, Plate
from platerota_solver.describe.chains import ON_PLATE, Link, chain_links, in_sequence
from platerota_solver.describe.presence import Presence, presence_of


@dataclass(frozen=True)
class PlanBook:
    """A request with its runs and tasks; `tasks` are in sequence, and every index below is one into `tasks`.

    `chain` holds the links inside runs and on plates, `unplaced` the ids of orders that are not placed.
    """

    request: PlanRequest
    runs: tuple[Run, ...]
    tasks: tuple[Task, ...]
    chain: tuple[Link, ...]
    unplaced: frozenset[str]

    @cached_property
    def end(self) -> int:
        """The end of the last task, `now` where there is none (UTC seconds)."""
        return max((task.end for task in self.tasks), default=self.request.now)

    @cached_property
    def orders(self) -> dict[str, Order]:
        """Orders by id."""
        return {order.id: order for order in self.request.orders}

    @cached_property
    def machines(self) -> dict[str, Machine]:
        """Machines by id."""
        return {machine.id: machine for machine in self.request.shop.machines}

    @cached_property
    def plates(self) -> dict[str, Plate]:
        """Plates by id."""
        return {plate.id: plate for plate in self.request.shop.plates}

    @cached_property
    def fixtures(self) -> dict[str, Fixture]:
        """Fixtures by id."""
        return {fixture.id: fixture for fixture in self.request.shop.fixtures}

    @cached_property
    def operations(self) -> dict[tuple[str, int], Operation]:
        """Operations by part and op."""
        return {(operation.part, operation.op): operation for operation in self.request.shop.operations}

    @cached_property
    def ops(self) -> dict[str, list[int]]:
        """The ops of each part, ascending."""
        found: dict[str, list[int]] = defaultdict(list)
        for part, op in sorted(self.operations):
            found[part].append(op)
        return found

    @cached_property
    def of_run(self) -> dict[str, dict[str, int]]:
        """For each run the index of its task of each kind; bench work and first articles are in `bench` and `articles`."""
        found: dict[str, dict[str, int]] = {run.id: {} for run in self.runs}
        for index, task in enumerate(self.tasks):
            if task.run in found and task.kind not in ("bench", "first_article", "build"):
                found[task.run][task.kind] = index
        return found

    @cached_property
    def bench(self) -> dict[tuple[str, str, int], int]:
        """Bench work by run, order and op."""
        return {(t.run or "", t.order or "", t.op or 0): index for index, t in enumerate(self.tasks) if t.kind == "bench"}

    @cached_property
    def articles(self) -> dict[tuple[str, int], int]:
        """First articles by order and op."""
        return {(t.order or "", t.op or 0): index for index, t in enumerate(self.tasks) if t.kind == "first_article"}

    @cached_property
    def holders(self) -> dict[tuple[str, int], list[tuple[str, int]]]:
        """For each order and op, the runs that hold its pieces: run id and pieces."""
        found: dict[tuple[str, int], list[tuple[str, int]]] = defaultdict(list)
        for run in self.runs:
            for held in run.pieces:
                found[held.order, held.op].append((run.id, held.pieces))
        return found

    @cached_property
    def on_machine(self) -> dict[str, list[int]]:
        """Tasks by machine, in sequence."""
        return self._grouped([task.machine for task in self.tasks])

    @cached_property
    def on_plate(self) -> dict[str, list[int]]:
        """Tasks that occupy a plate, by plate, in sequence."""
        return self._grouped([task.plate if task.kind in ON_PLATE else None for task in self.tasks])

    @cached_property
    def by_operator(self) -> dict[str, list[int]]:
        """Tasks by operator, in sequence."""
        return self._grouped([task.operator for task in self.tasks])

    @cached_property
    def presence(self) -> dict[str, Presence]:
        """Working time and overtime by operator."""
        return {
            operator.id: presence_of(self.request, operator.id, [self.tasks[index] for index in self.by_operator.get(operator.id, ())])
            for operator in self.request.shop.operators
        }

    def after_seconds(self, order: str, op: int) -> int:
        """The wait after an op of an order, in seconds."""
        return self.operations[self.orders[order].part, op].after_seconds

    def _grouped(self, names: Sequence[str | None]) -> dict[str, list[int]]:
        found: dict[str, list[int]] = defaultdict(list)
        for index, name in enumerate(names):
            if name is not None:
                found[name].append(index)
        return dict(found)


def open_book(request: PlanRequest, runs: Sequence[Run], tasks: Sequence[Task], unplaced: Collection[str]) -> PlanBook:
    """Put the tasks in sequence and open the book on them."""
    links = chain_links(runs, tasks)
    order = in_sequence(tasks, links)
    place = {index: position for position, index in enumerate(order)}
    return PlanBook(
        request=request,
        runs=tuple(runs),
        tasks=tuple(tasks[index] for index in order),
        chain=tuple((place[a], place[b], lag) for a, b, lag in links),
        unplaced=frozenset(unplaced),
    )
