"""How the answer to a decision is solved, where that is not as in its base."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo

from pydantic import Field

from platerota_shared.document import duplicate_keys
from platerota_shared.faults import Fault
from platerota_shared.fields import Number, Whole
from platerota_shared.records import read_row, unknown_field
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import Row


class SolveSettings(Row):
    """How long and from which random numbers it is solved; what is not given stays as in the base."""

    solve_seconds: Annotated[Number, Field(gt=0.0, le=600.0)] | None = None
    """Wall time for the optimiser, seconds."""
    seed: Annotated[Whole, Field(ge=0, le=2**31 - 1)] | None = None
    """The start of the optimiser's random numbers."""


_FIELDS: Final = tuple(SolveSettings.model_fields)


def read_settings(given: Any, zone: ZoneInfo, suggestions: Suggestions) -> tuple[dict[str, Any], list[Fault]]:
    """The good ones of the settings that came, and what is wrong with the others."""
    record, faults = read_row(SolveSettings, given, "/settings", "settings", zone, suggestions)
    return {name: record.raw[name] for name in _FIELDS if name not in record.doubts and record.raw.get(name) is not None}, faults


def read_around(
    given: Mapping[str, Any], fields: Sequence[str], words: str, zone: ZoneInfo, suggestions: Suggestions,
) -> tuple[dict[str, Any], list[Fault]]:
    """The good settings of a body, and what is wrong with it around its own fields: keys given twice, unknown fields, its settings.

    Parameters
    ----------
    fields
        The fields of the body.
    words
        How sentences call it.
    """
    unknown = (unknown_field("", words, name, tuple(fields), suggestions) for name in given if name not in fields)
    settings, found = read_settings(given.get("settings", {}), zone, suggestions)
    return settings, [*duplicate_keys(given), *unknown, *found]


def with_settings(document: Mapping[str, Any], settings: Mapping[str, Any]) -> dict[str, Any]:
    """A request, JSON values, with these settings in place of its own."""
    return {**document, "settings": {**(document.get("settings") or {}), **settings}}


def with_moved_task(document: Mapping[str, Any], points: float | None) -> dict[str, Any]:
    """A request, JSON values, with these points for each task that is moved; None: with its own."""
    if points is None:
        return dict(document)
    settings: Mapping[str, Any] = document.get("settings") or {}
    return with_settings(document, {"score": {**(settings.get("score") or {}), "moved_task": points}})
