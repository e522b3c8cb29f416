"""F1: how long each task takes."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from math import ceil

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.spans import seconds_in
from platerota_shared.audit.trip import Trip, ids, spans_of
from platerota_shared.plan import Task


def faults(book: Book) -> Iterator[Finding]:
    """Tasks longer or shorter than their formula, and bench work that is missing or not needed."""
    factors = {machine.id: Fraction(str(machine.cut_factor)) for machine in book.machines.values()}
    for trip in book.trips:
        for task in trip.chain:
            if not task.frozen:
                yield from _length(task, _chain_seconds(book, trip, task, factors))
        yield from _benches(book, trip)
        for piece, article in trip.articles.items():
            yield from _length(article, book.operation(piece).first_article_seconds)
    for build in book.builds:
        assert build.fixture is not None
        seconds = book.fixtures[build.fixture].build_seconds
        if seconds is not None:
            yield from _length(build, seconds)


def _length(task: Task, seconds: int) -> Iterator[Finding]:
    planned = seconds_in(spans_of(task))
    if planned != seconds:
        yield Finding("F1", (task.id,), f"{task.id} takes {planned} s, by its formula {seconds} s")


def _chain_seconds(book: Book, trip: Trip, task: Task, factors: dict[str, Fraction]) -> int:
    fixture = book.fixtures[trip.run.fixture]
    pieces = sum(row.pieces for row in trip.run.pieces)
    if task.kind == "load":
        return fixture.load_seconds + fixture.clamps * fixture.clamp_seconds + pieces * fixture.load_piece_seconds
    if task.kind == "unload":
        return fixture.unload_seconds + fixture.clamps * fixture.release_seconds + pieces * fixture.unload_piece_seconds
    assert task.machine is not None
    machine = book.machines[task.machine]
    if task.kind == "cut":
        cutting = sum(row.pieces * book.operations[row.part, row.op].cut_seconds for row in trip.run.pieces)
        return ceil(factors[machine.id] * (fixture.cycle_seconds + cutting))
    return machine.place_seconds if task.kind == "place" else machine.pull_seconds


def _benches(book: Book, trip: Trip) -> Iterator[Finding]:
    """One task of bench work per run, order and op that needs any; unplaced orders on the floor may do without."""
    for row in trip.run.pieces:
        piece = (row.order, row.op)
        seconds = row.pieces * book.operations[row.part, row.op].bench_seconds
        bench = trip.benches.get(piece)
        if bench is None and seconds > 0 and book.placed(row.order):
            yield Finding("F1", ids([trip.unload]), f"run {trip.run.id} lacks the bench work on op {row.op} of order {row.order}")
        if bench is not None and seconds == 0:
            yield Finding("F1", (bench.id,), f"{bench.id} is not needed: op {row.op} has no bench work")
        elif bench is not None:
            yield from _length(bench, seconds)
