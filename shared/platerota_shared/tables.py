"""What goes in: one class per input table of the contract, one field per column.

All values are already in our units here (see :mod:`platerota_shared.fields`); reading raw input and reporting every
fault at once is the work of :mod:`platerota_shared.reading`.
"""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field

from platerota_shared.fields import (
    Break,
    Count,
    Day,
    Flag,
    Id,
    Instant,
    Length,
    LocalDate,
    LocalTime,
    Mass,
    Money,
    Number,
    OpNumber,
    Points,
    Seconds,
    Skill,
    Text,
    Tools,
    Whole,
)


class Row(BaseModel):
    """A row of an input table: unknown columns, NaN and infinities are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, use_attribute_docstrings=True)


class NamedRow(Row):
    """A row with an id, which may carry a name and a note."""

    id: Id
    """Unique in its table; every other row and the plan name it so."""
    name: Text | None = None
    """What people call it; shown in pictures and sheets."""
    note: Text | None = None
    """Free text; shown in pictures and sheets."""


class Machine(NamedRow):
    """A mill. Times in seconds, lengths in mm, masses in kg."""

    mount: Id
    """The interface between plate and machine: plates with the same mount fit."""
    travel_x: Length
    """X travel, mm; a plate lies within the travels in either orientation."""
    travel_y: Length
    """Y travel, mm."""
    max_mass: Mass | None = None
    """Most mass of a loaded plate (plate, fixture and stock), kg; null: no limit."""
    positions: Annotated[Whole, Field(ge=1, le=1_000)] | None = None
    """Plates on the machine at once; null: 1, with automatic exchange 2. Automatic needs at least 2."""
    exchange: Literal["hand", "automatic"] = "hand"
    """`hand`: a person exchanges plates while the spindle stands. `automatic`: at a load station, while it cuts."""
    place_seconds: Seconds = 10
    """Hand work to put a plate into the machine or its load station, seconds."""
    pull_seconds: Seconds = 10
    """Hand work to take a plate out, seconds."""
    exchange_seconds: Seconds = 20
    """Automatic exchange only: what the spindle waits between cuts of two plates, seconds."""
    setup_seconds: Seconds = 0
    """Fixed part of a setup, seconds; a setup is due before a cut of another fixture than the machine's last one."""
    tool_slots: Annotated[Whole, Field(ge=0, le=10_000)] | None = None
    """Most tools at once: those of the fixture's ops and the resident ones together; null: no limit."""
    tools: Tools = ()
    """Resident tools: always in the machine."""
    tool_load_seconds: Seconds = 60
    """Part of a setup for each tool to be loaded, seconds."""
    cut_factor: Annotated[Number, Field(gt=0.0, le=100.0)] = 1.0
    """Scales every cut here: 1.2 for an older mill that takes a fifth longer."""
    unattended_minutes: Annotated[Whole, Field(ge=0, le=200_000)] | None = None
    """Minutes that it may go on cutting after the last person's shift ended; null: no limit, 0: never alone."""
    hour_cost: Money = 0.0
    """Money per cutting hour."""

    @property
    def automatic(self) -> bool:
        """Whether plates are exchanged at a load station while the spindle cuts."""
        return self.exchange == "automatic"

    @property
    def places(self) -> int:
        """The plates it can hold at once: `positions`, or the default of its kind of exchange."""
        return self.positions if self.positions is not None else (2 if self.automatic else 1)


class Plate(NamedRow):
    """One physical fixture plate."""

    mount: Id
    """The interface to machines; it fits machines of the same mount."""
    size_x: Length
    """Size in X, mm."""
    size_y: Length
    """Size in Y, mm."""
    mass: Mass
    """Mass of the bare plate, kg."""
    fixture: Id | None = None
    """The fixture on it; null: a blank plate, on which one can be built."""
    stays_in: Id | None = None
    """The machine it never leaves, because it is too heavy or bolted down; it is loaded there. null: it travels."""


class Fixture(NamedRow):
    """The workholding on a plate: load and unload times in seconds, hardware mass in kg."""

    load_seconds: Seconds = 0
    """Hand work of each load, whatever the pieces, seconds."""
    unload_seconds: Seconds = 0
    """Hand work of each unload, whatever the pieces, seconds."""
    load_piece_seconds: Seconds = 0
    """Hand work of a load for each piece, seconds."""
    unload_piece_seconds: Seconds = 0
    """Hand work of an unload for each piece, seconds."""
    clamps: Annotated[Whole, Field(ge=0, le=10_000)] = 0
    """Clamps to tighten and to release in each run."""
    clamp_seconds: Seconds = 0
    """Hand work to tighten one clamp, seconds; part of the load."""
    release_seconds: Seconds = 0
    """Hand work to release one clamp, seconds; part of the unload."""
    cycle_seconds: Seconds = 0
    """Fixed part of each cut: tool changes, probing, rapids, seconds."""
    mass: Mass = 0.0
    """Mass of the hardware on the plate, kg."""
    machines: Annotated[tuple[Id, ...], Field(max_length=500)] = ()
    """The only machines that may cut it; empty: any that fits."""
    build_seconds: Seconds | None = None
    """Hand work to build it on a blank plate, seconds; null: it cannot be built."""
    mount: Id | None = None
    """The mount of plates it can be built on; null: any."""
    min_size_x: Length | None = None
    """Least size in X of a plate it can be built on, in either orientation, mm; null: any."""
    min_size_y: Length | None = None
    """Least size in Y of a plate it can be built on, mm; null: any."""


class Nest(Row):
    """How many pieces of one part and op a fixture holds."""

    fixture: Id
    """The fixture."""
    part: Id
    """The part that these nests hold."""
    op: OpNumber
    """The op for which they hold it."""
    count: Annotated[Whole, Field(ge=1, le=10_000)]
    """How many such pieces it holds."""


class Operation(Row):
    """One machining step of a part; `cut_seconds`, `bench_seconds` per piece, `stock_mass` in kg per piece."""

    part: Id
    """The part."""
    op: OpNumber
    """The number of the op; the ops of a part run in ascending order."""
    cut_seconds: Seconds
    """Cutting time of one piece, seconds."""
    tools: Tools = ()
    """The tools it needs."""
    stock_mass: Mass = 0.0
    """Mass of one piece as it is loaded, kg."""
    first_article_seconds: Seconds = 0
    """Check of the first pieces of each order before the rest may be cut, seconds; 0: none."""
    bench_seconds: Seconds = 0
    """Bench work after the op for each piece, seconds: deburring, washing, inspecting; 0: none."""
    after_seconds: Seconds = 0
    """Wait after the op before the next one, or before the order is finished, seconds: cooling, an outside process."""


class Operator(NamedRow):
    """A person; an empty list of skills means all of them."""

    skills: Annotated[tuple[Skill, ...], Field(max_length=7)] = ()
    """What this person can do; empty: everything. `exchange` is to place and pull plates."""
    hour_cost: Money = 0.0
    """Money per hour of work."""

    def can(self, skill: Skill) -> bool:
        """Whether this person may do work of `skill`."""
        return not self.skills or skill in self.skills


class Shift(Row):
    """A weekly shift of one operator; `start`, `end` and breaks in minutes after local midnight."""

    operator: Id
    """Whose shift it is."""
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


class Closure(Row):
    """A span in which a machine, a plate, an operator or (none named) the whole shop does nothing."""

    machine: Id | None = None
    """The machine that is closed."""
    plate: Id | None = None
    """The plate that is closed."""
    operator: Id | None = None
    """The operator who is away. Where no machine, plate or operator is named the whole shop is closed; at most one may be."""
    start: Instant
    """When it begins."""
    end: Instant
    """When it ends."""
    reason: Text | None = None
    """Why, for people."""
    present: bool = False
    """The operator is in the shop meanwhile, busy with something else: no planned work, and yet no mill cuts alone because of it."""


class Order(NamedRow):
    """A quantity of one part, with a due date; `release` None means the material is there."""

    part: Id
    """The part to make."""
    quantity: Count
    """How many pieces."""
    due: Instant
    """When they are due."""
    release: Instant | None = None
    """When the material is there; null: it is there now."""
    weight: Annotated[Number, Field(ge=0.0, le=1e6)] = 1.0
    """How much lateness of this order counts: 2 counts double."""


class FloorPieces(Row):
    """Pieces done through an op and waiting (for the last op: finished)."""

    order: Id
    """The order they belong to."""
    op: OpNumber
    """The op through which they are done; they wait for the next one, those of the last op are finished."""
    pieces: Count
    """How many; pieces that are in a run on the floor do not count here."""


class LastFixture(Row):
    """The fixture whose tools a machine holds at `now`."""

    machine: Id
    """The machine."""
    fixture: Id
    """The fixture of its last cut."""


class RunningCut(Row):
    """Pieces being cut at `now`; the rows of one plate are one run."""

    plate: Id
    """The plate that is being cut."""
    machine: Id
    """The machine that cuts it."""
    order: Id
    """The order that the pieces belong to."""
    op: OpNumber
    """The op that is being cut."""
    pieces: Count
    """How many pieces of that order and op are on the plate."""
    cut_end: Instant
    """When the cut ends."""


class WaitingRun(Row):
    """A run part-way at `now`; `machine` where it is placed or cut. The rows of one plate are one run."""

    plate: Id
    """The plate."""
    order: Id
    """The order that the pieces belong to."""
    op: OpNumber
    """The op for which they are on the plate."""
    pieces: Count
    """How many pieces of that order and op are on the plate."""
    stage: Literal["loaded", "placed", "cut", "pulled"]
    """How far the run is: `loaded` at the bench, `placed` in the machine, `cut` there, `pulled` and not unloaded yet."""
    machine: Id | None = None
    """The machine that it is in, where it is placed or cut; else null."""


class Shop(Row):
    """The tables that change seldom."""

    timezone: str
    """The shop's timezone by its name in the public database, such as Europe/Lisbon."""
    machines: tuple[Machine, ...] = ()
    """The mills, at most 500."""
    plates: tuple[Plate, ...] = ()
    """The fixture plates, at most 5,000."""
    fixtures: tuple[Fixture, ...] = ()
    """The fixtures, at most 5,000."""
    nests: tuple[Nest, ...] = ()
    """What each fixture holds: a row for each fixture, part and op, at most 20,000."""
    operations: tuple[Operation, ...] = ()
    """The ops of each part, at most 20,000."""
    operators: tuple[Operator, ...] = ()
    """The people, at most 500."""
    shifts: tuple[Shift, ...] = ()
    """When they work, at most 5,000."""
    closures: tuple[Closure, ...] = ()
    """When machines, plates, people or the whole shop do nothing, at most 5,000."""

    @cached_property
    def zone(self) -> ZoneInfo:
        """The shop's timezone."""
        return ZoneInfo(self.timezone)


class Floor(Row):
    """What is under way at `now`."""

    pieces: tuple[FloorPieces, ...] = ()
    """Pieces done through an op and waiting, at most 20,000 rows."""
    last_fixtures: tuple[LastFixture, ...] = ()
    """The last fixture on each machine, at most 500 rows; a machine without a row needs a setup."""
    running: tuple[RunningCut, ...] = ()
    """What is being cut at `now`, at most 5,000 rows."""
    waiting: tuple[WaitingRun, ...] = ()
    """Runs that are part-way at `now`, not being cut, at most 10,000 rows."""


class ScoreRates(Row):
    """Points per unit of each part of the score; a plan minimises their sum."""

    late_hour: Points = 100.0
    """For each hour that an order finishes after it is due, times its weight."""
    finish_hour: Points = 1.0
    """For each hour from `now` to an order's finish, times its weight."""
    overtime_hour: Points = 20.0
    """For each hour worked where only overtime shifts cover."""
    setup: Points = 5.0
    """For each setup."""
    makespan_hour: Points = 0.0
    """For each hour from `now` to the last order's finish."""
    moved_task: Points = 2.0
    """For each task moved against the plan that is being replanned."""
    unplaced_order: Points = 1_000_000.0
    """For each order that is not placed, times its weight."""


class Settings(Row):
    """How to plan: horizon in days, wall time for the optimiser in seconds, seed, and the score."""

    horizon_days: Annotated[Whole, Field(ge=1, le=120)] = 28
    """Days that the plan covers, from `now`; every task and finish lies inside."""
    solve_seconds: Annotated[Number, Field(gt=0.0, le=600.0)] = 20.0
    """Wall time for the optimiser, seconds; a call that waits for its plan allows 25."""
    seed: Annotated[Whole, Field(ge=0, le=2**31 - 1)] = 1
    """The start of the optimiser's random numbers."""
    repeatable: Flag = False
    """Count work instead of wall time: the same request gives the same plan, to the byte."""
    score: ScoreRates = ScoreRates()
    """What counts as better, in points."""


class PlanRequest(Row):
    """A whole request: `POST /v1/plans`."""

    now: Instant
    """When the plan begins; nothing new starts before."""
    shop: Shop
    """The shop itself: machines, plates, fixtures, people."""
    orders: tuple[Order, ...] = ()
    """What is to be made, at most 5,000 orders."""
    floor: Floor = Floor()
    """What is under way."""
    settings: Settings = Settings()
    """How to plan."""

    @property
    def horizon_end(self) -> int:
        """The last instant of the plan: `now` + horizon_days × 86,400 s (UTC seconds)."""
        return self.now + self.settings.horizon_days * 86_400
