"""A request under examination: its tables with whatever could be read of them.

What is asked of the tables over and over (which nests an op has, which plates carry a fixture, what is left to make) is
indexed here once.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Self, TypeVar
from zoneinfo import ZoneInfo

from platerota_shared.records import Record, Table
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import (
    Closure,
    Fixture,
    FloorPieces,
    LastFixture,
    Machine,
    Nest,
    Operation,
    Operator,
    Order,
    PlanRequest,
    Plate,
    Row,
    RunningCut,
    Shift,
    Shop,
    WaitingRun,
)

R = TypeVar("R", bound=Row)
K = TypeVar("K", bound=Hashable)


def _whole(rows: Iterable[R]) -> Table[R]:
    return Table([Record("", "", {}, row) for row in rows])


def _grouped_by(table: Table[R], key: Callable[[R], K]) -> dict[K, list[R]]:
    groups: dict[K, list[R]] = defaultdict(list)
    for row in table.rows():
        groups[key(row)].append(row)
    return dict(groups)


@dataclass
class RequestTables:
    """The tables of a request; `now` and `horizon_end` in UTC seconds, None where they could not be read."""

    zone: ZoneInfo
    now: int | None
    horizon_end: int | None
    machines: Table[Machine]
    plates: Table[Plate]
    fixtures: Table[Fixture]
    nests: Table[Nest]
    operations: Table[Operation]
    operators: Table[Operator]
    shifts: Table[Shift]
    closures: Table[Closure]
    orders: Table[Order]
    pieces: Table[FloorPieces]
    last_fixtures: Table[LastFixture]
    running: Table[RunningCut]
    waiting: Table[WaitingRun]
    suggestions: Suggestions = field(default_factory=Suggestions)

    @classmethod
    def of(cls, request: PlanRequest) -> Self:
        """The tables of a request that was accepted: nothing in them is in doubt."""
        shop, floor = request.shop, request.floor
        return cls(
            zone=shop.zone, now=request.now, horizon_end=request.horizon_end, machines=_whole(shop.machines), plates=_whole(shop.plates),
            fixtures=_whole(shop.fixtures), nests=_whole(shop.nests), operations=_whole(shop.operations), operators=_whole(shop.operators),
            shifts=_whole(shop.shifts), closures=_whole(shop.closures), orders=_whole(request.orders), pieces=_whole(floor.pieces),
            last_fixtures=_whole(floor.last_fixtures), running=_whole(floor.running), waiting=_whole(floor.waiting),
        )

    @cached_property
    def shop(self) -> Shop:
        """The shop as far as it could be read."""
        return Shop(
            timezone=self.zone.key, machines=self.machines.rows(), plates=self.plates.rows(), fixtures=self.fixtures.rows(),
            nests=self.nests.rows(), operations=self.operations.rows(), operators=self.operators.rows(), shifts=self.shifts.rows(),
            closures=tuple(row for row in self.closures.rows() if row.start < row.end),
        )

    @cached_property
    def part_ops(self) -> dict[str, list[int]]:
        """The ops of each part, ascending, those of faulty rows included where they can be read."""
        ops: dict[str, set[int]] = defaultdict(set)
        for record in self.operations.records:
            part, op = record.value("part"), record.value("op")
            if isinstance(part, str) and isinstance(op, (int, float)) and "op" not in record.doubts:
                ops[part].add(int(op))
        return {part: sorted(found) for part, found in ops.items()}

    @cached_property
    def operation_records(self) -> dict[tuple[str, int], Record[Operation]]:
        """Good records of operations by part and op; the first of two."""
        found: dict[tuple[str, int], Record[Operation]] = {}
        for record, row in self.operations.good():
            found.setdefault((row.part, row.op), record)
        return found

    def operation(self, part: str, op: int) -> Operation | None:
        """The good row of that part and op, or None."""
        record = self.operation_records.get((part, op))
        return record.row if record is not None else None

    @cached_property
    def nests_by_op(self) -> dict[tuple[str, int], list[Nest]]:
        """Good nest rows by part and op."""
        return _grouped_by(self.nests, lambda row: (row.part, row.op))

    @cached_property
    def nests_by_fixture(self) -> dict[str, list[Nest]]:
        """Good nest rows by fixture."""
        return _grouped_by(self.nests, lambda row: row.fixture)

    @cached_property
    def plates_by_fixture(self) -> dict[str | None, list[Plate]]:
        """Good plates by the fixture on them; blank ones under None."""
        return _grouped_by(self.plates, lambda row: row.fixture)

    @cached_property
    def machines_by_mount(self) -> dict[str, list[Machine]]:
        """Good machines by mount."""
        return _grouped_by(self.machines, lambda row: row.mount)

    @cached_property
    def staying(self) -> Counter[str]:
        """How many plates stay in each machine for good."""
        return Counter(plate.stays_in for plate in self.plates.rows() if plate.stays_in is not None)

    @cached_property
    def last_on(self) -> dict[str, str | None]:
        """The fixture whose tools each machine holds at `now` (F8): the one cutting there, else `last_fixtures`."""
        held: dict[str, str | None] = {row.machine: row.fixture for row in self.last_fixtures.rows()}
        for row in self.running.rows():
            plate = self.plates.row(row.plate)
            held[row.machine] = plate.fixture if plate is not None else None
        return held

    @cached_property
    def under_way(self) -> Counter[tuple[str, int]]:
        """Pieces in runs on the floor, by order and op."""
        counted: Counter[tuple[str, int]] = Counter()
        runs: list[RunningCut | WaitingRun] = [*self.running.rows(), *self.waiting.rows()]
        for run in runs:
            counted[run.order, run.op] += run.pieces
        return counted

    @cached_property
    def through(self) -> Counter[tuple[str, int]]:
        """Pieces done and waiting, by order and the op they are through."""
        counted: Counter[tuple[str, int]] = Counter()
        for row in self.pieces.rows():
            counted[row.order, row.op] += row.pieces
        return counted

    @cached_property
    def _beyond(self) -> dict[str, list[tuple[int, int]]]:
        found: dict[str, list[tuple[int, int]]] = defaultdict(list)
        for (order, op), count in (*self.through.items(), *self.under_way.items()):
            found[order].append((op, count))
        return found

    def left(self, order: Order, op: int) -> int:
        """Pieces of `op` that new runs must make (F13): ordered, less those through it or in a floor run of it or later."""
        return order.quantity - sum(count for done, count in self._beyond.get(order.id, ()) if done >= op)

    @cached_property
    def needed(self) -> dict[tuple[str, int], list[Order]]:
        """The orders that surely need new runs of a part and op; one whose rows on the floor are in doubt is left out."""
        found: dict[tuple[str, int], list[Order]] = defaultdict(list)
        for order in self.orders.rows():
            if any(table.may_hold(order=order.id) for table in (self.pieces, self.running, self.waiting)):
                continue
            for op in self.part_ops.get(order.part, ()):
                if self.left(order, op) > 0:
                    found[order.part, op].append(order)
        return found
