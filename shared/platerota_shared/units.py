"""Lengths and masses: plain numbers in mm and kg, or text with a unit, converted by pint."""

from __future__ import annotations

import re
from functools import cache
from typing import Any

import pint

LENGTH_UNITS = ("mm", "cm", "m", "in", "ft")
MASS_UNITS = ("g", "kg", "lb", "oz")
_QUANTITY = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-z]+)\s*")


@cache
def _registry() -> pint.UnitRegistry[Any]:
    """The one unit registry, built when first needed (it takes a fraction of a second)."""
    return pint.UnitRegistry()


def _read(value: Any, target: str, allowed: tuple[str, ...], what: str) -> Any:
    if not isinstance(value, str):
        if isinstance(value, bool):
            raise ValueError(f"is not a {what}; give a number in {target} or text with a unit ({', '.join(allowed)})")
        return value
    match = _QUANTITY.fullmatch(value)
    if match is None or match[2] not in allowed:
        raise ValueError(f"'{value}' is not a {what}; give a number in {target} or text with a unit ({', '.join(allowed)}), such as '16 {allowed[-2]}'")
    number = _registry().Quantity(float(match[1]), match[2]).to(target).magnitude
    return round(float(number), 9)


def read_length(value: Any) -> Any:
    """Millimetres from a number (mm) or text such as ``"16 in"``; other values pass on to pydantic's own checks.

    Raises
    ------
    ValueError
        Where text has no unit, an unknown one, or no number.
    """
    return _read(value, "mm", LENGTH_UNITS, "length")


def read_mass(value: Any) -> Any:
    """Kilograms from a number (kg) or text such as ``"24 lb"``; other values pass on to pydantic's own checks.

    Raises
    ------
    ValueError
        Where text has no unit, an unknown one, or no number.
    """
    return _read(value, "kg", MASS_UNITS, "mass")
