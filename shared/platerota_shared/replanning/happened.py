"""What has happened since a plan was made, as a caller says it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from platerota_shared.fields import Id, Instant, OpNumber, Text, Whole
from platerota_shared.tables import Row

Whereabouts = Literal["not_loaded", "loaded", "placed", "cutting", "cut", "pulled", "unloaded"]


class CountedPieces(Row):
    """Pieces counted on the floor: done through an op and waiting (for the last op: finished)."""

    order: Id
    """The order."""
    op: OpNumber
    """The op through which they are done."""
    pieces: Annotated[Whole, Field(ge=0, le=1_000_000)]
    """How many there are at `now`, those on plates not counted; 0: none."""


class RunNow(Row):
    """How far one run of the plan really is."""

    run: Id
    """The run, by its id in the plan."""
    stage: Whereabouts
    """`not_loaded`, `loaded` at the bench, `placed` in its machine, `cutting`, `cut`, `pulled`, or `unloaded`: over."""
    cut_end: Instant | None = None
    """When the cut will end; where it is `cutting`, else not given."""


class ClosedNow(Row):
    """A machine that is broken, an operator who is late or ill, a plate that is damaged: closed from `now` on."""

    machine: Id | None = None
    """The machine that is broken."""
    plate: Id | None = None
    """The plate that cannot be used."""
    operator: Id | None = None
    """The operator who is away; one of the three is named, or none for the whole shop."""
    until: Instant
    """When it is back."""
    reason: Text | None = None
    """Why, for people."""


class Happened(Row):
    """What has happened; whatever is not said went as planned."""

    pieces: Annotated[tuple[CountedPieces, ...], Field(max_length=20_000)] = ()
    """Counted pieces; they replace what the plan says for that order and op."""
    runs: Annotated[tuple[RunNow, ...], Field(max_length=5_000)] = ()
    """Runs that are not as far as planned, or further."""
    closed: Annotated[tuple[ClosedNow, ...], Field(max_length=500)] = ()
    """Out of work from `now` on. A cut that would run on a closed machine stands still and is cut again there, unless `runs` says more: of
    a run whose plate was taken out, `loaded`; it may be cut on another machine then."""
