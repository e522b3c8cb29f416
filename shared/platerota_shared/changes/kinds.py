"""The kinds of what-if change, one class each. A change is flat: its `kind`, and the fields of the row that it adds or changes."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

from pydantic import Field

from platerota_shared.fields import Break, Count, Day, Flag, Id, Instant, LocalDate, LocalTime, Number, OpNumber, Points, Seconds, Whole
from platerota_shared.tables import Closure, Fixture, Machine, NamedRow, Nest, Operation, Operator, Order, Plate, Row, Shift

MAX_CHANGES: Final = 200
"""The most changes of one list."""


class AddOrder(Order):
    """One more order: the fields of a row of `orders`."""

    kind: Literal["add_order"]
    """Which change it is."""


class ChangeOrder(Row):
    """Other figures for an order that is there; a field that is not given stays as it is."""

    kind: Literal["change_order"]
    """Which change it is."""
    order: Id
    """The order."""
    quantity: Count | None = None
    """How many pieces now; at least those done and under way."""
    due: Instant | None = None
    """When they are due now."""
    weight: Annotated[Number, Field(ge=0.0, le=1e6)] | None = None
    """How much its lateness counts now."""
    release: Instant | None = None
    """When the material is there now; null: it is there."""


class DropOrder(Row):
    """An order less; its pieces that wait on the floor leave with it. One with pieces on a plate cannot be dropped."""

    kind: Literal["drop_order"]
    """Which change it is."""
    order: Id
    """The order."""


class Close(Closure):
    """A machine, plate, operator or (none named) the whole shop does nothing for a while: the fields of a row of `closures`."""

    kind: Literal["close"]
    """Which change it is."""


class AddShift(Shift):
    """One more shift of an operator: the fields of a row of `shifts`."""

    kind: Literal["add_shift"]
    """Which change it is."""


class OwnShift(Row):
    """A shift of the operator who is added with it: a row of `shifts` without its operator."""

    days: Annotated[tuple[Day, ...], Field(min_length=1, max_length=7)]
    """The days of the week on which it starts."""
    start: LocalTime
    """When it starts, local time HH:MM."""
    end: LocalTime
    """When it ends, local time HH:MM, 24:00 allowed; at or before `start`: on the next day."""
    from_: Annotated[LocalDate | None, Field(alias="from")] = None
    """The first date on which it starts; null: no first one."""
    to: LocalDate | None = None
    """The last date on which it starts; null: no last one."""
    breaks: Annotated[tuple[Break, ...], Field(max_length=50)] = ()
    """Breaks, local times HH:MM-HH:MM; a time earlier than the shift's start is on the next day."""
    overtime: Flag = False
    """Overtime: the shift is used only where it pays."""


class AddOperator(Operator):
    """One more person: the fields of a row of `operators`, and the shifts."""

    kind: Literal["add_operator"]
    """Which change it is."""
    shifts: Annotated[tuple[OwnShift, ...], Field(min_length=1, max_length=100)]
    """When this person works, rows of `shifts` without the operator; at least one."""


class AddPlate(Plate):
    """One more plate: the fields of a row of `plates`."""

    kind: Literal["add_plate"]
    """Which change it is."""


class CopyPlate(NamedRow):
    """A second plate like one that is there, with the same fixture on it and nothing in its nests."""

    kind: Literal["copy_plate"]
    """Which change it is."""
    plate: Id
    """The plate to copy; `id` is that of the copy."""
    stays_in: Id | None = None
    """The machine that the copy never leaves, or null: it travels. Not given: as the first plate."""


class AddMachine(Machine):
    """One more mill: the fields of a row of `machines`."""

    kind: Literal["add_machine"]
    """Which change it is."""


class CopyMachine(NamedRow):
    """A second mill like one that is there, empty; every fixture that names the first one may run on the copy too."""

    kind: Literal["copy_machine"]
    """Which change it is."""
    machine: Id
    """The mill to copy; `id` is that of the copy. Closures are not copied."""


class AddOperation(Operation):
    """One more op of a part, or the first one of a new part: the fields of a row of `operations`."""

    kind: Literal["add_operation"]
    """Which change it is."""


class AddFixture(Fixture):
    """One more fixture: the fields of a row of `fixtures`; on a plate that is added with it, or to be built."""

    kind: Literal["add_fixture"]
    """Which change it is."""


class AddNest(Nest):
    """Nests of a fixture for a part and op that it had none for: the fields of a row of `nests`."""

    kind: Literal["add_nest"]
    """Which change it is."""


class NestCount(Row):
    """How many pieces of one part and op the changed fixture holds."""

    part: Id
    """The part that these nests hold."""
    op: OpNumber
    """The op for which they hold it."""
    count: Annotated[Whole, Field(ge=1, le=10_000)]
    """How many such pieces it holds now."""


class ChangeFixture(Row):
    """Other times or nests of a fixture; what is not given stays as it is. Times in seconds as in `fixtures`."""

    kind: Literal["change_fixture"]
    """Which change it is."""
    fixture: Id
    """The fixture."""
    load_seconds: Seconds | None = None
    """Hand work of each load, whatever the pieces, seconds."""
    unload_seconds: Seconds | None = None
    """Hand work of each unload, whatever the pieces, seconds."""
    load_piece_seconds: Seconds | None = None
    """Hand work of a load for each piece, seconds."""
    unload_piece_seconds: Seconds | None = None
    """Hand work of an unload for each piece, seconds."""
    clamps: Annotated[Whole, Field(ge=0, le=10_000)] | None = None
    """Clamps to tighten and to release in each run."""
    clamp_seconds: Seconds | None = None
    """Hand work to tighten one clamp, seconds."""
    release_seconds: Seconds | None = None
    """Hand work to release one clamp, seconds."""
    cycle_seconds: Seconds | None = None
    """Fixed part of each cut, seconds."""
    build_seconds: Seconds | None = None
    """Hand work to build it on a blank plate, seconds; null: it cannot be built."""
    nests: Annotated[tuple[NestCount, ...], Field(max_length=1_000)] = ()
    """Nests by part and op: another count where the fixture has such nests, one row more where not."""


class AllowMachine(Row):
    """One more machine on which a fixture may run."""

    kind: Literal["allow_machine"]
    """Which change it is."""
    fixture: Id
    """The fixture; one that names no machines runs on any that fits already."""
    machine: Id
    """The machine."""


class OtherRates(Row):
    """Points of the score, each optional: one that is not given stays as it is."""

    late_hour: Points | None = None
    """For each hour that an order finishes after it is due, times its weight."""
    finish_hour: Points | None = None
    """For each hour from `now` to an order's finish, times its weight."""
    overtime_hour: Points | None = None
    """For each hour worked where only overtime shifts cover."""
    setup: Points | None = None
    """For each setup."""
    makespan_hour: Points | None = None
    """For each hour from `now` to the last order's finish."""
    moved_task: Points | None = None
    """For each task moved against the plan that is being replanned."""
    unplaced_order: Points | None = None
    """For each order that is not placed, times its weight."""


class ChangeSettings(Row):
    """Other settings; what is not given stays as it is."""

    kind: Literal["change_settings"]
    """Which change it is."""
    horizon_days: Annotated[Whole, Field(ge=1, le=120)] | None = None
    """Days that the plan covers, from `now`."""
    solve_seconds: Annotated[Number, Field(gt=0.0, le=600.0)] | None = None
    """Wall time for the optimiser, seconds."""
    seed: Annotated[Whole, Field(ge=0, le=2**31 - 1)] | None = None
    """The start of the optimiser's random numbers."""
    repeatable: Flag | None = None
    """Count work instead of wall time."""
    score: OtherRates | None = None
    """What counts as better, in points."""


Change = Annotated[
    AddOrder | ChangeOrder | DropOrder | Close | AddShift | AddOperator | AddPlate | CopyPlate | AddMachine | CopyMachine | AddOperation
    | AddFixture | AddNest | ChangeFixture | AllowMachine | ChangeSettings,
    Field(discriminator="kind"),
]
"""One what-if change, by its `kind`."""

KINDS: Final[dict[str, type[Row]]] = {
    "add_order": AddOrder, "change_order": ChangeOrder, "drop_order": DropOrder, "close": Close, "add_shift": AddShift,
    "add_operator": AddOperator, "add_plate": AddPlate, "copy_plate": CopyPlate, "add_machine": AddMachine, "copy_machine": CopyMachine,
    "add_operation": AddOperation, "add_fixture": AddFixture, "add_nest": AddNest,
    "change_fixture": ChangeFixture, "allow_machine": AllowMachine, "change_settings": ChangeSettings,
}
"""Kind -> its class."""

EXAMPLES: Final[dict[str, dict[str, Any]]] = {
    "add_order": {"kind": "add_order", "id": "RUSH-1", "part": "bracket", "quantity": 12, "due": "2027-03-03T12:00:00", "weight": 3},
    "change_order": {"kind": "change_order", "order": "O-101", "quantity": 60, "due": "2027-03-05T12:00:00"},
    "drop_order": {"kind": "drop_order", "order": "O-104"},
    "close": {
        "kind": "close", "machine": "M1", "start": "2027-03-02T08:00:00", "end": "2027-03-02T16:00:00", "reason": "spindle bearing",
    },
    "add_shift": {
        "kind": "add_shift", "operator": "Ann", "days": ["sat"], "start": "06:00", "end": "12:00", "from": "2027-03-06", "to": "2027-03-06",
        "overtime": True,
    },
    "add_operator": {
        "kind": "add_operator", "id": "Helper", "skills": ["load", "unload", "bench"], "hour_cost": 30,
        "shifts": [{"days": ["mon", "tue", "wed", "thu", "fri"], "start": "14:00", "end": "22:00", "breaks": ["18:00-18:30"]}],
    },
    "add_plate": {"kind": "add_plate", "id": "P9", "mount": "A", "size_x": "16 in", "size_y": 300, "mass": "24 lb", "fixture": "F10"},
    "copy_plate": {"kind": "copy_plate", "plate": "P1", "id": "P1-second"},
    "add_machine": {"kind": "add_machine", "id": "M9", "mount": "A", "travel_x": 600, "travel_y": 400, "max_mass": 150, "hour_cost": 60},
    "copy_machine": {"kind": "copy_machine", "machine": "M1", "id": "M1-second"},
    "add_operation": {"kind": "add_operation", "part": "bracket", "op": 20, "cut_seconds": 240, "stock_mass": "2 lb"},
    "add_fixture": {
        "kind": "add_fixture", "id": "F30", "load_seconds": 90, "unload_seconds": 60, "build_seconds": 7200, "mount": "A",
    },
    "add_nest": {"kind": "add_nest", "fixture": "F20", "part": "bracket", "op": 10, "count": 4},
    "change_fixture": {
        "kind": "change_fixture", "fixture": "F10", "load_piece_seconds": 20, "nests": [{"part": "bracket", "op": 10, "count": 6}],
    },
    "allow_machine": {"kind": "allow_machine", "fixture": "F10", "machine": "M2"},
    "change_settings": {"kind": "change_settings", "horizon_days": 14, "score": {"overtime_hour": 10}},
}
"""Kind -> one example of it, as a caller would send it."""
