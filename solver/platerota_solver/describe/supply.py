"""Pieces on their way from op to op: what is ready when, and which loads take it (F14)."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from platerota_solver.describe.book import PlanBook
from platerota_solver.describe.chains import Link
from platerota_solver.describe.results import ready_at


@dataclass(frozen=True)
class Stock:
    """Pieces of one order before one later op.

    `at_start` pieces lie ready at `now`; `arrivals` are ``(ready, run, pieces)`` by instant (UTC seconds), `loads`
    ``(index of the load, pieces)`` by start, two at the same time by id; `before` is the op they come from.
    """

    order: str
    before: int
    at_start: int
    arrivals: tuple[tuple[int, str, int], ...]
    loads: tuple[tuple[int, int], ...]


def stocks(book: PlanBook) -> dict[tuple[str, int], Stock]:
    """The stock before every op but the first, by order and op, where the plan loads pieces from it."""
    done: dict[tuple[str, int], int] = defaultdict(int)
    for row in book.request.floor.pieces:
        done[row.order, row.op] += row.pieces
    found: dict[tuple[str, int], Stock] = {}
    for order in book.request.orders:
        ops = book.ops[order.part]
        for before, op in pairwise(ops):
            takers, makers = book.holders.get((order.id, op), ()), book.holders.get((order.id, before), ())
            loads = [(book.of_run[run]["load"], pieces) for run, pieces in takers if "load" in book.of_run[run]]
            loads.sort(key=lambda load: (book.tasks[load[0]].start, book.tasks[load[0]].end, book.tasks[load[0]].id))
            if loads:
                supplied = sorted((ready_at(book, run, order.id, before), run, pieces) for run, pieces in makers)
                found[order.id, op] = Stock(order.id, before, done[order.id, before], tuple(supplied), tuple(loads))
    return found


def supply_links(book: PlanBook, stock: Stock) -> Iterator[Link]:
    """Links from the work that makes pieces ready to the loads that take them: first ready, first taken, floor stock first."""
    after = book.after_seconds(stock.order, stock.before)
    flow = iter(stock.arrivals)
    left, makers = stock.at_start, list[int]()
    for load, wanted in stock.loads:
        while wanted > 0:
            if left == 0:
                arrival = next(flow, None)
                if arrival is None:
                    return
                _, run, left = arrival
                steps = (book.of_run[run].get("unload"), book.bench.get((run, stock.order, stock.before)))
                makers = [index for index in steps if index is not None]
            taken = min(left, wanted)
            left, wanted = left - taken, wanted - taken
            yield from ((maker, load, after) for maker in makers)


def free_from(book: PlanBook, stock: Stock, load: int) -> int:
    """The earliest instant from which `load` could have taken its pieces, with every other task where it is planned.

    Going back from the planned start, the stock must hold this load's pieces at every instant passed.
    """
    start = book.tasks[load].start
    own = next(pieces for index, pieces in stock.loads if index == load)
    changes: dict[int, int] = defaultdict(int)
    for ready, _, pieces in stock.arrivals:
        changes[ready] += pieces
    for index, pieces in stock.loads:
        if index != load:
            changes[book.tasks[index].start] -= pieces
    level, free, since = stock.at_start, stock.at_start >= own, book.request.now
    for instant in sorted(changes):
        if instant > start:
            break
        level += changes[instant]
        if level < own:
            free = False
        elif not free:
            free, since = True, instant
    return since if free else start
