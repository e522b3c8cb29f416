"""Features that come later: a request that uses one is refused, field by field, so that nothing is silently ignored.

To enable a feature, delete its lines from `FIELDS` and `TABLES`; nothing else knows of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from platerota_shared.faults import Fault, pointer
from platerota_shared.request_tables import RequestTables

FIELDS: Final[tuple[tuple[str, str, str], ...]] = (
    ("machines", "exchange", "automatic exchange"),
    ("machines", "setup_seconds", "setups"),
    ("machines", "tool_slots", "tool sets"),
    ("machines", "tools", "tool sets"),
    ("operations", "tools", "tool sets"),
    ("plates", "stays_in", "plates that stay in a machine"),
    ("fixtures", "build_seconds", "building fixtures on blank plates"),
    ("operations", "first_article_seconds", "first articles"),
    ("operations", "bench_seconds", "bench work"),
    ("operations", "after_seconds", "waiting after an op"),
    ("shifts", "overtime", "overtime shifts"),
)
"""Table, field and feature: any value but the field's default is refused."""

TABLES: Final[tuple[tuple[str, str, str], ...]] = (
    ("last_fixtures", "/floor/last_fixtures", "last fixtures on machines"),
    ("running", "/floor/running", "cuts running at now"),
    ("waiting", "/floor/waiting", "runs part-way at now"),
)
"""Table, pointer and feature: any row is refused."""


def not_yet(tables: RequestTables) -> Iterator[Fault]:
    """A fault for each field or table of `tables` that belongs to a feature to come."""
    for name, column, feature in FIELDS:
        for record in getattr(tables, name).records:
            if column not in record.doubts and _used(record.raw.get(column)):
                yield _fault(record.pointer + pointer(column), f"{record.label}: {column}", feature)
    for name, place, feature in TABLES:
        if getattr(tables, name).records:
            yield _fault(place, f"floor.{name}", feature)


def _used(value: Any) -> bool:
    return value not in (None, 0, False, "hand", [], ())


def _fault(place: str, what: str, feature: str) -> Fault:
    return Fault(place, "not-supported-yet", f"{what} cannot be planned yet ({feature})", "leave it out for now")
