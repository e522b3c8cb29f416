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

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class NamedRow(Row):
    """A row with an id, which may carry a name and a note."""

    id: Id
    name: Text | None = None
    note: Text | None = None


class Machine(NamedRow):
    """A mill. Times in seconds, lengths in mm, masses in kg."""

    mount: Id
    travel_x: Length
    travel_y: Length
    max_mass: Mass | None = None
    positions: Annotated[Whole, Field(ge=1, le=1_000)] | None = None
    exchange: Literal["hand", "automatic"] = "hand"
    place_seconds: Seconds = 10
    pull_seconds: Seconds = 10
    exchange_seconds: Seconds = 20
    setup_seconds: Seconds = 0
    tool_slots: Annotated[Whole, Field(ge=0, le=10_000)] | None = None
    tools: Tools = ()
    tool_load_seconds: Seconds = 60
    cut_factor: Annotated[Number, Field(gt=0.0, le=100.0)] = 1.0
    unattended_minutes: Annotated[Whole, Field(ge=0, le=200_000)] | None = None
    hour_cost: Money = 0.0

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
    size_x: Length
    size_y: Length
    mass: Mass
    fixture: Id | None = None
    stays_in: Id | None = None


class Fixture(NamedRow):
    """The workholding on a plate: load and unload times in seconds, hardware mass in kg."""

    load_seconds: Seconds = 0
    unload_seconds: Seconds = 0
    load_piece_seconds: Seconds = 0
    unload_piece_seconds: Seconds = 0
    clamps: Annotated[Whole, Field(ge=0, le=10_000)] = 0
    clamp_seconds: Seconds = 0
    release_seconds: Seconds = 0
    cycle_seconds: Seconds = 0
    mass: Mass = 0.0
    machines: Annotated[tuple[Id, ...], Field(max_length=500)] = ()
    build_seconds: Seconds | None = None
    mount: Id | None = None
    min_size_x: Length | None = None
    min_size_y: Length | None = None


class Nest(Row):
    """How many pieces of one part and op a fixture holds."""

    fixture: Id
    part: Id
    op: OpNumber
    count: Annotated[Whole, Field(ge=1, le=10_000)]


class Operation(Row):
    """One machining step of a part; `cut_seconds`, `bench_seconds` per piece, `stock_mass` in kg per piece."""

    part: Id
    op: OpNumber
    cut_seconds: Seconds
    tools: Tools = ()
    stock_mass: Mass = 0.0
    first_article_seconds: Seconds = 0
    bench_seconds: Seconds = 0
    after_seconds: Seconds = 0


class Operator(NamedRow):
    """A person; an empty list of skills means all of them."""

    skills: tuple[Skill, ...] = ()
    hour_cost: Money = 0.0

    def can(self, skill: Skill) -> bool:
        """Whether this person may do work of `skill`."""
        return not self.skills or skill in self.skills


class Shift(Row):
    """A weekly shift of one operator; `start`, `end` and breaks in minutes after local midnight."""

    operator: Id
    days: Annotated[tuple[Day, ...], Field(min_length=1)]
    start: LocalTime
    end: LocalTime
    from_: Annotated[LocalDate | None, Field(alias="from")] = None
    to: LocalDate | None = None
    breaks: Annotated[tuple[Break, ...], Field(max_length=50)] = ()
    overtime: Flag = False


class Closure(Row):
    """A span in which a machine, a plate, an operator or (none named) the whole shop does nothing."""

    machine: Id | None = None
    plate: Id | None = None
    operator: Id | None = None
    start: Instant
    end: Instant
    reason: Text | None = None


class Order(NamedRow):
    """A quantity of one part, with a due date; `release` None means the material is there."""

    part: Id
    quantity: Count
    due: Instant
    release: Instant | None = None
    weight: Annotated[Number, Field(ge=0.0, le=1e6)] = 1.0


class FloorPieces(Row):
    """Pieces done through an op and waiting (for the last op: finished)."""

    order: Id
    op: OpNumber
    pieces: Count


class LastFixture(Row):
    """The fixture whose tools a machine holds at `now`."""

    machine: Id
    fixture: Id


class RunningCut(Row):
    """Pieces being cut at `now`; the rows of one plate are one run."""

    plate: Id
    machine: Id
    order: Id
    op: OpNumber
    pieces: Count
    cut_end: Instant


class WaitingRun(Row):
    """A run part-way at `now`; `machine` where it is placed or cut. The rows of one plate are one run."""

    plate: Id
    order: Id
    op: OpNumber
    pieces: Count
    stage: Literal["loaded", "placed", "cut", "pulled"]
    machine: Id | None = None


class Shop(Row):
    """The tables that change seldom."""

    timezone: str
    machines: tuple[Machine, ...] = ()
    plates: tuple[Plate, ...] = ()
    fixtures: tuple[Fixture, ...] = ()
    nests: tuple[Nest, ...] = ()
    operations: tuple[Operation, ...] = ()
    operators: tuple[Operator, ...] = ()
    shifts: tuple[Shift, ...] = ()
    closures: tuple[Closure, ...] = ()

    @cached_property
    def zone(self) -> ZoneInfo:
        """The shop's timezone."""
        return ZoneInfo(self.timezone)


class Floor(Row):
    """What is under way at `now`."""

    pieces: tuple[FloorPieces, ...] = ()
    last_fixtures: tuple[LastFixture, ...] = ()
    running: tuple[RunningCut, ...] = ()
    waiting: tuple[WaitingRun, ...] = ()


class ScoreRates(Row):
    """Points per unit of each part of the score; a plan minimises their sum."""

    late_hour: Points = 100.0
    finish_hour: Points = 1.0
    overtime_hour: Points = 20.0
    setup: Points = 5.0
    makespan_hour: Points = 0.0
    moved_task: Points = 2.0
    unplaced_order: Points = 1_000_000.0


class Settings(Row):
    """How to plan: horizon in days, wall time for the optimiser in seconds, seed, and the score."""

    horizon_days: Annotated[Whole, Field(ge=1, le=120)] = 28
    solve_seconds: Annotated[Number, Field(gt=0.0, le=600.0)] = 20.0
    seed: Annotated[Whole, Field(ge=0, le=2**31 - 1)] = 1
    repeatable: Flag = False
    score: ScoreRates = ScoreRates()


class PlanRequest(Row):
    """A whole request: `POST /v1/plans`."""

    now: Instant
    shop: Shop
    orders: tuple[Order, ...] = ()
    floor: Floor = Floor()
    settings: Settings = Settings()

    @property
    def horizon_end(self) -> int:
        """The last instant of the plan: `now` + horizon_days × 86,400 s (UTC seconds)."""
        return self.now + self.settings.horizon_days * 86_400
