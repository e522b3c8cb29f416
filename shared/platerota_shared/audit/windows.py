"""F20: the load windows recomputed from the tasks."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.hours import Hours
from platerota_shared.audit.sequence import Sequence
from platerota_shared.audit.spans import last_begun, within
from platerota_shared.audit.stock import Stock
from platerota_shared.audit.trip import Piece, Trip
from platerota_shared.calendars import Span
from platerota_shared.plan import LoadWindow, Task


def faults(book: Book, sequence: Sequence, stocks: dict[Piece, Stock]) -> Iterator[Finding]:
    """Windows that are missing, too many, or not those of the tasks."""
    wanted = {window.run: window for window in windows(book, sequence, stocks)}
    if sorted(window.run for window in book.plan.load_windows) != sorted(wanted):
        yield Finding("F20", (), "the load windows are not one for each load")
    for stated in book.plan.load_windows:
        window = wanted.get(stated.run)
        if window is None:
            continue
        for name in LoadWindow.model_fields:
            if getattr(stated, name) != getattr(window, name):
                words = f"{name} of the load window of run {stated.run} is {_words(book, window, name)}"
                yield Finding("F20", (f"{stated.run}.load",), f"{words}, the plan says {_words(book, stated, name)}")


def _words(book: Book, window: LoadWindow, name: str) -> str:
    value = getattr(window, name)
    return book.at(value) if isinstance(value, int) else str(value)


@dataclass(frozen=True, slots=True)
class _Bounds:
    """The earliest instant and the latest end of something a load depends on (UTC seconds)."""

    earliest: int
    latest: int


def windows(book: Book, sequence: Sequence, stocks: dict[Piece, Stock]) -> Iterator[LoadWindow]:
    """The window of every load of a valid plan, every other task where it is planned."""
    pieces: dict[str, int] = {}
    for stock in stocks.values():
        for name, instant in stock.earliest_loads(book.now).items():
            pieces[name] = max(pieces.get(name, instant), instant)
    plate_free = _plate_free(book)
    neighbours = _neighbours(book, sequence)
    for trip in book.trips:
        load = trip.load
        if load is None or load.operator is None:
            continue
        next_step = trip.cut if trip.stays else trip.place
        assert next_step is not None
        person = neighbours[load.id]
        bounds = [person, *_closures(book, load), *_spindle(book, sequence, load), *_called(book, load)]
        material = [book.orders[row.order].release or book.now for row in trip.run.pieces if row.op == book.ops[row.part][0]]
        free = max(book.now, plate_free[load.id], pieces.get(load.id, book.now), *material, *(bound.earliest for bound in bounds))
        earliest, shift_end = _in_shift(book.hours[load.operator], load, free)
        yield LoadWindow(
            operator=load.operator, plate=trip.run.plate, run=trip.run.id, machine=trip.run.machine,
            earliest_start=earliest, start=load.start, end=load.end, place_at=next_step.start,
            latest_end=min(next_step.start, shift_end, *(bound.latest for bound in bounds)),
        )


def _in_shift(hours: Hours, load: Task, free: int) -> tuple[int, int]:
    """The first working instant from `free` on, and the end of the operator's working time at the load, both of the load's own sort.

    A load across the seam of a regular and an overtime shift cannot move without changing the hours of overtime: its
    window is itself.
    """
    sort = hours.overtime if hours.is_overtime(load) else hours.regular
    if not within(sort, load.start, load.end):
        return load.start, load.end
    here = sort[last_begun(sort, load.start)]
    index = bisect_right(sort, free, key=_end_of)
    earliest = max(free, sort[index][0]) if index < len(sort) else load.start
    return min(earliest, load.start), here[1]


def _end_of(span: Span) -> int:
    return span[1]


def _plate_free(book: Book) -> dict[str, int]:
    """For each load the instant from which its plate is free: the end of the run or build before."""
    found: dict[str, int] = {}
    for uses in book.uses.values():
        free = book.now
        for use in uses:
            trip: Trip | None = use.trip
            if trip is not None and trip.load is not None:
                found[trip.load.id] = free
            free = max(free, use.end)
    return found


def _neighbours(book: Book, sequence: Sequence) -> dict[str, _Bounds]:
    """For each load the end of its operator's task before and the start of the next."""
    found: dict[str, _Bounds] = {}
    for stretches in sequence.by_operator.values():
        for place, (_, _, task) in enumerate(stretches):
            if task.kind == "load":
                before = stretches[place - 1][1] if place else book.now
                after = stretches[place + 1][0] if place + 1 < len(stretches) else book.horizon_end
                found[task.id] = _Bounds(before, after)
    return found


def _called(book: Book, load: Task) -> Iterator[_Bounds]:
    """The overtime shifts that nothing but the load brings its operator in for: outside of one nobody would be there for a cut in it (F9).

    A load of no length may touch a shift and still not be in it, so it keeps its place.
    """
    assert load.operator is not None
    for day in book.hours[load.operator].called_by(load, book.by_operator[load.operator]):
        if load.start == load.end:
            yield _Bounds(load.start, load.end)
        else:
            yield _Bounds(min(day.start, load.start), max(day.end, load.end))


def _closures(book: Book, load: Task) -> Iterator[_Bounds]:
    """The closures of the plate, and of the machine for a plate that stays, before and after a load."""
    closures = [book.plate_closures(load.plate or "")]
    if load.machine is not None:
        closures.append(book.machine_closures(load.machine))
    for closed in closures:
        index = bisect_right(closed, load.start, key=_end_of)
        before = closed[index - 1][1] if index else book.now
        yield _Bounds(before, closed[index][0] if index < len(closed) else book.horizon_end)


def _spindle(book: Book, sequence: Sequence, load: Task) -> Iterator[_Bounds]:
    """For a plate that stays: the machine's cuts before and after the load."""
    if load.machine is None:
        return
    position = sequence.position
    cuts = sorted(book.cuts[load.machine], key=lambda cut: position[cut.id])
    index = bisect_right(cuts, position[load.id], key=lambda cut: position[cut.id])
    before = cuts[index - 1].end if index else book.now
    yield _Bounds(before, cuts[index].start if index < len(cuts) else book.horizon_end)
