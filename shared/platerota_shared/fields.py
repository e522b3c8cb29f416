"""The recurring kinds of value, each named once: ids, seconds, instants, lengths, masses, local times.

An :data:`Instant` is held as whole UTC seconds since 1970-01-01T00:00:00Z. Text from outside is read with a validation
context ``{"zone": ZoneInfo}`` (the shop's timezone); without a context plain whole numbers are accepted, which is how
our own code builds values. Lengths are millimetres, masses kilograms.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, PlainSerializer, StringConstraints, WithJsonSchema

from platerota_shared.instants import instant_text, read_instant
from platerota_shared.local_times import read_break, read_local_time
from platerota_shared.units import read_length, read_mass

MAX_SECONDS = 120 * 86_400

Id = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=r"\S")]
"""An id as the caller wrote it: 1 to 200 characters, not blank."""

Text = Annotated[str, StringConstraints(max_length=2_000)]
"""Free text shown in pictures and sheets."""

Seconds = Annotated[int, Field(ge=0, le=MAX_SECONDS)]
"""A duration in whole seconds, at most 120 days."""

Count = Annotated[int, Field(ge=1, le=1_000_000)]
"""A number of things, at least one."""

OpNumber = Annotated[int, Field(ge=0, le=100_000)]
"""The number of an operation; the ops of a part run in ascending order."""

Points = Annotated[float, Field(ge=0, le=1e9)]
"""Points of the score per unit."""

Money = Annotated[float, Field(ge=0, le=1e9)]
"""Money per hour, in whatever currency the caller counts."""

Length = Annotated[
    float,
    BeforeValidator(read_length),
    Field(gt=0, le=100_000),
    WithJsonSchema({"anyOf": [{"type": "number"}, {"type": "string"}], "description": "millimetres, or text with a unit such as '16 in'"}),
]
"""A length in millimetres."""

Mass = Annotated[
    float,
    BeforeValidator(read_mass),
    Field(ge=0, le=100_000),
    WithJsonSchema({"anyOf": [{"type": "number"}, {"type": "string"}], "description": "kilograms, or text with a unit such as '24 lb'"}),
]
"""A mass in kilograms."""

Instant = Annotated[
    int,
    BeforeValidator(read_instant),
    PlainSerializer(instant_text),
    WithJsonSchema({"type": "string", "description": "RFC 3339 with offset, or local without one", "examples": ["2027-03-01T06:00:00"]}),
]
"""An instant, whole UTC seconds since the epoch; text outside."""

LocalTime = Annotated[
    int,
    BeforeValidator(read_local_time),
    WithJsonSchema({"type": "string", "pattern": r"^\d{2}:\d{2}$", "examples": ["06:00"]}),
]
"""A local time of day in minutes after midnight, 0 to 1440."""

Break = Annotated[
    tuple[int, int],
    BeforeValidator(read_break),
    WithJsonSchema({"type": "string", "pattern": r"^\d{2}:\d{2}-\d{2}:\d{2}$", "examples": ["10:00-10:15"]}),
]
"""A break as two local times in minutes after midnight."""

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
Skill = Literal["load", "unload", "exchange", "setup", "first_article", "bench", "build"]
