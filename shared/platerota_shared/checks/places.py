"""Machines and plates that do not go together (F5, F6, F7, F10)."""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.checks.fit import Fits
from platerota_shared.faults import Fault, listed, shown
from platerota_shared.records import Record
from platerota_shared.request_tables import RequestTables
from platerota_shared.tables import Machine, Plate


def misfits(tables: RequestTables, fits: Fits) -> Iterator[Fault]:
    """A fault for each machine that contradicts itself and each plate that no machine takes; they are in doubt from then on."""
    for record, machine in tables.machines.good():
        for fault in _machine(tables, record, machine):
            tables.machines.doubt(record, "positions")
            yield fault
    if not tables.machines.records and tables.plates.records and not tables.machines.unread:
        yield Fault("/shop/machines", "no-machine", "the shop has plates, but no machine that takes them", "add the machines")
        tables.machines.unread = True
    for plate_record, plate in tables.plates.good():
        misfit = None if plate_record.doubts or fits.doubtful(plate) else _plate(tables, fits, plate_record, plate)
        if misfit is not None:
            tables.plates.doubt(plate_record, "machine")
            yield misfit


def _machine(tables: RequestTables, record: Record[Machine], machine: Machine) -> Iterator[Fault]:
    if machine.automatic and machine.places < 2:
        yield Fault(
            record.pointer + "/positions", "too-few-positions",
            f"{record.label} exchanges plates automatically, but has {machine.places} position",
            "give at least 2 positions, or exchange by hand",
        )
    tools = len(set(machine.tools))
    if machine.tool_slots is not None and tools > machine.tool_slots:
        yield Fault(
            record.pointer + "/tools", "too-many-tools", f"{record.label} has {tools} resident tools in {machine.tool_slots} tool slots",
            "name fewer resident tools, or more slots",
        )
    if tables.staying[machine.id] > machine.places:
        names = [plate.id for plate in tables.plates.rows() if plate.stays_in == machine.id]
        yield Fault(
            record.pointer + "/positions", "too-many-plates",
            f"{record.label} has {machine.places} positions, but {listed(names)} all stay in it",
            "give it more positions, or let a plate travel",
        )


def _plate(tables: RequestTables, fits: Fits, record: Record[Plate], plate: Plate) -> Fault | None:
    fixture = tables.fixtures.row(plate.fixture)
    stock = fits.lightest(fixture.id) if fixture is not None else 0.0
    if next(fits.machines_for(plate, fixture, stock), None) is not None:
        return None
    if plate.stays_in is not None:
        return Fault(
            record.pointer + "/stays_in", "stays-misfit", f"{record.label} cannot stay there: {fits.reasons(plate, fixture, stock)}",
            "name a machine that takes it, or let it travel",
        )
    if not fits.candidates(plate):
        mounts = tables.machines.texts("mount")
        return Fault(
            record.pointer + "/mount", "no-machine", f"{record.label} has mount {shown(plate.mount)}, but no machine has that mount",
            tables.suggestions.mend(plate.mount, mounts, f"name the mount of a machine: {listed(sorted(mounts))}"),
        )
    return Fault(
        record.pointer, "no-machine",
        f"no machine takes {record.label} of {plate.size_x:g} x {plate.size_y:g} mm: {fits.reasons(plate, fixture, stock)}",
        "correct the size, mass or limits, or leave the plate out",
    )
