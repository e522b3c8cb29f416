"""Whether a plate fits a machine (F5), said as the reason why not."""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.request_tables import RequestTables
from platerota_shared.tables import Fixture, Machine, Plate

MASS_SLACK = 1e-6
"""Kilograms by which sums of masses may be off, because pounds and ounces do not add up exactly."""


def within(size_x: float, size_y: float, room_x: float, room_y: float) -> bool:
    """Whether a plate of that size lies within the room, in either orientation; all in mm."""
    return (size_x <= room_x and size_y <= room_y) or (size_y <= room_x and size_x <= room_y)


class Fits:
    """Answers whether plates fit machines; remembers what each fixture weighs and needs."""

    def __init__(self, tables: RequestTables) -> None:
        self._tables = tables
        self._tools: dict[str, frozenset[str]] = {}
        self._blanks: dict[tuple[str | None, float, float], list[Plate]] = {}

    def tools(self, fixture: str) -> frozenset[str]:
        """The tools of every op in the nests of a fixture."""
        if fixture not in self._tools:
            rows = (self._tables.operation(nest.part, nest.op) for nest in self._tables.nests_by_fixture.get(fixture, ()))
            self._tools[fixture] = frozenset(tool for row in rows if row is not None for tool in row.tools)
        return self._tools[fixture]

    def stock(self, part: str, op: int) -> float:
        """The mass of one piece as loaded, kg; 0 where its operation could not be read."""
        row = self._tables.operation(part, op)
        return row.stock_mass if row is not None else 0.0

    def lightest(self, fixture: str) -> float:
        """The mass of the lightest piece that the fixture has a nest for, kg."""
        return min((self.stock(nest.part, nest.op) for nest in self._tables.nests_by_fixture.get(fixture, ())), default=0.0)

    def blanks(self, fixture: Fixture) -> list[Plate]:
        """The plates on which `fixture` can be built (F16): blank, of its mount, at least its min size in either orientation."""
        if fixture.build_seconds is None:
            return []
        mount, size_x, size_y = key = (fixture.mount, fixture.min_size_x or 0.0, fixture.min_size_y or 0.0)
        if key not in self._blanks:
            self._blanks[key] = [
                plate for plate in self._tables.plates_by_fixture.get(None, ())
                if mount in (None, plate.mount) and within(size_x, size_y, plate.size_x, plate.size_y)
            ]
        return self._blanks[key]

    def misfit(self, plate: Plate, machine: Machine, fixture: Fixture | None, stock: float) -> str | None:
        """Why `machine` cannot take `plate` with `fixture` and `stock` kg of pieces on it, or None where it can."""
        if plate.mount != machine.mount:
            return f"{machine.id} has mount '{machine.mount}'"
        if not within(plate.size_x, plate.size_y, machine.travel_x, machine.travel_y):
            return f"{machine.id} has travels of {machine.travel_x:g} x {machine.travel_y:g} mm"
        mass = plate.mass + stock + (fixture.mass if fixture is not None else 0.0)
        if machine.max_mass is not None and mass > machine.max_mass + MASS_SLACK:
            return f"{machine.id} carries at most {machine.max_mass:g} kg, and the plate with one load weighs {mass:g} kg"
        if fixture is not None and fixture.machines and machine.id not in fixture.machines:
            return f"{machine.id} is not among the machines of fixture {fixture.id}"
        if fixture is not None and machine.tool_slots is not None:
            count = len(self.tools(fixture.id) | set(machine.tools))
            if count > machine.tool_slots:
                return f"{machine.id} has {machine.tool_slots} tool slots, and {count} tools would be in it"
        return self._occupied(plate, machine)

    def _occupied(self, plate: Plate, machine: Machine) -> str | None:
        """A machine whose every position is held by plates that stay takes no other."""
        if plate.stays_in is None and self._tables.staying[machine.id] >= machine.places:
            return f"{machine.id} has no position left beside the plates that stay in it"
        return None

    def candidates(self, plate: Plate) -> list[Machine]:
        """The machines worth asking for `plate`: the one it stays in, else those of its mount."""
        if plate.stays_in is None:
            return self._tables.machines_by_mount.get(plate.mount, [])
        machine = self._tables.machines.row(plate.stays_in)
        return [machine] if machine is not None else []

    def machines_for(self, plate: Plate, fixture: Fixture | None, stock: float) -> Iterator[Machine]:
        """The machines that take `plate` with `fixture` and `stock` kg of pieces on it."""
        return (machine for machine in self.candidates(plate) if self.misfit(plate, machine, fixture, stock) is None)

    def reasons(self, plate: Plate, fixture: Fixture | None, stock: float) -> str:
        """Why no machine takes the plate, the first three machines named."""
        asked = self.candidates(plate)
        said = [reason for machine in asked[:3] if (reason := self.misfit(plate, machine, fixture, stock)) is not None]
        return "; ".join(said) + (f"; and {len(asked) - 3} more" if len(asked) > 3 else "")

    def doubtful(self, plate: Plate) -> bool:
        """Whether some machine in doubt might take `plate`, or what stands on it is in doubt."""
        machines, fixtures = self._tables.machines, self._tables.fixtures
        in_doubt = machines.may_hold(id=plate.stays_in) if plate.stays_in is not None else machines.may_hold(mount=plate.mount)
        return in_doubt or (plate.fixture is not None and fixtures.may_hold(id=plate.fixture))
