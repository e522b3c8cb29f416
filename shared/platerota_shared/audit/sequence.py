"""Which task comes before which: the order that every assignment and every sequence of the plan fixes."""

from __future__ import annotations

from bisect import bisect
from collections import defaultdict
from collections.abc import Iterable
from heapq import heappop, heappush
from itertools import pairwise

from platerota_shared.audit.articles import gated_cuts
from platerota_shared.audit.book import Book, Use
from platerota_shared.audit.machines import exclusive_kinds
from platerota_shared.audit.stock import Stock
from platerota_shared.audit.trip import Piece, spans_of
from platerota_shared.plan import Task


class Sequence:
    """The tasks of a valid plan in an order that respects every precedence, with each task's followers.

    `followers` maps a task's id to ``(follower's id, seconds between)``. Tasks of no length at one instant stand in the
    order that runs, plates, pieces and first articles demand, then in that of the lanes.
    """

    def __init__(self, book: Book, stocks: dict[Piece, Stock]) -> None:
        self._book = book
        self.followers: dict[str, list[tuple[str, int]]] = defaultdict(list)
        self.latest_ends: dict[str, int] = {}
        self.pinned: set[str] = set()
        self._runs()
        self._plates()
        for stock in stocks.values():
            for arrival, load in stock.feeds():
                self._link(arrival, load, stock.after_seconds)
        for article, cut in gated_cuts(book):
            self._link(article, cut)
        self.order = self._sorted()
        self.position = {task.id: place for place, task in enumerate(self.order)}
        self.by_operator = {name: self._stretches(book.by_operator.get(name, [])) for name in book.operators}
        self._machines()
        for stretches in self.by_operator.values():
            self._person([task for _, _, task in stretches])

    def _link(self, before: Task, after: Task, wait: int = 0) -> None:
        self.followers[before.id].append((after.id, wait))

    def _runs(self) -> None:
        for trip in self._book.trips:
            for before, after in pairwise(trip.chain):
                self._link(before, after)
            if trip.unload is not None:
                for after in [*trip.benches.values(), *trip.articles.values()]:
                    self._link(trip.unload, after)

    def _plates(self) -> None:
        for uses in self._book.uses.values():
            held: list[Use] = [use for use in uses if use.tasks]
            for before, after in pairwise(held):
                self._link(before.tasks[-1], after.tasks[0])

    def _sorted(self) -> list[Task]:
        """All tasks by start and end, none before one it must follow."""
        book = self._book
        rank = {task.id: place for place, task in enumerate(book.by_start(book.plan.tasks))}
        waits = dict.fromkeys(book.tasks, 0)
        for followers in self.followers.values():
            for name, _ in followers:
                waits[name] += 1
        free = sorted((rank[name], name) for name, count in waits.items() if count == 0)  # a sorted list is a heap
        found: list[Task] = []
        while free:
            name = heappop(free)[1]
            found.append(book.tasks[name])
            for follower, _ in self.followers.get(name, ()):
                waits[follower] -= 1
                if waits[follower] == 0:
                    heappush(free, (rank[follower], follower))
        return found

    def _stretches(self, tasks: Iterable[Task]) -> list[tuple[int, int, Task]]:
        found = [(start, end, task) for task in tasks for start, end in spans_of(task)]
        return sorted(found, key=lambda stretch: (stretch[0], stretch[1], self.position[stretch[2].id]))

    def _chain(self, tasks: Iterable[Task], wait: int = 0) -> None:
        for before, after in pairwise(tasks):
            self._link(before, after, wait if before.plate != after.plate else 0)

    def _machines(self) -> None:
        """What excludes each other on a machine keeps its sequence."""
        for machine in self._book.machines.values():
            tasks = sorted(self._book.at_machine.get(machine.id, []), key=lambda task: self.position[task.id])
            for group in exclusive_kinds(machine):
                self._chain(task for task in tasks if task.kind in group)
            cuts = [task for task in tasks if task.kind == "cut"]
            if machine.automatic:
                self._chain(cuts, machine.exchange_seconds)
            self._loads_between(cuts, [task for task in tasks if task.kind in ("load", "unload")])

    def _loads_between(self, cuts: list[Task], loads: list[Task]) -> None:
        """A load or unload inside a machine keeps its place between two cuts."""
        places = [self.position[cut.id] for cut in cuts]
        for load in loads:
            index = bisect(places, self.position[load.id])
            if index > 0:
                self._link(cuts[index - 1], load)
            if index < len(cuts):
                self._link(load, cuts[index])

    def _person(self, tasks: list[Task]) -> None:
        """One task after the other; work that others interrupt (in an overtime shift left out) is pinned where it is."""
        last = {task.id: place for place, task in enumerate(tasks)}
        begun: set[str] = set()
        for place, (before, after) in enumerate(pairwise(tasks)):
            begun.add(before.id)
            if before is after:
                continue
            interrupted, resumed = last[before.id] > place, after.id in begun
            if not interrupted and not resumed:
                self._link(before, after)
            if interrupted:
                self.pinned.add(before.id)
            if resumed:
                self.pinned.add(after.id)
                self.latest_ends[before.id] = next(start for start, _ in spans_of(after) if start >= before.end)
