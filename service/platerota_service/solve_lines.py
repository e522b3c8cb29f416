"""What a solving child says: one JSON line each, written by the child and read by the process that started it.

The child is told one line, ``{"memory_mib": …, "start": {…} or null, "request": {…}}``, and later, perhaps, :data:`STOP`.
Its first line is :class:`Warm`, after :class:`Compiling` on a machine that has never solved; the time of the solve counts from there.
After :class:`Done` it may take another order: it says so, and is warm again.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from platerota_shared.plan import Stage

STOP = b"STOP\n"
"""Told to a child that should end with its best plan."""
COMPILING = "compiling the solver for this machine, once (two to three minutes)"
"""What people are told while that goes on."""


class Line(BaseModel):
    """A line of the child."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Progress(BaseModel):
    """What a solve has reached: points of the best plan so far, the bound, and the gap between them, where known."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, use_attribute_docstrings=True, json_schema_serialization_defaults_required=True,
    )

    stage: str
    """The stage of the optimiser that spoke last."""
    seconds: float
    """Wall seconds since the solve began; 0 in a repeatable solve."""
    total: float | None = None
    """Points of the best plan so far; null where there is none."""
    bound: float | None = None
    """Points that no plan can beat; null where none is known yet."""
    gap: float | None = None
    """(total − bound) ÷ total, from 0 to 1; 0 where total is 0."""


class Reached(Line, Progress):
    """A word of progress."""

    event: Literal["progress"] = "progress"

    @classmethod
    def of(cls, stage: Stage) -> Reached:
        """The progress that a stage of the solver reports."""
        gap = None
        if stage.total is not None and stage.bound is not None:
            gap = (stage.total - stage.bound) / stage.total if stage.total else 0.0
        return cls(stage=stage.name, seconds=stage.seconds, total=stage.total, bound=stage.bound, gap=gap)


class Compiling(Line):
    """The solver must be compiled for this machine first."""

    event: Literal["compiling"] = "compiling"


class Warm(Line):
    """The solver is loaded; the solve begins."""

    event: Literal["warm"] = "warm"


class Improved(Line):
    """A better plan, which the audit has passed, as the contract's JSON."""

    event: Literal["improved"] = "improved"
    plan: dict[str, Any]


class Rejected(Line):
    """A plan that the audit refused, with what it found in words: a fault of ours, never shown as a plan."""

    event: Literal["rejected"] = "rejected"
    plan: dict[str, Any]
    findings: tuple[str, ...]


class Failed(Line):
    """The solve ended without doing its work, and why, in words for the caller."""

    event: Literal["failed"] = "failed"
    detail: str


class Done(Line):
    """The solve ended well; the last improved plan is its plan."""

    event: Literal["done"] = "done"
    again: bool = False
    """Whether this child takes another order; else it ends."""


AnyLine = Compiling | Warm | Reached | Improved | Rejected | Failed | Done
_LINES: TypeAdapter[AnyLine] = TypeAdapter(Annotated[AnyLine, Field(discriminator="event")])


def read_line(text: bytes) -> AnyLine:
    """One line of a child.

    Raises
    ------
    pydantic.ValidationError
        Where it is none of the lines above.
    """
    return _LINES.validate_json(text)


def order_line(request: bytes, memory_mib: int, start: str | None = None) -> bytes:
    """The line that orders a solve: request and what it starts from (JSON texts without a line break), and the memory limit in MiB."""
    return b'{"memory_mib":%d,"start":%s,"request":%s}\n' % (memory_mib, (start or "null").encode(), request)
