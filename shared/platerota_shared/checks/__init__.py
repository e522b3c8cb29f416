"""Checks between the tables of a request, one module per question a planner would ask.

Each check yields faults and asks nobody but the :class:`~platerota_shared.request_tables.RequestTables`. References come
first, because a field that names something unknown is in doubt for every later check.
"""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.checks.duplicates import duplicate_rows
from platerota_shared.checks.fit import Fits
from platerota_shared.checks.floor import floor_contradictions
from platerota_shared.checks.making import orders_cannot_be_made, too_many_runs
from platerota_shared.checks.people import nobody_for
from platerota_shared.checks.places import misfits
from platerota_shared.checks.references import unknown_references
from platerota_shared.checks.times import impossible_times
from platerota_shared.faults import Fault
from platerota_shared.request_tables import RequestTables


def check(tables: RequestTables) -> Iterator[Fault]:
    """Every fault between the tables, in a fixed order."""
    yield from duplicate_rows(tables)
    yield from unknown_references(tables)
    yield from impossible_times(tables)
    fits = Fits(tables)
    yield from misfits(tables, fits)
    yield from floor_contradictions(tables, fits)
    yield from orders_cannot_be_made(tables, fits)
    yield from too_many_runs(tables)
    yield from nobody_for(tables, fits)
