"""Which task comes before which: the order that every assignment and every sequence of the plan fixes."""

from __future__ import annotations

from bisect import bisect
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from heapq import heappop, heappush
from itertools import chain, pairwise

from platerota_shared.audit.articles import gated_cuts
from platerota_shared.audit.book import Book, Use
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.machines import exclusive_kinds
from platerota_shared.audit.stock import Stock
from platerota_shared.audit.trip import Piece, ids, spans_of
from platerota_shared.plan import Task

Followers = Mapping[str, list[str]]
"""Ids of tasks, and of those that come after each."""


class Sequence:
    """The tasks of a valid plan in an order that respects every precedence, with each task's followers.

    `followers` maps a task's id to ``(follower's id, seconds between)``. Tasks of no length at one instant stand in the
    order that runs, plates, pieces and first articles demand, then in that of their operator's lane, then in that of
    their machine's. Places in two lanes say nothing of each other: each lane orders its own tasks. `circle` holds the
    tasks that no order respects, behind all others in `order`.
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
        reached = {task.id for task in self.order}
        self.circle = [task for task in book.plan.tasks if task.id not in reached]
        self.order += self.circle
        self.position = {task.id: place for place, task in enumerate(self.order)}
        self.by_operator = {name: self._stretches(book.by_operator.get(name, [])) for name in book.operators}
        self._machines()
        for stretches in self.by_operator.values():
            self._person([task for _, _, task in stretches])

    def faults(self) -> Iterator[Finding]:
        """Tasks of no length that wait for each other, such as a run loaded with what it makes itself, all at one instant."""
        if self.circle:
            yield Finding("F14", ids(self.circle), f"{self.circle[0].id} waits for pieces that are there only after it")

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
        """All tasks by start and end, none before one it must follow, those of no length at one instant as the lanes have them."""
        book = self._book
        must = {name: [follower for follower, _ in followers] for name, followers in self.followers.items()}
        return _in_order(book.plan.tasks, (must, _at_once(book.by_operator), _at_once(book.at_machine)))

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


def _at_once(lanes: Mapping[str, list[Task]]) -> Followers:
    """For each task of no length the next one at that instant in the same lane."""
    return {
        before.id: [after.id] for tasks in lanes.values() for before, after in pairwise(tasks)
        if before.start == before.end == after.start == after.end
    }


def _in_order(tasks: Iterable[Task], followers: tuple[Followers, Followers, Followers]) -> list[Task]:
    """The tasks by start and end; at one instant none before those it must follow, then by operators' and by machines' lanes.

    A lane that runs in a circle with what is stronger gives way.
    """
    numbered = {task.id: (number, task) for number, task in enumerate(tasks)}
    waits = {name: [0, 0, 0] for name in numbered}
    for strength, links in enumerate(followers):
        for name in chain.from_iterable(links.values()):
            waits[name][strength] += 1
    free: list[tuple[int, int, bool, bool, int, str]] = []

    def offer(name: str) -> None:
        number, task = numbered[name]
        musts, operators, machines = waits[name]
        if musts == 0:
            heappush(free, (task.start, task.end, operators > 0, machines > 0, number, name))

    for name in numbered:
        offer(name)
    found: dict[str, Task] = {}
    while free:
        name = heappop(free)[-1]
        if name not in found:  # it was offered once more where a lane held it back first
            found[name] = numbered[name][1]
            for strength, links in enumerate(followers):
                for follower in links.get(name, ()):
                    waits[follower][strength] -= 1
                    offer(follower)
    return list(found.values())
