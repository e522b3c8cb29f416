"""F6, F7, F10: the spindle, the positions, the exchange, and plates that stay."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from platerota_shared.audit.book import Book, clashes
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.spans import overlapped
from platerota_shared.audit.trip import Trip
from platerota_shared.plan import Kind, Task
from platerota_shared.tables import Machine


def faults(book: Book) -> Iterator[Finding]:
    """Cuts at the same time, too many plates, exchanges that collide, loads into a machine that cuts."""
    occupied = _occupied(book)
    for machine in book.machines.values():
        tasks = book.at_machine.get(machine.id, [])
        yield from _exclusion(machine, tasks)
        if machine.automatic:
            yield from _waits(machine, book.cuts[machine.id])
        yield from _positions(book, machine, occupied[machine.id])
        yield from _loads(book, machine, tasks)
    for trip in book.trips:
        home = book.plates[trip.run.plate].stays_in
        if home is not None and trip.run.machine != home:
            yield Finding("F10", tuple(task.id for task in trip.chain), f"plate {trip.run.plate} stays in machine {home}")


def _exclusion(machine: Machine, tasks: list[Task]) -> Iterator[Finding]:
    for group in exclusive_kinds(machine):
        for before, after in clashes((task.start, task.end, task) for task in tasks if task.kind in group):
            rule = "F6" if before.kind == after.kind == "cut" else "F7"
            yield Finding(rule, (before.id, after.id), f"{before.id} and {after.id} collide at machine {machine.id}")


def exclusive_kinds(machine: Machine) -> list[tuple[Kind, ...]]:
    """By hand everything excludes everything; at a load station exchanges exclude exchanges, and setups exclude cuts."""
    return [("place", "pull"), ("setup", "cut")] if machine.automatic else [("place", "pull", "setup", "cut")]


def _waits(machine: Machine, cuts: list[Task]) -> Iterator[Finding]:
    for before, after in pairwise(cuts):
        if before.plate != after.plate and 0 <= after.start - before.end < machine.exchange_seconds:
            yield Finding("F7", (before.id, after.id), f"machine {machine.id} waits {after.start - before.end} s between two plates, "
                          f"its exchange takes {machine.exchange_seconds} s")


def _occupied(book: Book) -> dict[str, list[tuple[int, int, str]]]:
    """When plates that do not stay are on each machine: ``(start, end, who)``, the run's first task or, without one, its plate."""
    found: dict[str, list[tuple[int, int, str]]] = {machine: [] for machine in book.machines}
    for trip in book.trips:
        if trip.run.machine is not None and not trip.stays:
            start = _arrival(book, trip)
            if start is not None:
                who = trip.chain[0].id if trip.chain else f"plate {trip.run.plate}"
                found[trip.run.machine].append((start, trip.pull.end if trip.pull else book.horizon_end, who))
    for run in book.floor_left_out:
        if run.machine is not None and book.plates[run.plate].stays_in is None:
            found[run.machine].append((book.now, book.horizon_end, f"plate {run.plate}"))
    return found


def _arrival(book: Book, trip: Trip) -> int | None:
    if trip.place is not None:
        return trip.place.start
    return book.now if trip.floor is not None and trip.floor.on_machine else None


def _positions(book: Book, machine: Machine, stands: list[tuple[int, int, str]]) -> Iterator[Finding]:
    room = machine.places - sum(plate.stays_in == machine.id for plate in book.plates.values())
    events = sorted([(end, -1, name) for _, end, name in stands] + [(start, 1, name) for start, _, name in stands])
    on_machine = 0
    for instant, change, name in events:
        on_machine += change
        if change > 0 and on_machine > room:
            tasks = (name,) if name in book.tasks else ()
            yield Finding("F6", tasks, f"machine {machine.id} has no free position at {book.at(instant)}")


def _loads(book: Book, machine: Machine, tasks: list[Task]) -> Iterator[Finding]:
    """Loads and unloads of plates that stay happen in the machine, which must not cut then."""
    cuts = [(cut.start, cut.end) for cut in book.cuts[machine.id] if cut.start < cut.end]
    for task in tasks:
        if task.kind in ("load", "unload") and overlapped(cuts, task.start, task.end):
            yield Finding("F10", (task.id,), f"{task.id} happens in machine {machine.id} while it cuts")
