"""Grids of cells as the document that JSON would give, and the way back: from a JSON pointer to sheet, row and column."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from platerota_service.workbook.cells import CellRefused, Rules, is_blank, json_value
from platerota_service.workbook.columns import FIELD_HEADINGS, SETTINGS, Column, Sheet, request_sheets
from platerota_service.workbook.faults import SheetFault, letters
from platerota_service.workbook.grids import Cell, Grid
from platerota_shared.faults import Fault, listed, pointer
from platerota_shared.suggestions import Suggestions

_DOUBTFUL: Final[dict[str, Any]] = {}
"""Stands in the document for a cell that could not be read. No field takes an object, so whoever checks the document knows that
something is there, refuses it, and finds no train of faults behind it; the fault itself is replaced by the cell's own."""

_ODD: Final = {
    "uncalculated": (
        "uncalculated-formula", "holds a formula whose result is not in the file",
        "open the file in a spreadsheet program and save it there, or write the value itself",
    ),
    "error": ("error-cell", "holds a formula that ends in an error", "mend the formula, or write the value itself"),
}
_ROW_OF_TABLE = re.compile(r"\brow ([0-9]+) of ([a-z_]+)\b")


@dataclass(slots=True)
class _Place:
    """Where a table's row, or a setting, stands: its sheet, the row from 1, and the column of each field from 0."""

    sheet: str
    row: int | None = None
    columns: dict[str, int] = field(default_factory=dict[str, int])


@dataclass(slots=True)
class SheetDocument:
    """A document made from sheets, with what is wrong with the sheets themselves and where everything stands.

    Attributes
    ----------
    faults
        Found in the sheets, before any check of the document.
    remarks
        What a planner should know of how it was read; never a refusal.
    """

    document: dict[str, Any] = field(default_factory=dict[str, Any])
    faults: list[SheetFault] = field(default_factory=list[SheetFault])
    remarks: list[str] = field(default_factory=list[str])
    _places: dict[str, _Place] = field(default_factory=dict[str, _Place])
    _said: dict[str, SheetFault | None] = field(default_factory=dict[str, SheetFault | None])
    _rows: dict[tuple[str, int], tuple[str, int]] = field(default_factory=dict[tuple[str, int], tuple[str, int]])

    def located(self, faults: tuple[Fault, ...]) -> Iterator[SheetFault]:
        """Faults of the document as faults of the sheets, those that the sheets explain better replaced."""
        for fault in faults:
            known = next((place for place in _outwards(fault.pointer) if place in self._said), None)
            if known is None:
                yield self._located(fault)

    def all_faults(self, faults: tuple[Fault, ...]) -> Iterator[SheetFault]:
        """Every fault: of the sheets, of their cells, of the document."""
        yield from self.faults
        yield from (fault for fault in self._said.values() if fault is not None)
        yield from self.located(faults)

    @property
    def clean(self) -> bool:
        """Whether nothing is wrong with the sheets themselves."""
        return not self.faults and not self._said

    def refuse(self, place: str, fault: SheetFault | None) -> None:
        """Note the fault of the value at the pointer `place`; None where it is said elsewhere already."""
        self._said[place] = fault

    def put(self, place: str, sheet: str, row: int | None, columns: dict[str, int]) -> None:
        """Note where the object at the pointer `place` stands."""
        self._places[place] = _Place(sheet, row, columns)

    def number(self, table: str, index: int, sheet: str, row: int) -> None:
        """Note which row of the sheet the row `index` of a table is."""
        self._rows[table, index + 1] = (sheet, row)

    def _located(self, fault: Fault) -> SheetFault:
        detail = _ROW_OF_TABLE.sub(self._renumbered, fault.detail)
        for place in _outwards(fault.pointer):
            if (known := self._places.get(place)) is not None:
                name = fault.pointer[len(place) + 1 :].partition("/")[0].replace("~1", "/").replace("~0", "~")
                column = known.columns.get(name, known.columns.get(""))
                heading = name if name in known.columns else None
                letter = letters(column) if column is not None else None
                return SheetFault(known.sheet, known.row, letter, heading, fault.code, detail, fault.mend)
        return SheetFault(None, None, None, None, fault.code, detail, fault.mend)

    def _renumbered(self, match: re.Match[str]) -> str:
        sheet, row = self._rows.get((match[2], int(match[1])), (match[2], int(match[1])))
        return f"row {row} of {sheet}"


def _outwards(place: str) -> Iterator[str]:
    """A pointer, and those of everything around it."""
    while place:
        yield place
        place = place.rpartition("/")[0]


def document_from(grids: dict[str, Grid], rules: Rules) -> SheetDocument:
    """The document in `grids`, one for each sheet by its name. Sheets that are not there are empty tables."""
    made = SheetDocument(document={"shop": {}})
    for sheet in request_sheets():
        grid = grids.get(sheet.name)
        if sheet.name == SETTINGS:
            _SettingsReader(made, sheet, rules).read(grid)
        elif grid is not None:
            _TableReader(made, sheet, grid, rules).read()
    return made


class _TableReader:
    """Reads one table: headings in its first row that is not blank, a record in each row below that is not blank."""

    def __init__(self, made: SheetDocument, sheet: Sheet, grid: Grid, rules: Rules) -> None:
        self._made, self._sheet, self._grid, self._rules = made, sheet, grid, rules
        self._columns: dict[int, Column] = {}
        self._ignored: set[int] = set()
        self._missing: list[Column] = []
        self._days_alone: dict[str, list[int]] = defaultdict(list)

    def read(self) -> None:
        """Read it into the document."""
        made, sheet = self._made, self._sheet
        records: list[dict[str, Any]] = []
        holder: dict[str, Any] = made.document
        for step in sheet.steps[:-1]:
            holder = holder.setdefault(step, {})
        holder[sheet.steps[-1]] = records
        made.put(pointer(*sheet.steps), sheet.name, None, {})
        first = next((index for index, row in enumerate(self._grid.rows) if not all(map(is_blank, row))), None)
        if first is None:
            return
        self._headings(first)
        for index in range(first + 1, len(self._grid.rows)):
            self._record(index, records)
        for name, rows in self._days_alone.items():
            made.remarks.append(
                f"{sheet.name}, column {name}: a date without a time of day (row {listed([str(row) for row in rows])})"
                " counts as 00:00, the beginning of that day",
            )

    def _headings(self, first: int) -> None:
        known, suggestions = {column.name: column for column in self._sheet.columns}, Suggestions()
        seen: dict[str, int] = {}
        for index, cell in enumerate(self._grid.rows[first]):
            name = str(cell).strip().lower().replace(" ", "_")
            if not name:
                continue
            if name in seen:
                self._fault(first, index, "doubled-column", f"the heading '{name}' is there twice", "keep one of the two")
            elif name in known:
                seen[name] = index
                self._columns[index] = known[name]
                continue
            else:
                mend = suggestions.mend(name, set(known), f"leave the column out; the table has {', '.join(known)}")
                words = f"{self._sheet.name} has no column '{str(cell).strip()[:60]}'"
                self._fault(first, index, "unknown-column", words, mend)
            self._ignored.add(index)
        self._missing = [column for column in self._sheet.columns if column.required and column.name not in seen]
        for column in self._missing:
            words = f"{self._sheet.name} has no column '{column.name}', which has no default"
            self._fault(first, None, "missing-column", words, f"add the heading {column.name}")

    def _record(self, index: int, records: list[dict[str, Any]]) -> None:
        row, odd = self._grid.rows[index], self._grid.odd
        filled = [at for at, cell in enumerate(row) if not is_blank(cell) or (index, at) in odd]
        if not filled:
            return
        for at in filled:
            if at not in self._columns and at not in self._ignored:
                self._fault(index, at, "no-heading", "this cell stands under no heading", "give the column a heading, or clear the cell")
        if not self._columns.keys() & set(filled):
            return
        made, place, record = self._made, pointer(*self._sheet.steps, len(records)), dict[str, Any]()
        made.put(place, self._sheet.name, index + 1, {column.name: at for at, column in self._columns.items()})
        made.number(self._sheet.steps[-1], len(records), self._sheet.name, index + 1)
        records.append(record)
        for at in filled:
            if at in self._columns:
                self._value(record, place, index, at)
        for column in self._missing:
            record[column.name] = _DOUBTFUL
            made.refuse(f"{place}/{column.name}", None)

    def _value(self, record: dict[str, Any], place: str, index: int, at: int) -> None:
        column, cell = self._columns[at], self._grid.rows[index][at]
        value, refused = cell_value(cell, self._grid.odd.get((index, at)), column, self._rules)
        record[column.name] = value
        if refused is not None:
            code, words, mend = refused
            label = f"{self._sheet.name}, row {index + 1}: {column.name} {words}"
            fault = SheetFault(self._sheet.name, index + 1, letters(at), column.name, code, label, mend)
            self._made.refuse(f"{place}/{column.name}", fault)
        elif column.kind == "instant" and type(cell).__name__ == "date":
            self._days_alone[column.name].append(index + 1)

    def _fault(self, index: int, at: int | None, code: str, detail: str, mend: str) -> None:
        letter = letters(at) if at is not None else None
        self._made.faults.append(SheetFault(self._sheet.name, index + 1, letter, None, code, detail, mend))


class _SettingsReader:
    """Reads the sheet of settings: in each row a field's name and its value."""

    def __init__(self, made: SheetDocument, sheet: Sheet, rules: Rules) -> None:
        self._made, self._sheet, self._rules = made, sheet, rules
        self._suggestions = Suggestions()
        self._seen: set[str] = set()

    def read(self, grid: Grid | None) -> None:
        """Read it into the document; one that is not there leaves every setting at its default."""
        for column in self._sheet.columns:
            self._made.put(pointer(*column.steps), SETTINGS, None, {})
        if grid is None:
            return
        first = next((index for index, row in enumerate(grid.rows) if not all(map(is_blank, row))), None)
        if first is None:
            return
        at = {str(cell).strip().lower(): index for index, cell in enumerate(grid.rows[first])}
        if FIELD_HEADINGS[0] not in at or FIELD_HEADINGS[1] not in at:
            words = f"the sheet of settings has not the headings {FIELD_HEADINGS[0]} and {FIELD_HEADINGS[1]}"
            self._fault(first, None, "no-heading", words, "put them above the names and the values")
            return
        for index in range(first + 1, len(grid.rows)):
            self._row(grid, index, at[FIELD_HEADINGS[0]], at[FIELD_HEADINGS[1]])

    def _row(self, grid: Grid, index: int, name_at: int, value_at: int) -> None:
        row = grid.rows[index]
        cell: Cell = row[value_at] if value_at < len(row) else ""
        name = str(row[name_at]).strip().lower() if name_at < len(row) else ""
        odd = grid.odd.get((index, value_at))
        if not name:
            if not is_blank(cell):
                self._fault(index, name_at, "no-heading", "this value has no field", "name the field beside it")
            return
        column = self._sheet.column(name)
        if column is None:
            mend = self._suggestions.mend(name, {one.name for one in self._sheet.columns}, "leave the row out")
            self._fault(index, name_at, "unknown-field", f"there is no setting '{name[:60]}'", mend)
        elif name in self._seen:
            self._fault(index, name_at, "doubled-column", f"the setting '{name}' is there twice", "keep one of the two")
        else:
            self._seen.add(name)
            self._put(column, cell, odd, index, value_at)

    def _put(self, column: Column, cell: Cell, odd: str | None, index: int, at: int) -> None:
        place = pointer(*column.steps)
        self._made.put(place, SETTINGS, index + 1, {"": at})
        if is_blank(cell) and odd is None:
            return
        holder: dict[str, Any] = self._made.document
        for step in column.steps[:-1]:
            holder = holder.setdefault(step, {})
        holder[column.steps[-1]], refused = cell_value(cell, odd, column, self._rules)
        if refused is not None:
            code, words, mend = refused
            fault = SheetFault(SETTINGS, index + 1, letters(at), column.name, code, f"{column.name} {words}", mend)
            self._made.refuse(place, fault)

    def _fault(self, index: int, at: int | None, code: str, detail: str, mend: str) -> None:
        self._made.faults.append(SheetFault(SETTINGS, index + 1, letters(at) if at is not None else None, None, code, detail, mend))


def cell_value(cell: Cell, odd: str | None, column: Column, rules: Rules) -> tuple[Any, tuple[str, str, str] | None]:
    """The JSON value of a cell, or what stands for it and why it is refused (code, words, mend)."""
    if odd is not None:
        return _DOUBTFUL, _ODD[odd]
    try:
        return json_value(cell, column, rules), None
    except CellRefused as refused:
        return _DOUBTFUL, (refused.code, refused.words, refused.mend)
