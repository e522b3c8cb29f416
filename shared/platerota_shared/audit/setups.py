"""F8: setups that are needed, and how long they take."""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.trip import Trip
from platerota_shared.plan import Task
from platerota_shared.tables import Machine


def faults(book: Book) -> Iterator[Finding]:
    """Setups that are missing, needless, of the wrong length, or not between the two cuts."""
    trips = {trip.run.id: trip for trip in book.trips}
    last = {row.machine: row.fixture for row in book.request.floor.last_fixtures}
    cut_runs: set[str] = set()
    for machine in book.machines.values():
        fixture, free = last.get(machine.id), book.now
        for cut in book.cuts[machine.id]:
            assert cut.run is not None
            trip = trips[cut.run]
            if not cut.frozen:
                yield from _setup(book, machine, trip, cut, (fixture, free))
            elif trip.setup is not None:
                yield Finding("F8", (trip.setup.id,), f"{trip.setup.id} is not needed: {cut.id} is running at now")
            cut_runs.add(cut.run)
            fixture, free = trip.run.fixture, cut.end
    for trip in book.trips:
        if trip.setup is not None and trip.run.id not in cut_runs:
            yield Finding("F8", (trip.setup.id,), f"{trip.setup.id} belongs to a run that is not cut")


def _setup(book: Book, machine: Machine, trip: Trip, cut: Task, before: tuple[str | None, int]) -> Iterator[Finding]:
    """Check the setup before one cut; `before` is the fixture and the end of the machine's previous cut."""
    fixture, free = before
    seconds = _seconds(book, machine, fixture, trip.run.fixture)
    setup = trip.setup
    if setup is None:
        if seconds > 0:
            yield Finding("F8", (cut.id,), f"{cut.id} needs a setup of {seconds} s: the fixture before is {fixture or 'unknown'}")
        return
    if seconds == 0:
        yield Finding("F8", (setup.id,), f"{setup.id} is not needed")
    elif setup.end - setup.start != seconds:
        yield Finding("F8", (setup.id,), f"{setup.id} takes {setup.end - setup.start} s, by its formula {seconds} s")
    if setup.start < free or setup.end > cut.start:
        yield Finding("F8", (setup.id, cut.id), f"{setup.id} does not lie between the machine's previous cut and {cut.id}")


def _seconds(book: Book, machine: Machine, before: str | None, fixture: str) -> int:
    """The length of a setup in seconds, 0 where none is needed."""
    if before == fixture:
        return 0
    credited = set(machine.tools)
    if before is not None:
        credited |= book.tools[before]
    return machine.setup_seconds + machine.tool_load_seconds * len(book.tools[fixture] - credited)
