"""F3, F4, F16: what lies in the nests, whose the plate is, and fixtures built on blanks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from platerota_shared.audit.book import Book, Use, clashes
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.trip import Trip, ids
from platerota_shared.plan import Task
from platerota_shared.tables import Fixture, Plate


def faults(book: Book) -> Iterator[Finding]:
    """Nests overfilled, plates used twice at once or with a fixture that is not on them, builds that cannot be."""
    for trip in book.trips:
        yield from _nests(book, trip)
    for plate, uses in book.uses.items():
        yield from _overlaps(plate, uses)
        yield from _fixture(book.plates[plate], uses)
    for build in book.builds:
        yield from _build(book, build)


def _nests(book: Book, trip: Trip) -> Iterator[Finding]:
    run = trip.run
    if not run.pieces or any(row.pieces < 1 for row in run.pieces):
        yield Finding("F3", ids(trip.chain), f"run {run.id} needs at least one piece in every row")
    held: Counter[tuple[str, int]] = Counter()
    for row in run.pieces:
        held[row.part, row.op] += row.pieces
    nests = book.nests.get(run.fixture, {})
    for (part, op), pieces in held.items():
        if pieces > nests.get((part, op), 0):
            yield Finding("F3", ids(trip.chain), f"run {run.id} holds {pieces} pieces of part {part} op {op}; "
                          f"fixture {run.fixture} has {nests.get((part, op), 0)} nests for it")


def _overlaps(plate: str, uses: list[Use]) -> Iterator[Finding]:
    for before, after in clashes((use.start, use.end, use) for use in uses):
        yield Finding("F4", ids([*before.tasks, *after.tasks]), f"plate {plate} is taken twice at the same time")


def _fixture(plate: Plate, uses: list[Use]) -> Iterator[Finding]:
    """A run's fixture is the one on its plate, or the one built there before."""
    builds = [use.tasks[0] for use in uses if use.trip is None and use.tasks]
    trips = [use for use in uses if use.trip is not None]
    if len(builds) > 1:
        yield Finding("F16", ids(builds), f"plate {plate.id} is built on {len(builds)} times in one plan")
    built = builds[0] if builds and plate.fixture is None else None
    if builds and plate.fixture is not None:
        yield Finding("F16", ids(builds), f"plate {plate.id} carries fixture {plate.fixture} and is no blank")
    if builds and not trips:
        yield Finding("F16", ids(builds), f"no run uses what is built on plate {plate.id}")
    carried = built.fixture if built is not None else plate.fixture
    for use in trips:
        assert use.trip is not None
        run = use.trip.run
        if carried is None:
            yield Finding("F16", ids(use.tasks), f"run {run.id} needs fixture {run.fixture}, which nobody built on plate {plate.id}")
        elif run.fixture != carried:
            yield Finding("F4", ids(use.tasks), f"run {run.id} needs fixture {run.fixture}, but plate {plate.id} carries {carried}")
        if built is not None and use.start < built.end:
            yield Finding("F16", ids([built, *use.tasks]), f"run {run.id} starts before its fixture is built")


def _build(book: Book, build: Task) -> Iterator[Finding]:
    assert build.fixture is not None
    assert build.plate is not None
    fixture, plate = book.fixtures[build.fixture], book.plates[build.plate]
    if fixture.build_seconds is None:
        yield Finding("F16", (build.id,), f"fixture {fixture.id} cannot be built")
    if fixture.mount is not None and fixture.mount != plate.mount:
        yield Finding("F16", (build.id,), f"fixture {fixture.id} goes on mount {fixture.mount}; plate {plate.id} has {plate.mount}")
    if not _large_enough(fixture, plate):
        yield Finding("F16", (build.id,), f"plate {plate.id} is too small for fixture {fixture.id}")


def _large_enough(fixture: Fixture, plate: Plate) -> bool:
    x, y = fixture.min_size_x or 0, fixture.min_size_y or 0
    return (plate.size_x >= x and plate.size_y >= y) or (plate.size_x >= y and plate.size_y >= x)
