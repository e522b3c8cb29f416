"""A request document under change: rows are replaced, never touched, and each new value remembers the change it came from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from platerota_shared.document import is_list, is_object
from platerota_shared.faults import pointer

Row = Mapping[str, Any]


@dataclass(slots=True)
class _Origin:
    """Where the values of a row come from: pointers by field; of the row, where a change holds all of it; of the last change to it."""

    fields: dict[str, str] = field(default_factory=dict[str, str])
    whole: str | None = None
    touched: str = ""

    def place(self, steps: list[str]) -> str:
        """The pointer in the changes for the value at `steps` inside the row."""
        for length in (2, 1):
            if len(steps) >= length and (found := self.fields.get("/".join(steps[:length]))) is not None:
                return found + pointer(*steps[length:])
        return self.touched if self.whole is None else self.whole + pointer(*steps)


class Draft:
    """A copy of a request document with its tables as lists of rows; tables are named as in the contract."""

    def __init__(self, document: Mapping[str, Any]) -> None:
        self.document: dict[str, Any] = dict(document)
        for name in ("shop", "floor", "settings"):
            self.document[name] = dict(document.get(name) or {})
        self._origins: dict[int, _Origin] = {}
        self._own: set[tuple[str, str]] = set()

    def rows(self, table: str) -> list[Row]:
        """The rows of a table, to read."""
        holder, name = self._home(table)
        return list(holder.get(name) or ())

    def find(self, table: str, **wanted: Any) -> Row | None:
        """The first row with the `wanted` values."""
        return next(self._matching(table, wanted), None)

    def ids(self, table: str) -> set[str]:
        """The ids of a table."""
        return {row["id"] for row in self.rows(table) if is_object(row) and isinstance(row.get("id"), str)}

    def add(self, table: str, row: Row, fields: Mapping[str, str], whole: str | None, touched: str = "") -> None:
        """One more row; `fields` are the pointers of its values.

        What has none is found below `whole`, where the change holds the row itself, else at `touched`, the change.
        """
        made = dict(row)
        self._list(table).append(made)
        self._origins[id(made)] = _Origin(dict(fields), whole, touched)

    def set(self, table: str, row: Row, values: Row, fields: Mapping[str, str], touched: str) -> None:
        """Other values in a row that is there; `touched` is the pointer of the change."""
        rows = self._list(table)
        index = next(index for index, other in enumerate(rows) if other is row)
        rows[index] = self._replaced(row, values, fields, touched)

    def drop(self, table: str, **wanted: Any) -> None:
        """Take out the rows with the `wanted` values."""
        gone = {id(row) for row in self._matching(table, wanted)}
        rows = self._list(table)
        rows[:] = [row for row in rows if id(row) not in gone]

    def set_settings(self, values: Row, rates: Row, place: str) -> None:
        """Other settings, and other rates of the score; `place` is the pointer of the change."""
        settings: dict[str, Any] = self.document["settings"]
        fields = {name: place + pointer(name) for name in values}
        changed = dict(values)
        if rates:
            score = settings.get("score")
            changed["score"] = {**(score if is_object(score) else {}), **rates}
            fields |= {f"score/{name}": place + pointer("score", name) for name in rates}
        self.document["settings"] = self._replaced(settings, changed, fields, place)

    def place(self, where: str) -> str | None:
        """The pointer in the changes of what is at the pointer `where` in the document; None where no change made it."""
        steps = [step.replace("~1", "/").replace("~0", "~") for step in where.split("/")[1:]]
        value: Any = self.document
        for depth, step in enumerate(steps):
            if is_object(value):
                value = value.get(step)
            elif is_list(value) and step.isdigit() and int(step) < len(value):
                value = value[int(step)]
            else:
                return None
            origin = self._origins.get(id(value)) if is_object(value) else None
            if origin is not None:
                return origin.place(steps[depth + 1 :])
        return None

    def _replaced(self, row: Row, values: Row, fields: Mapping[str, str], touched: str) -> dict[str, Any]:
        made = {**row, **values}
        before = self._origins.get(id(row), _Origin())
        self._origins[id(made)] = _Origin({**before.fields, **fields}, before.whole, touched)
        return made

    def _matching(self, table: str, wanted: Row) -> Iterator[Row]:
        for row in self.rows(table):
            if is_object(row) and all(row.get(name) == value for name, value in wanted.items()):
                yield row

    def _home(self, table: str) -> tuple[dict[str, Any], str]:
        if table == "orders":
            return self.document, table
        place, _, name = table.rpartition(".")
        holder: dict[str, Any] = self.document[place or "shop"]
        return holder, name

    def _list(self, table: str) -> list[Row]:
        """The rows of a table, to change: a list of its own from the first change on."""
        holder, name = self._home(table)
        if (table, name) not in self._own:
            holder[name] = list(holder.get(name) or ())
            self._own.add((table, name))
        rows: list[Row] = holder[name]
        return rows
