"""How each order fares: start, finish, lateness (F19)."""

from __future__ import annotations

from collections.abc import Mapping

from platerota_shared.plan import OrderResult
from platerota_solver.describe.book import PlanBook


def finish_times(book: PlanBook) -> dict[str, int]:
    """When each placed order finishes (UTC seconds): the last of its unloads, first articles, bench work and after_seconds.

    An order with nothing left to do finishes at `now`.
    """
    finishes = {order.id: book.request.now for order in book.request.orders if order.id not in book.unplaced}
    for (order, op), runs in book.holders.items():
        if order not in finishes:
            continue
        for run, _ in runs:
            finishes[order] = max(finishes[order], *_ready(book, run, order, op))
    for (order, _), index in book.articles.items():
        if order in finishes:
            finishes[order] = max(finishes[order], book.tasks[index].end)
    return finishes


def ready_at(book: PlanBook, run: str, order: str, op: int) -> int:
    """When a run's pieces of an order and op may go on (F14): unloaded, bench work done, after_seconds passed."""
    return max(_ready(book, run, order, op))


def _ready(book: PlanBook, run: str, order: str, op: int) -> list[int]:
    """The same for the unload and the bench work, each with after_seconds; `now` where neither is left to do."""
    steps = (book.of_run[run].get("unload"), book.bench.get((run, order, op)))
    after = book.after_seconds(order, op)
    return [book.tasks[index].end + after for index in steps if index is not None] or [book.request.now]


def order_results(book: PlanBook, finishes: Mapping[str, int], unplaced: Mapping[str, str], why: Mapping[str, str]) -> list[OrderResult]:
    """One result per order, in the order of the request.

    `finishes` is :func:`finish_times`, `unplaced` the reason for each unplaced order, `why` the reason for each late one.
    """
    runs: dict[str, set[str]] = {name: set() for name in book.orders}
    for (name, _), held in book.holders.items():
        runs[name].update(run for run, _ in held)
    results: list[OrderResult] = []
    for order in book.request.orders:
        loads = [book.tasks[book.of_run[run]["load"]].start for run in runs[order.id] if "load" in book.of_run[run]]
        finish = finishes.get(order.id)
        late = None if finish is None else max(0, finish - order.due)
        results.append(OrderResult(
            id=order.id, due=order.due, finish=finish, late_seconds=late, placed=finish is not None, runs=len(runs[order.id]),
            start=min(loads, default=None) if finish is not None else None,
            why=unplaced[order.id] if finish is None else (why.get(order.id) if late else None),
        ))
    return results
