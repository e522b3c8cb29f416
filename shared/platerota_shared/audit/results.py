"""F19: when each order finishes, and what the plan says about it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.stock import ready_task
from platerota_shared.audit.trip import Piece, Trip
from platerota_shared.plan import OrderResult, Task


def faults(book: Book) -> Iterator[Finding]:
    """Order results that do not follow from the tasks."""
    finishes, starts = finish_times(book), load_starts(book)
    runs = Counter(order for trip in book.trips for order in trip.orders)
    for name, order in book.orders.items():
        result = book.results[name]
        if result.due != order.due:
            yield _fault(f"order {name} is due at {book.at(order.due)}, the plan says {book.at(result.due)}")
        if result.runs != runs[name]:
            yield _fault(f"order {name} has {runs[name]} runs, the plan says {result.runs}")
        if result.placed:
            yield from _placed(book, result, finishes[name], starts.get(name))
        else:
            yield from _unplaced(result)
    for trip in book.trips:
        if trip.floor is None:
            for name in sorted(order for order in trip.orders if not book.placed(order)):
                yield Finding("F19", tuple(task.id for task in trip.chain), f"order {name} is unplaced, but run {trip.run.id} works on it")


def finish_times(book: Book) -> dict[str, int]:
    """The finish of every order by its tasks (UTC seconds); `now` where nothing is left to do."""
    finishes = dict.fromkeys(book.orders, book.now)
    for trip in book.trips:
        for row in trip.run.pieces:
            for task, wait in finishing_tasks(book, trip, (row.order, row.op)):
                finishes[row.order] = max(finishes[row.order], task.end + wait)
    return finishes


def finishing_tasks(book: Book, trip: Trip, piece: Piece) -> Iterator[tuple[Task, int]]:
    """The tasks that an order's finish waits for, each with the seconds that follow it."""
    ready = ready_task(trip, piece)
    if ready is not None:
        yield ready, book.operation(piece).after_seconds
    if piece in trip.articles:
        yield trip.articles[piece], 0


def load_starts(book: Book) -> dict[str, int]:
    """The start of each order's first load in the plan."""
    starts: dict[str, int] = {}
    for trip in book.trips:
        if trip.load is not None:
            for name in trip.orders:
                starts[name] = min(starts.get(name, trip.load.start), trip.load.start)
    return starts


def _placed(book: Book, result: OrderResult, finish: int, start: int | None) -> Iterator[Finding]:
    if result.finish != finish:
        yield _fault(f"order {result.id} finishes at {book.at(finish)} by its tasks; the plan says otherwise")
    if result.start != start:
        yield _fault(f"order {result.id} does not start with its first load")
    if result.late_seconds != max(0, finish - book.orders[result.id].due):
        yield _fault(f"order {result.id} is {max(0, finish - book.orders[result.id].due)} s late, the plan says {result.late_seconds}")
    if finish > book.horizon_end:
        yield Finding("F18", (), f"order {result.id} finishes past the horizon")
    if result.why is not None and finish <= book.orders[result.id].due:
        yield _fault(f"order {result.id} is placed and on time, so there is nothing to explain")


def _unplaced(result: OrderResult) -> Iterator[Finding]:
    if (result.start, result.finish, result.late_seconds) != (None, None, None):
        yield _fault(f"order {result.id} is unplaced, but has a start, a finish or lateness")
    if not (result.why or "").strip():
        yield _fault(f"order {result.id} is unplaced without a reason")


def _fault(detail: str) -> Finding:
    return Finding("F19", (), detail)
