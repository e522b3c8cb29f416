"""F13, F14: how many pieces are made, and that they are there when they are loaded."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.stock import Stock
from platerota_shared.audit.trip import Piece, ids
from platerota_shared.tables import Order


def faults(book: Book, stocks: dict[Piece, Stock]) -> Iterator[Finding]:
    """Too many or too few pieces of an op, loads before the material or the op before is there."""
    made: Counter[Piece] = Counter()
    for trip in book.trips:
        for row in trip.run.pieces:
            made[row.order, row.op] += row.pieces
    for order in book.orders.values():
        if book.placed(order.id):
            yield from _counts(book, order, made)
    yield from _material(book)
    for (order_id, op), stock in stocks.items():
        short = next(((instant, level) for instant, level in stock.levels(book.now) if level < 0), None)
        if short is not None:
            late = [batch.task for batch in stock.loads if batch.instant == short[0]]
            yield Finding("F14", ids(late), f"order {order_id} is {-short[1]} pieces short before op {op} at {book.at(short[0])}")


def _counts(book: Book, order: Order, made: Counter[Piece]) -> Iterator[Finding]:
    """Pieces of op k = quantity less those through op k or later, less those in floor runs of later ops."""
    through = floor_later = 0
    for op in reversed(book.ops.get(order.part, [])):
        through += book.pieces_through.get((order.id, op), 0)
        wanted = order.quantity - through - floor_later
        if made[order.id, op] != wanted:
            yield Finding("F13", (), f"op {op} of order {order.id} is planned for {made[order.id, op]} pieces, {wanted} are needed")
        floor_later += sum(run.pieces.get((order.id, op), 0) for run in book.floor.values())


def _material(book: Book) -> Iterator[Finding]:
    for trip in book.trips:
        if trip.load is None:
            continue
        for row in trip.run.pieces:
            release = book.orders[row.order].release
            first = row.op == book.ops[row.part][0]
            if first and release is not None and trip.load.start < release:
                yield Finding("F14", (trip.load.id,), f"{trip.load.id} starts before the material of order {row.order} is there")
