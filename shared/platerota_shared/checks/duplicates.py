"""Rows that are there twice."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from platerota_shared.faults import Fault, pointer
from platerota_shared.records import Record, Table
from platerota_shared.request_tables import RequestTables

_KEYS: Final[dict[str, tuple[str, ...]]] = {
    "machines": ("id",), "plates": ("id",), "fixtures": ("id",), "operators": ("id",), "orders": ("id",),
    "nests": ("fixture", "part", "op"), "operations": ("part", "op"), "pieces": ("order", "op"), "last_fixtures": ("machine",),
    "running": ("plate", "order", "op"), "waiting": ("plate", "order", "op"),
}
"""What may appear only once in each table."""


def duplicate_rows(tables: RequestTables) -> Iterator[Fault]:
    """A fault for each row whose key an earlier row has; both are in doubt from then on."""
    for name, columns in _KEYS.items():
        table: Table[Any] = getattr(tables, name)
        first: dict[tuple[Any, ...], Record[Any]] = {}
        for record in table.records:
            key = tuple(record.value(column) for column in columns)
            if record.doubts.intersection(columns) or None in key:
                continue
            earlier = first.setdefault(key, record)
            if earlier is not record:
                table.doubt(earlier, "given twice")
                table.doubt(record, "given twice")
                yield _twice(record, earlier, columns, key)


def _twice(record: Record[Any], earlier: Record[Any], columns: tuple[str, ...], key: tuple[Any, ...]) -> Fault:
    row = int(earlier.pointer.rpartition("/")[2]) + 1
    said = ", ".join(f"{column} {value}" for column, value in zip(columns, key, strict=True))
    mend = "give it an id of its own" if columns == ("id",) else "keep one of the two rows, with the sum if both count"
    return Fault(record.pointer + pointer(columns[-1]), "duplicate-row", f"{record.label}: {said} is already given in row {row}", mend)
