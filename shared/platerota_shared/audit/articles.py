"""F15: the check of the first pieces before the rest may go on."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.trip import Piece, Trip, ids
from platerota_shared.plan import Task


def faults(book: Book) -> Iterator[Finding]:
    """First articles that are missing, needless, too early, or overtaken by another run."""
    through = _through(book)
    for piece, trips in _trips_of(book).items():
        articles = [trip.articles[piece] for trip in trips if piece in trip.articles]
        order, op = piece
        if book.operation(piece).first_article_seconds == 0 or (order in through and through[order] >= op):
            for article in articles:
                yield Finding("F15", (article.id,), f"{article.id} is not needed")
        elif len(articles) != 1:
            if articles or book.placed(order):
                yield Finding("F15", ids(articles), f"op {op} of order {order} has {len(articles)} first articles, it needs one")
        else:
            yield from _check(piece, trips, articles[0])


def gated_cuts(book: Book) -> Iterator[tuple[Task, Task]]:
    """Every first article with each cut that waits for it."""
    for piece, trips in _trips_of(book).items():
        for trip in trips:
            if piece in trip.articles:
                for other in trips:
                    if other is not trip and other.cut is not None and not other.cut_before:
                        yield trip.articles[piece], other.cut


def _trips_of(book: Book) -> dict[Piece, list[Trip]]:
    found: dict[Piece, list[Trip]] = defaultdict(list)
    for trip in book.trips:
        for row in trip.run.pieces:
            found[row.order, row.op].append(trip)
    return found


def _through(book: Book) -> dict[str, int]:
    """The latest op that any piece of an order is through: waiting on the floor, or already in a run of a later op."""
    found: dict[str, int] = {}
    for order, op in book.pieces_through:
        found[order] = max(found.get(order, op), op)
    for run in book.floor.values():
        for order, op in run.pieces:
            before = [done for done in book.ops[book.orders[order].part] if done < op]
            if before:
                found[order] = max(found.get(order, before[-1]), before[-1])
    return found


def _check(piece: Piece, trips: list[Trip], article: Task) -> Iterator[Finding]:
    own = next(trip for trip in trips if trip.articles.get(piece) is article)
    if _cut_start(own) != min(_cut_start(trip) for trip in trips):
        yield Finding("F15", (article.id,), f"{article.id} does not check the run of op {piece[1]} of order {piece[0]} that is cut first")
    if own.unload is None or article.start < own.unload.end:
        yield Finding("F15", (article.id,), f"{article.id} starts before its pieces are unloaded")
    for trip in trips:
        if trip is not own and trip.cut is not None and not trip.cut_before and trip.cut.start < article.end:
            yield Finding("F15", (article.id, trip.cut.id), f"{trip.cut.id} starts before {article.id} is done")


def _cut_start(trip: Trip) -> tuple[bool, int]:
    """For comparing: runs already cut first, then those being cut, then by start."""
    return not trip.cut_before, trip.cut.start if trip.cut is not None else 0
