"""Orders that nothing in the shop could ever make (F3, F5, F16).

An order that could be made but not before the horizon ends is no fault: the plan says so.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil

from platerota_shared.checks.fit import Fits
from platerota_shared.faults import Fault, listed
from platerota_shared.request_tables import RequestTables
from platerota_shared.tables import Fixture, Machine, Order, Plate

MOST_RUNS = 30_000
"""Runs of a plate that one request may need; ten times the largest week that the bench measures."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way to make an op: a plate with its fixture (built first or not) in a machine."""

    plate: Plate
    fixture: Fixture
    machine: Machine
    built: bool


@dataclass(frozen=True, slots=True)
class _Op:
    part: str
    op: int
    orders: tuple[Order, ...]

    def __str__(self) -> str:
        return f"part {self.part} op {self.op}"


def ways(tables: RequestTables, fits: Fits, part: str, op: int) -> Iterator[Way]:
    """Every way to make one piece of an op, plates that stand ready before those that must be built."""
    stock = fits.stock(part, op)
    fixtures = _fixtures(tables, part, op)
    for fixture in fixtures:
        for plate in tables.plates_by_fixture.get(fixture.id, ()):
            yield from (Way(plate, fixture, machine, built=False) for machine in fits.machines_for(plate, fixture, stock))
    for fixture in fixtures:
        for plate in fits.blanks(fixture):
            yield from (Way(plate, fixture, machine, built=True) for machine in fits.machines_for(plate, fixture, stock))


def orders_cannot_be_made(tables: RequestTables, fits: Fits) -> Iterator[Fault]:
    """A fault for each op without a nest and each fixture without a plate in a machine, where an order needs it."""
    stranded: dict[tuple[str, ...], list[_Op]] = defaultdict(list)
    for (part, op), orders in tables.needed.items():
        if tables.nests.may_hold(part=part, op=op):
            continue
        names = tuple(dict.fromkeys(nest.fixture for nest in tables.nests_by_op.get((part, op), ())))
        if not names:
            yield _no_nest(tables, _Op(part, op, tuple(orders)))
        elif not _in_doubt(tables, fits, names) and next(ways(tables, fits, part, op), None) is None:
            stranded[names].append(_Op(part, op, tuple(orders)))
    for names, ops in stranded.items():
        yield _stranded(tables, fits, names, ops)


def too_many_runs(tables: RequestTables) -> Iterator[Fault]:
    """A fault where the orders need more runs than can be planned, counted by the fixture with the most nests for each op."""
    pieces: dict[tuple[str, int], int] = {
        key: sum(order.quantity for order in orders) for key, orders in tables.needed.items() if key in tables.nests_by_op
    }
    runs: dict[str, int] = defaultdict(int)
    for (part, op), count in pieces.items():
        # Nests of several ops on one fixture are filled by the same runs, so only the op with the most counts.
        runs[part] = max(runs[part], ceil(count / max(nest.count for nest in tables.nests_by_op[part, op])))
    if sum(runs.values()) > MOST_RUNS:
        worst = max(runs, key=lambda part: runs[part])
        yield Fault(
            "/orders", "too-many-runs",
            f"the orders need about {sum(runs.values()):,} runs of a plate, {runs[worst]:,} of them for part {worst};"
            f" the most is {MOST_RUNS:,}",
            "correct the quantities and the nests, or plan fewer orders at once",
        )


def _fixtures(tables: RequestTables, part: str, op: int) -> list[Fixture]:
    names = dict.fromkeys(nest.fixture for nest in tables.nests_by_op.get((part, op), ()))
    return [fixture for name in names if (fixture := tables.fixtures.row(name)) is not None]


def _in_doubt(tables: RequestTables, fits: Fits, names: tuple[str, ...]) -> bool:
    """Whether a row with a fault of its own might be the way that is missing."""
    for name in names:
        fixture = tables.fixtures.row(name)
        if fixture is None or tables.fixtures.may_hold(id=name) or tables.plates.may_hold(fixture=name):
            return True
        if any(fits.doubtful(plate) for plate in tables.plates_by_fixture.get(name, ())):
            return True
        if fixture.build_seconds is not None and (tables.plates.may_hold(fixture=None) or tables.machines.may_hold()):
            return True
    return False


def _no_nest(tables: RequestTables, op: _Op) -> Fault:
    wanted = (record for record in tables.operations.records if record.value("part") == op.part and record.value("op") == op.op)
    return Fault(
        next(wanted).pointer, "no-nest", f"no fixture has a nest for {op}, which {_orders([op])}",
        "add a row to nests with the fixture that holds it",
    )


def _stranded(tables: RequestTables, fits: Fits, names: tuple[str, ...], ops: list[_Op]) -> Fault:
    """Why none of the fixtures `names`, the only ones for `ops`, can be in a machine."""
    place = tables.fixtures.by_id()[names[0]].pointer
    fixtures = [row for name in names if (row := tables.fixtures.row(name)) is not None]
    plates = [plate for name in names for plate in tables.plates_by_fixture.get(name, ())]
    what = f"fixture {' and '.join(names)}, the only one for {listed([str(op) for op in ops])}, which {_orders(ops)}"
    if not plates:
        return _no_plate(fits, place, what, fixtures)
    # Each plate fits a machine with the lightest piece its fixture holds, or it would be in doubt; these pieces are heavier.
    plate, stock = plates[0], min(fits.stock(op.part, op.op) for op in ops)
    return Fault(
        tables.plates.by_id()[plate.id].pointer, "no-machine",
        f"no machine takes plate {plate.id} with {what}: {fits.reasons(plate, tables.fixtures.row(plate.fixture), stock)}",
        "correct masses and limits, or add a machine",
    )


def _no_plate(fits: Fits, place: str, what: str, fixtures: list[Fixture]) -> Fault:
    buildable = [fixture for fixture in fixtures if fixture.build_seconds is not None]
    if not buildable:
        return Fault(place, "no-plate", f"no plate carries {what}", "name the fixture on a plate, or give build_seconds and a blank plate")
    fixture = buildable[0]
    if not fits.blanks(fixture):
        mount = f"mount '{fixture.mount}'" if fixture.mount is not None else "any mount"
        size = f"at least {fixture.min_size_x or 0:g} x {fixture.min_size_y or 0:g} mm"
        return Fault(
            place, "no-blank-plate", f"no blank plate ({mount}, {size}) is there to build {what}",
            "add a blank plate, or correct mount and min size",
        )
    return Fault(
        place, "no-machine", f"no machine takes a blank plate with {what}", "correct masses, tool slots and limits, or add a machine",
    )


def _orders(ops: list[_Op]) -> str:
    names = list(dict.fromkeys(order.id for op in ops for order in op.orders))
    return f"order {names[0]} needs" if len(names) == 1 else f"orders {listed(names)} need"
