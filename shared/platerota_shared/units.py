"""Lengths and masses: plain numbers in mm and kg, or text with a unit, converted by pint."""

from __future__ import annotations

import math
import re
from functools import cache, lru_cache
from typing import Any, cast

import pint

from platerota_shared.faults import refusal, shown

LENGTH_UNITS = ("mm", "cm", "m", "in", "ft")
MASS_UNITS = ("g", "kg", "lb", "oz")
_QUANTITY = re.compile(r"\s*([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*([A-Za-z]*)\s*")


@cache
def _registry() -> pint.UnitRegistry[Any]:
    """The one unit registry, built when first needed (it takes a fraction of a second)."""
    return pint.UnitRegistry()


@lru_cache(maxsize=4_096)
def _converted(number: str, unit: str, target: str) -> float:
    quantity = cast(Any, _registry().Quantity(float(number), unit))
    return round(float(quantity.to(target).magnitude), 9)


def _read(value: Any, target: str, allowed: tuple[str, ...], what: str) -> Any:
    mend = f"give a number in {target}, or text with a unit ({', '.join(allowed)}) such as '16 {allowed[-2]}'"
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return value
    if not isinstance(value, str):
        raise refusal("wrong-type", f"must be a {what}, not {shown(value)}", mend)
    match = _QUANTITY.fullmatch(value)
    if match is None:
        raise refusal("bad-unit", f"must be a {what}, not {shown(value)}", mend)
    if not match[2]:
        raise refusal("bad-unit", f"is text without a unit: {shown(value)}", mend)
    if match[2] not in allowed:
        raise refusal("bad-unit", f"has a unit that is no {what} here: {shown(value)}", mend)
    read = _converted(match[1], match[2], target)
    if not math.isfinite(read):
        raise refusal("out-of-range", f"is no {what} to plan with: {shown(value)}", "look for a mistyped or damaged number")
    return read


def read_length(value: Any) -> Any:
    """Millimetres from a number (mm) or text such as ``"16 in"``.

    Raises
    ------
    PydanticCustomError
        Where the value is neither a number nor text, or text has no unit, an unknown one, no number, or one too large to count with.
    """
    return _read(value, "mm", LENGTH_UNITS, "length")


def read_mass(value: Any) -> Any:
    """Kilograms from a number (kg) or text such as ``"24 lb"``.

    Raises
    ------
    PydanticCustomError
        Where the value is neither a number nor text, or text has no unit, an unknown one, no number, or one too large to count with.
    """
    return _read(value, "kg", MASS_UNITS, "mass")
