"""The demo weeks as request text, by name."""

from __future__ import annotations

from importlib.resources import files

WEEKS = ("basic", "full")


def request_text(week: str) -> str:
    """The request of a demo week, JSON text.

    Raises
    ------
    ValueError
        Where there is no such week.
    """
    if week not in WEEKS:
        raise ValueError(f"there is no demo week '{week}'; there are {' and '.join(WEEKS)}")
    return files("platerota_service.demo").joinpath(f"week_{week}.json").read_text(encoding="utf-8")
