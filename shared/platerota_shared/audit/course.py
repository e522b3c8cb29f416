"""F2: the five tasks of a run, their order, and the runs that the floor has under way (F18)."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.trip import CHAIN, FloorRun, Trip, ids
from platerota_shared.plan import Kind, Task


def faults(book: Book) -> Iterator[Finding]:
    """Tasks of a run that are missing, too many or out of order; runs of the floor that do not go on as they are."""
    for trip in book.trips:
        yield from _completeness(book, trip)
        for before, after in pairwise(trip.chain):
            if after.start < before.end:
                yield Finding("F2", (before.id, after.id), f"{after.id} starts before {before.id} ends")
        if trip.unload is not None:
            for bench in trip.benches.values():
                if bench.start < trip.unload.end:
                    yield Finding("F2", (trip.unload.id, bench.id), f"{bench.id} starts before its pieces are unloaded")
        if trip.floor is not None:
            yield from _floor(book, trip, trip.floor)
    yield from _left_out(book)
    yield from _frozen(book)


def _completeness(book: Book, trip: Trip) -> Iterator[Finding]:
    left = CHAIN if trip.floor is None else trip.floor.left
    wanted: tuple[Kind, ...] = tuple(kind for kind in left if not (trip.stays and kind in ("place", "pull")))
    actual: tuple[Kind, ...] = tuple(task.kind for task in trip.chain)
    if actual == wanted or (trip.floor is not None and _may_stop(book, trip.floor, actual, wanted)):
        return
    for kind in wanted:
        if kind not in actual:
            yield Finding("F2", ids(trip.chain), f"run {trip.run.id} has no {kind}")
    for task in trip.chain:
        if task.kind not in wanted:
            yield _needless(trip, task)


def _may_stop(book: Book, run: FloorRun, actual: tuple[Kind, ...], wanted: tuple[Kind, ...]) -> bool:
    """A run of the floor with pieces of unplaced orders only may stop half-way, but a running cut goes on to its end."""
    started = run.stage != "running" or "cut" in actual
    return book.abandoned(run) and started and actual == wanted[: len(actual)]


def _needless(trip: Trip, task: Task) -> Finding:
    if trip.stays and task.kind in ("place", "pull"):
        return Finding("F10", (task.id,), f"plate {trip.run.plate} stays in its machine, so there is no {task.kind}")
    return Finding("F18", (task.id,), f"{task.kind} of run {trip.run.id} is done already on the floor")


def _floor(book: Book, trip: Trip, floor: FloorRun) -> Iterator[Finding]:
    run = trip.run
    if {(row.order, row.op): row.pieces for row in run.pieces} != floor.pieces:
        yield Finding("F18", ids(trip.chain), f"run {run.id} does not hold the pieces that are on plate {run.plate} on the floor")
    if floor.machine is not None and run.machine != floor.machine:
        yield Finding("F18", ids(trip.chain), f"run {run.id} is at machine {run.machine}, on the floor it stands at {floor.machine}")
    cut = trip.cut
    if floor.stage == "running" and cut is not None and (cut.start, cut.end, cut.frozen) != (book.now, floor.cut_end, True):
        yield Finding("F18", (cut.id,), f"{cut.id} is running: it is frozen from now to its cut_end")


def _left_out(book: Book) -> Iterator[Finding]:
    for run in book.floor_left_out:
        if run.stage == "running" or not book.abandoned(run):
            yield Finding("F18", (), f"plate {run.plate} is {run.stage} on the floor, but no run of the plan goes on with it")


def _frozen(book: Book) -> Iterator[Finding]:
    running = {trip.cut.id for trip in book.trips if trip.cut is not None and trip.floor is not None and trip.floor.stage == "running"}
    for task in book.plan.tasks:
        if task.frozen and task.id not in running:
            yield Finding("F18", (task.id,), f"{task.id} is frozen, but it is not under way on the floor")
