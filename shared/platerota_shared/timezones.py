"""Timezones by their names in the public database, the same on every host."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from zoneinfo import ZoneInfo

from platerota_shared.faults import shown


@cache
def timezones() -> frozenset[str]:
    """The names of the public database as the tzdata distribution lists them."""
    return frozenset(files("tzdata").joinpath("zones").read_text(encoding="utf-8").split())


def zone_named(name: str) -> ZoneInfo:
    """The timezone of that name.

    Names that are not listed are never tried: they would be taken for files of this host, which may be folders or hold anything.

    Raises
    ------
    ValueError
        Where there is none.
    """
    if name not in timezones():
        raise ValueError(f"there is no timezone {shown(name)}")
    return ZoneInfo(name)
