"""Reading what has happened, and what of it contradicts itself or the plan."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, TypeVar
from zoneinfo import ZoneInfo

from pydantic import Field

from platerota_shared.audit.book import Book
from platerota_shared.document import duplicate_keys
from platerota_shared.faults import Fault, pointer, shown
from platerota_shared.fields import Instant
from platerota_shared.plan import Task
from platerota_shared.records import read_row
from platerota_shared.replanning.happened import ClosedNow, CountedPieces, RunNow
from platerota_shared.replanning.progress import Progress, begun
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import Row

R = TypeVar("R", bound=Row)


class _Now(Row):
    now: Instant


class _Outline(Row):
    """What has happened with its rows unread: each is read by itself, so that one faulty row hides no other's fault."""

    pieces: Annotated[tuple[Any, ...], Field(max_length=20_000)] = ()
    runs: Annotated[tuple[Any, ...], Field(max_length=5_000)] = ()
    closed: Annotated[tuple[Any, ...], Field(max_length=500)] = ()


@dataclass(slots=True)
class Told:
    """The good rows of what has happened, by their place in its lists; `now` is None where it could not be read."""

    now: int | None
    pieces: dict[int, CountedPieces] = field(default_factory=dict[int, CountedPieces])
    runs: dict[int, RunNow] = field(default_factory=dict[int, RunNow])
    closed: dict[int, ClosedNow] = field(default_factory=dict[int, ClosedNow])
    faults: list[Fault] = field(default_factory=list[Fault])
    suggestions: Suggestions = field(default_factory=Suggestions)


def read_told(now: Any, happened: Any, zone: ZoneInfo) -> Told:
    """What came as `now` and `happened`, row by row."""
    told = Told(None)
    said, faults = read_row(_Now, {"now": now}, "", "the replan", zone, told.suggestions)
    told.now = said.row.now if said.row is not None else None
    told.faults.extend(faults)
    given: Any = {} if happened is None else happened
    told.faults.extend(duplicate_keys({"happened": given}))
    outline, faults = read_row(_Outline, given, "/happened", "what has happened", zone, told.suggestions)
    told.faults.extend(faults)
    if outline.row is not None:
        told.pieces = _rows(told, CountedPieces, "pieces", outline.row.pieces, zone)
        told.runs = _rows(told, RunNow, "runs", outline.row.runs, zone)
        told.closed = _rows(told, ClosedNow, "closed", outline.row.closed, zone)
    return told


def _rows(told: Told, model: type[R], name: str, raws: tuple[Any, ...], zone: ZoneInfo) -> dict[int, R]:
    found: dict[int, R] = {}
    for index, raw in enumerate(raws):
        place = pointer("happened", name, index)
        record, faults = read_row(model, raw, place, f"row {index + 1} of {name}", zone, told.suggestions)
        told.faults.extend(faults)
        if record.row is not None:
            found[index] = record.row
    return found


def correct(book: Book, told: Told, now: int, runs: Mapping[str, Progress]) -> Iterator[Fault]:
    """Put the runs where they are said to be; a fault for each row that cannot be, which is then left out."""
    for index, row in told.runs.items():
        place, run = pointer("happened", "runs", index), runs.get(row.run)
        fault = _unlike(told, place, index, row, run, runs)
        if fault is not None:
            yield fault
        elif run is not None:
            run.stage, run.cut_end, run.said = row.stage, row.cut_end, index
            if row.stage == "cutting" and _closed(told, run, now):
                words = f"run {row.run} cannot be cut while {run.trip.run.machine} or plate {run.trip.run.plate} is closed"
                yield Fault(place + "/stage", "cuts-while-closed", words, "say placed where the cut stands still, or leave the closure out")


def _unlike(told: Told, place: str, index: int, row: RunNow, run: Progress | None, runs: Mapping[str, Progress]) -> Fault | None:
    """Why a row about a run cannot be as it is."""
    if run is None:
        mend = told.suggestions.mend(row.run, runs, "name a run of the plan that is being replanned")
        return Fault(place + "/run", "unknown-id", f"the plan has no run {shown(row.run)}", mend)
    if run.said is not None:
        words = f"run {row.run} is already spoken of in row {run.said + 1}"
        return Fault(place + "/run", "duplicate-row", words, "say once where it is")
    if row.stage == "cutting" and row.cut_end is None:
        words = f"run {row.run} is cutting, but its cut_end is missing"
        return Fault(place + "/cut_end", "missing-field", words, "say when the cut will end")
    if row.stage != "cutting" and row.cut_end is not None:
        words = f"run {row.run} is {row.stage}, so it has no cut_end"
        return Fault(place + "/cut_end", "cut-end-not-due", words, "leave it out, or say cutting")
    if run.trip.run.machine is None and row.stage not in ("pulled", "unloaded"):
        words = f"run {row.run} was pulled before the plan began and is in no machine, so it cannot be {row.stage}"
        return Fault(place + "/stage", "machine-missing", words, "say pulled or unloaded")
    return None


def stand_still(told: Told, now: int, runs: Mapping[str, Progress]) -> Iterator[Progress]:
    """Put back the cuts that would go on where something is closed and of which nothing is said: they stand still and are cut again."""
    for run in runs.values():
        if run.stage == "cutting" and run.said is None and _closed(told, run, now):
            run.stage, run.cut_end = ("loaded" if run.trip.stays else "placed"), None
            yield run


def go_on(told: Told, now: int, runs: Mapping[str, Progress]) -> Iterator[Task]:
    """Count work by hand that is under way as done, where nothing is said of its run and all that it needs is at work."""
    for run in runs.values():
        work = [task for task in (*run.trip.chain, run.trip.setup) if task is not None and task.kind != "cut" and begun(task, now)]
        if run.said is None and work and not _stopped(told, work[0], now):
            run.finish(work[0])
            yield work[0]


def _stopped(told: Told, task: Task, now: int) -> bool:
    """Whether somebody or something that a task needs is out of work."""
    needs = (task.machine, task.plate, task.operator)
    rows = [(row.machine, row.plate, row.operator) for row in told.closed.values() if row.until > now]
    return any(
        row == (None, None, None) or any(name is not None and name == own for name, own in zip(row, needs, strict=True)) for row in rows
    )


def _closed(told: Told, run: Progress, now: int) -> bool:
    rows = [row for row in told.closed.values() if row.until > now]
    return any(
        row.operator is None and row.machine in (None, run.trip.run.machine) and row.plate in (None, run.trip.run.plate) for row in rows
    )


def plates_twice(runs: Mapping[str, Progress]) -> Iterator[tuple[Progress, Fault]]:
    """Runs that cannot be on their plate because another one is, each with the fault; the corrected one of the two stays."""
    holders: dict[str, Progress] = {}
    for run in sorted(runs.values(), key=lambda found: found.said is None):
        plate = run.trip.run.plate
        holder = holders.setdefault(plate, run) if run.on_plate else run
        if holder is not run:
            place = pointer("happened", "runs", run.said if run.said is not None else holder.said or 0)
            name = run.trip.run.id
            words = f"plate {plate} is {holder.stage} in run {holder.trip.run.id}, so it cannot be {run.stage} in run {name} as well"
            yield run, Fault(place + "/stage", "plate-twice", words, f"say of run {name} too where it is, such as not_loaded")


def counted(book: Book, told: Told) -> Iterator[tuple[int, CountedPieces, Fault | None]]:
    """The rows of counted pieces, each with the fault that keeps it from counting."""
    seen: dict[tuple[str, int], int] = {}
    for index, row in told.pieces.items():
        place, order = pointer("happened", "pieces", index), book.orders.get(row.order)
        earlier = seen.setdefault((row.order, row.op), index)
        fault: Fault | None = None
        if order is None:
            mend = told.suggestions.mend(row.order, book.orders, "name an order of the plan")
            fault = Fault(place + "/order", "unknown-id", f"there is no order {shown(row.order)}", mend)
        elif row.op not in book.ops[order.part]:
            words = f"part {order.part} of order {row.order} has no op {row.op}"
            fault = Fault(place + "/op", "unknown-op", words, f"name one of its ops: {', '.join(map(str, book.ops[order.part]))}")
        elif earlier != index:
            words = f"pieces of order {row.order} op {row.op} are already counted in row {earlier + 1}"
            fault = Fault(place + "/op", "duplicate-row", words, "keep one of the two rows, with the sum if both count")
        yield index, row, fault
