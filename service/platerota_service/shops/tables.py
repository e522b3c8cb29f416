"""The tables of a stored shop as JSON values: which row an address means, and the shop with a row put, added or taken out.

A row is addressed by its id, or by the columns that may appear only once together. Shifts and closures have neither; they are
addressed by position, counted from 0 as in JSON pointers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from platerota_shared.document import is_list, is_object

KEYS: Final[dict[str, tuple[str, ...]]] = {
    "machines": ("id",), "plates": ("id",), "fixtures": ("id",), "nests": ("fixture", "part", "op"), "operations": ("part", "op"),
    "operators": ("id",), "shifts": (), "closures": (),
}
"""The columns that name a row of each table; none: its position does."""

Document = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class RowAddress:
    """A row of `table`, by the values of its key columns as text, or by its position as text."""

    table: str
    parts: tuple[str, ...]

    @property
    def by_position(self) -> bool:
        """Whether the row has no name of its own."""
        return not KEYS[self.table]

    @property
    def complete(self) -> bool:
        """Whether it says as much as the table needs."""
        if self.by_position:
            (place, *more) = self.parts
            return not more and place.isascii() and place.isdigit() and len(place) <= 6
        return len(self.parts) == len(KEYS[self.table])

    def __str__(self) -> str:
        return ";".join(self.parts)


def rows_of(document: Document, table: str) -> Sequence[Any]:
    """The rows of a table of a stored shop; empty where it has none."""
    rows: Sequence[Any] = document.get(table, ())
    return rows


def find(document: Document, address: RowAddress) -> int | None:
    """The position of the row that `address` means, or None."""
    rows = rows_of(document, address.table)
    if address.by_position:
        place = int(address.parts[0])
        return place if place < len(rows) else None
    return next((place for place, row in enumerate(rows) if key_of(address.table, row) == address.parts), None)


def key_of(table: str, row: Any) -> tuple[str, ...] | None:
    """The values of a row's key columns as an address has them; None where the row does not say them all."""
    values = [row.get(column) for column in KEYS[table]] if is_object(row) else [None]
    return tuple(_text(value) for value in values) if all(isinstance(value, (str, int, float)) for value in values) else None


def with_key(row: Document, address: RowAddress) -> tuple[dict[str, Any], list[str]]:
    """A row with the key columns that it leaves out taken from its address, and the columns that say something else."""
    made, wrong = dict(row), list[str]()
    for column, part in zip(KEYS[address.table], address.parts if not address.by_position else (), strict=True):
        if column not in made:
            made[column] = int(part) if column == "op" and part.isascii() and part.isdigit() else part
        elif _text(made[column]) != part:
            wrong.append(column)
    return made, wrong


def with_row(document: Document, table: str, place: int | None, row: Document) -> dict[str, Any]:
    """The shop with `row` put at `place` of a table, or added at its end where that is None."""
    rows = list(rows_of(document, table))
    if place is None:
        rows.append(row)
    else:
        rows[place] = row
    return {**document, table: rows}


def without_row(document: Document, table: str, place: int) -> dict[str, Any]:
    """The shop without the row at `place` of a table."""
    rows = list(rows_of(document, table))
    del rows[place]
    return {**document, table: rows}


def with_rows(document: Document, table: str, rows: Sequence[Any]) -> tuple[dict[str, Any], list[int]]:
    """The shop with each of `rows` put in the place of the one with its key, else at the end; and where each is now."""
    made = list(rows_of(document, table))
    places: dict[tuple[str, ...] | None, int] = {}
    if KEYS[table]:
        for place, row in enumerate(made):
            places.setdefault(key_of(table, row), place)
    found = list[int]()
    for row in rows:
        key = key_of(table, row) if KEYS[table] else None
        known = places.get(key) if key is not None else None
        if known is None:
            found.append(len(made))
            made.append(row)
        else:
            found.append(known)
            made[known] = row
        if key is not None:
            places[key] = found[-1]
    return {**document, table: made}, found


def _text(value: Any) -> str:
    """A key value as an address writes it: whole numbers without a point."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return value if isinstance(value, str) else ("" if is_list(value) or is_object(value) else str(value))
