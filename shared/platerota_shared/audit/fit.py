"""F5: a loaded plate fits the machine."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.trip import Trip, ids
from platerota_shared.tables import Machine, Plate


def faults(book: Book) -> Iterator[Finding]:
    """Runs on a machine that cannot take them; a plate that stood there before `now` is no choice of the plan."""
    for trip in book.trips:
        chosen = trip.place is not None or (trip.stays and trip.load is not None)
        if trip.run.machine is not None and chosen:
            machine, plate = book.machines[trip.run.machine], book.plates[trip.run.plate]
            for words in _misfits(book, trip, machine, plate):
                yield Finding("F5", ids(trip.chain), f"run {trip.run.id}: {words}")


def _misfits(book: Book, trip: Trip, machine: Machine, plate: Plate) -> Iterator[str]:
    fixture = book.fixtures[trip.run.fixture]
    if plate.mount != machine.mount:
        yield f"plate {plate.id} has mount {plate.mount}, machine {machine.id} has {machine.mount}"
    if not _inside(plate, machine):
        yield f"plate {plate.id} is larger than the travels of machine {machine.id}"
    if machine.max_mass is not None:
        mass = loaded_mass(book, trip)
        if mass > _exact(machine.max_mass):
            yield f"the loaded plate weighs {float(mass):g} kg, machine {machine.id} bears {machine.max_mass:g} kg"
    if fixture.machines and machine.id not in fixture.machines:
        yield f"fixture {fixture.id} is not made for machine {machine.id}"
    tools = len(book.tools[fixture.id].union(machine.tools))
    if machine.tool_slots is not None and tools > machine.tool_slots:
        yield f"fixture {fixture.id} and the resident tools need {tools} slots, machine {machine.id} has {machine.tool_slots}"


def loaded_mass(book: Book, trip: Trip) -> Fraction:
    """The mass of the plate, its fixture and the pieces on it in kg, exact in decimals."""
    stock = sum(row.pieces * _exact(book.operations[row.part, row.op].stock_mass) for row in trip.run.pieces)
    return _exact(book.plates[trip.run.plate].mass) + _exact(book.fixtures[trip.run.fixture].mass) + stock


def _exact(value: float) -> Fraction:
    return Fraction(str(value))


def _inside(plate: Plate, machine: Machine) -> bool:
    x, y = machine.travel_x, machine.travel_y
    return (plate.size_x <= x and plate.size_y <= y) or (plate.size_x <= y and plate.size_y <= x)
