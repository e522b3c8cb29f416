"""The recurring kinds of value, each named once: ids, seconds, instants, lengths, masses, local times.

An :data:`Instant` is held as whole UTC seconds since 1970-01-01T00:00:00Z. Text from outside is read with a validation
context ``{"zone": ZoneInfo}`` (the shop's timezone); without a context plain whole numbers are accepted, which is how
our own code builds values. Lengths are millimetres, masses kilograms.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Final, Literal
from unicodedata import category

from pydantic import AfterValidator, BeforeValidator, Field, PlainSerializer, Strict, StringConstraints, WithJsonSchema

from platerota_shared.faults import refusal, shown
from platerota_shared.instants import instant_text, read_instant
from platerota_shared.local_times import read_break, read_date, read_local_time
from platerota_shared.units import read_length, read_mass

MAX_SECONDS = 120 * 86_400


def _read_whole(value: Any) -> Any:
    """Whole numbers only: no true or false, no text; 3.0 is 3."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not float(value).is_integer():
        raise refusal("wrong-type", f"must be a whole number, not {shown(value)}", "give a whole number without quotes")
    return int(value)


def _read_number(value: Any) -> Any:
    """Numbers only: no true or false, no text."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise refusal("wrong-type", f"must be a number, not {shown(value)}", "give a number without quotes")
    return value


Whole = Annotated[int, BeforeValidator(_read_whole)]
"""A whole number; neither text nor true or false is one."""

Number = Annotated[float, BeforeValidator(_read_number)]
"""A number; neither text nor true or false is one."""

Flag = Annotated[bool, Strict()]
"""true or false, nothing that looks like it."""

def _check_seen(text: str) -> str:
    """Refuse text of blanks, control and format characters alone: on a page or a sheet it would be nothing."""
    if not (text.isascii() and text.isprintable()) and all(category(char)[0] in "CZ" for char in text):
        raise refusal("bad-text", "must hold something that can be seen", "give a name, or leave out what has none")
    return text


Id = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=r"\S"), AfterValidator(_check_seen)]
"""An id as the caller wrote it: 1 to 200 characters, not blank."""

Text = Annotated[str, StringConstraints(max_length=2_000)]
"""Free text shown in pictures and sheets."""

Seconds = Annotated[Whole, Field(ge=0, le=MAX_SECONDS)]
"""A duration in whole seconds, at most 120 days."""

Count = Annotated[Whole, Field(ge=1, le=1_000_000)]
"""A number of things, at least one."""

OpNumber = Annotated[Whole, Field(ge=0, le=100_000)]
"""The number of an operation; the ops of a part run in ascending order."""

MOST_POINTS: Final = 1e9
"""Points per unit, at most."""
Points = Annotated[Number, Field(ge=0.0, le=MOST_POINTS)]
"""Points of the score per unit."""

Money = Annotated[Number, Field(ge=0.0, le=1e9)]
"""Money per hour, in whatever currency the caller counts."""

Length = Annotated[
    float,
    BeforeValidator(read_length),
    Field(gt=0.0, le=100_000.0),
    WithJsonSchema({
        "anyOf": [{"type": "number", "exclusiveMinimum": 0, "maximum": 100_000}, {"type": "string", "examples": ["16 in"]}],
        "description": "millimetres, or text with a unit such as '16 in'",
    }),
]
"""A length in millimetres."""

Mass = Annotated[
    float,
    BeforeValidator(read_mass),
    Field(ge=0.0, le=100_000.0),
    WithJsonSchema({
        "anyOf": [{"type": "number", "minimum": 0, "maximum": 100_000}, {"type": "string", "examples": ["24 lb"]}],
        "description": "kilograms, or text with a unit such as '24 lb'",
    }),
]
"""A mass in kilograms."""

Instant = Annotated[
    int,
    BeforeValidator(read_instant),
    PlainSerializer(instant_text),
    WithJsonSchema({"type": "string", "examples": ["2027-03-01T06:00:00", "2027-03-01T06:00:00Z"]}, mode="validation"),
    WithJsonSchema({"type": "string", "format": "date-time", "examples": ["2027-03-01T06:00:00+00:00"]}, mode="serialization"),
]
"""An instant, whole UTC seconds since the epoch; text outside."""

LocalTime = Annotated[
    int,
    BeforeValidator(read_local_time),
    WithJsonSchema({"type": "string", "pattern": r"^\d{2}:\d{2}$", "examples": ["06:00"]}),
]
"""A local time of day in minutes after midnight, 0 to 1440."""

LocalDate = Annotated[date, BeforeValidator(read_date), WithJsonSchema({"type": "string", "format": "date", "examples": ["2027-03-01"]})]
"""A date of the shop's calendar, ``YYYY-MM-DD``."""

Break = Annotated[
    tuple[int, int],
    BeforeValidator(read_break),
    WithJsonSchema({"type": "string", "pattern": r"^\d{2}:\d{2}-\d{2}:\d{2}$", "examples": ["10:00-10:15"]}),
]
"""A break as two local times in minutes after midnight."""

Tools = Annotated[tuple[Id, ...], Field(max_length=1_000)]
"""Tools by id; a tool counts once."""

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
Skill = Literal["load", "unload", "exchange", "setup", "first_article", "bench", "build"]
