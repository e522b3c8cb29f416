"""The pieces between two ops of an order: what comes in, what is loaded, and when enough are there."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from dataclasses import dataclass, field
from itertools import pairwise

from platerota_shared.audit.book import Book
from platerota_shared.audit.trip import Piece, Trip
from platerota_shared.plan import Task


@dataclass(frozen=True, slots=True)
class Batch:
    """Pieces that become ready or are taken at an instant (UTC seconds), by a task."""

    instant: int
    pieces: int
    task: Task


@dataclass(slots=True)
class Stock:
    """The pieces of one order before an op: those waiting at `now`, those coming in, those loaded, by instant."""

    waiting: int
    after_seconds: int
    arrivals: list[Batch] = field(default_factory=list[Batch])
    loads: list[Batch] = field(default_factory=list[Batch])

    def levels(self, now: int) -> list[tuple[int, int]]:
        """The stock from each instant on, as ``(instant, pieces)``; arrivals count before loads of the same instant."""
        changes: dict[int, int] = {now: self.waiting}
        for batches, sign in ((self.arrivals, 1), (self.loads, -1)):
            for batch in batches:
                changes[batch.instant] = changes.get(batch.instant, 0) + sign * batch.pieces
        level, found = 0, list[tuple[int, int]]()
        for instant in sorted(changes):
            level += changes[instant]
            found.append((instant, level))
        return found

    def earliest_loads(self, now: int) -> dict[str, int]:
        """For each load the first instant from which on its pieces are there until it starts, all other loads unchanged."""
        due: dict[int, list[Batch]] = defaultdict(list)
        for batch in self.loads:
            due[batch.instant].append(batch)
        levels = self.levels(now)
        earliest: dict[str, int] = {}
        # Instants whose stock no later one undercuts, by rising stock: the last that is too low is found by bisection.
        low: list[tuple[int, int]] = []
        for index, (instant, level) in enumerate(levels):
            for batch in due.get(instant, ()):
                last = bisect_left(low, (batch.pieces, 0)) - 1
                earliest[batch.task.id] = levels[low[last][1] + 1][0] if last >= 0 else now
            while low and low[-1][0] >= level:
                low.pop()
            low.append((level, index))
        return earliest

    def feeds(self) -> list[tuple[Task, Task]]:
        """Which arrival's pieces each load takes: first in, first out; ``(arrival, load)``."""
        pairs: list[tuple[Task, Task]] = []
        arrivals = iter(self.arrivals)
        source, left = None, self.waiting
        for load in self.loads:
            wanted = load.pieces
            while wanted > 0:
                if left == 0:
                    source = next(arrivals, None)
                    if source is None:
                        return pairs
                    left = source.pieces
                taken = min(wanted, left)
                if source is not None:
                    pairs.append((source.task, load.task))
                wanted, left = wanted - taken, left - taken
        return pairs


def ready_task(trip: Trip, piece: Piece) -> Task | None:
    """The task after which a run's pieces are done with the op: bench work where there is any, else the unload."""
    return trip.benches.get(piece, trip.unload)


def stocks(book: Book) -> dict[Piece, Stock]:
    """The stock before every op but the first of a part, by order and op; batches of one instant by end and id of their task."""
    found: dict[Piece, Stock] = {}
    for name, order in book.orders.items():
        ops = book.ops.get(order.part, [])
        for before, op in pairwise(ops):
            found[name, op] = Stock(book.pieces_through.get((name, before), 0), book.operations[order.part, before].after_seconds)
    following = {(part, before): op for part, ops in book.ops.items() for before, op in pairwise(ops)}
    for trip in book.trips:
        for row in trip.run.pieces:
            if (row.order, row.op) in found and trip.load is not None:
                found[row.order, row.op].loads.append(Batch(trip.load.start, row.pieces, trip.load))
            ready = ready_task(trip, (row.order, row.op))
            next_op = following.get((row.part, row.op))
            if next_op is not None and ready is not None:
                stock = found[row.order, next_op]
                stock.arrivals.append(Batch(ready.end + stock.after_seconds, row.pieces, ready))
    for stock in found.values():
        for batches in (stock.arrivals, stock.loads):
            batches.sort(key=lambda batch: (batch.instant, batch.task.end, batch.task.id))
    return found
