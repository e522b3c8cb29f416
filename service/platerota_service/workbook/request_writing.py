"""The sheets of a request as a workbook: the template with an example week, and a caller's own sheets with the faults marked."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final

from platerota_service.workbook.columns import FIELD_HEADINGS, SETTINGS, Column, Sheet, request_sheets, value_at
from platerota_service.workbook.faults import SheetFault
from platerota_service.workbook.grids import HELP, PROBLEMS, Cell, Grid
from platerota_service.workbook.styles import Book, Look, Page, fit_height, print_wide, write_cell
from platerota_service.workbook.validation import add_validation
from platerota_shared.reading import LIMITS

MAX_MARKS: Final = 2_000
"""Cells that are marked with a note; the list in the sheet `Problems` has every fault."""

_LOOKS: Final[dict[str, Look]] = {"instant": "instant", "date": "date", "time": "time", "text": "text", "choice": "text", "break": "text"}
_WRITE: Final = {
    "text": "text", "whole": "a whole number", "number": "a number", "flag": "TRUE or FALSE", "instant": "date and time", "date": "a date",
    "time": "a time of day, HH:MM", "break": "HH:MM-HH:MM", "length": "mm, or text with a unit: 16 in",
    "mass": "kg, or text with a unit: 24 lb",
}
_HOW: Final = (
    "Fill the sheets settings, machines, plates, fixtures, nests, operations, operators, shifts and orders; the others as needed.",
    "The rows that are there are an example week of a shop that does not exist: write your own over them.",
    "A darker heading must be filled in every row; every other cell may stay blank. Hover over a heading to read what belongs there.",
    "Times are the shop's own. A date without a time of day counts as 00:00, its beginning. Lists are parted by ; as in mon;tue;wed.",
    (
        "Send the file as the body of POST /v1/plans. What comes back is the plan; or, where something is wrong, this workbook with a"
        " sheet Problems and the cells in question marked. Mend them there and send that."
    ),
    "Lifting plates and reaching into a machine can injure: times here are plans, not targets. Local rules and a competent person decide.",
)


_ONLY_VALUES: Final = (
    "Mend the marked cells, here or in your own file, and send it again. This workbook holds what was read: values only, no formulas,"
    " and no sheets but those of the request."
)


def template_workbook(example: Mapping[str, Any]) -> bytes:
    """The template: a sheet for each table with headings, notes, lists to choose from, and the rows of the request `example`."""
    book = Book()
    _write_help(book)
    for sheet in request_sheets():
        page = book.sheet(sheet.name)
        if sheet.name == SETTINGS:
            _write_settings(book, page, sheet, example)
        else:
            _write_table(book, page, sheet, example_rows(sheet, example))
    return book.closed()


def example_rows(sheet: Sheet, example: Mapping[str, Any]) -> list[list[Cell]]:
    """The rows of a table of a request (JSON values) as cells."""
    rows: Iterable[Mapping[str, Any]] = value_at(example, sheet.steps) or ()
    return [[shown_cell(row.get(column.name), column) for column in sheet.columns] for row in rows]


def setting_values(sheet: Sheet, example: Mapping[str, Any]) -> Iterator[tuple[str, Any, str]]:
    """The rows of the sheet of settings: field, JSON value, meaning; the contract's default where the request says nothing."""
    for column in sheet.columns:
        value = value_at(example, column.steps)
        yield column.name, column.default if value is None else value, said(column)


def shown_cell(value: Any, column: Column) -> Cell:
    """A JSON value as the cell that reads back as it; blank where there is none."""
    if value is None:
        return ""
    if column.many:
        return ";".join(str(entry) for entry in value)
    if column.kind == "instant":
        return _local(value)
    if column.kind == "date":
        return dt.date.fromisoformat(value)
    if column.kind == "time":
        hours, _, minutes = value.partition(":")
        return dt.timedelta(hours=int(hours), minutes=int(minutes))
    cell: Cell = value
    return cell


def _local(value: str) -> Cell:
    """A local time as a date cell; one with an offset, and one as short as the standard allows, stays text."""
    stamp = dt.datetime.fromisoformat(value)
    return stamp if stamp.tzinfo is None else value


def said(column: Column) -> str:
    """What belongs into a column, in one or two sentences."""
    what = " or ".join(column.choices) if column.choices else _WRITE[column.kind]
    if column.many:
        what = f"a list parted by ;, of {', '.join(column.choices)}" if column.choices else f"a list parted by ;, each {what}"
    # In a sheet nothing and an empty list are a blank cell.
    meaning = column.meaning.replace("null", "blank").replace("empty:", "blank:").replace("`", "'")
    return f"{meaning} Write {what}. {_blank(column)}"


def _blank(column: Column) -> str:
    if column.required:
        return "Needed."
    default = column.default
    if default is None or default == ():
        return "May stay blank."
    return f"Blank: {str(default).upper() if isinstance(default, bool) else f'{default:.12g}' if isinstance(default, float) else default}."


def _write_help(book: Book) -> None:
    page = book.sheet(HELP)
    page.set_column(0, 1, 18)
    page.set_column(2, 2, 110)
    print_wide(page, heads=False)
    for row, line in enumerate(_HOW):
        page.merge_range(row, 0, row, 2, line, book.look("wrapped"))
        page.set_row(row, 32)
    row = len(_HOW) + 1
    for at, heading in enumerate(("sheet", "column", "meaning")):
        write_cell(book, page, row, at, heading, "heading")
    for sheet in request_sheets():
        for column in sheet.columns:
            row += 1
            for at, text in enumerate((sheet.name, column.name, said(column))):
                write_cell(book, page, row, at, text, "wrapped" if at == 2 else "plain")
            fit_height(page, row, said(column), 110)


def _write_settings(book: Book, page: Page, sheet: Sheet, example: Mapping[str, Any]) -> None:
    _write_headings(book, page, FIELD_HEADINGS)
    page.set_column(0, 1, 22)
    page.set_column(2, 2, 110)
    for row, ((name, value, meaning), column) in enumerate(zip(setting_values(sheet, example), sheet.columns, strict=True), 1):
        write_cell(book, page, row, 0, name)
        write_cell(book, page, row, 1, shown_cell(value, column), _LOOKS.get(column.kind, "plain"))
        write_cell(book, page, row, 2, meaning, "wrapped")
        fit_height(page, row, meaning, 110)
        add_validation(page, column, row, row, 1)


def _write_table(book: Book, page: Page, sheet: Sheet, rows: list[list[Cell]]) -> None:
    limit = LIMITS[sheet.steps[-1]]
    for at, column in enumerate(sheet.columns):
        look = _LOOKS.get(column.kind, "plain")
        page.set_column(at, at, max(10, len(column.name) + 2, 20 if column.kind == "instant" else 0), book.look(look))
        write_cell(book, page, 0, at, column.name, "needed" if column.required else "heading")
        page.write_comment(0, at, said(column), {"x_scale": 2.2, "y_scale": 1.4})
        add_validation(page, column, 1, limit, at)
    page.freeze_panes(1, 1)
    print_wide(page)
    for number, row in enumerate(rows, 1):
        for at, value in enumerate(row):
            if value != "":
                write_cell(book, page, number, at, value, _LOOKS.get(sheet.columns[at].kind, "plain"))


def _write_headings(book: Book, page: Page, headings: Iterable[str]) -> None:
    for at, heading in enumerate(headings):
        write_cell(book, page, 0, at, heading, "heading")
    page.freeze_panes(1, 0)


def problems_workbook(faults: tuple[SheetFault, ...], grids: Mapping[str, Grid]) -> bytes:
    """The sheet `Problems`, and the caller's own sheets as they were read with the cells in question marked."""
    book = Book()
    page = book.sheet(PROBLEMS)
    _write_headings(book, page, ("sheet", "row", "column", "heading", "what", "mend", "code"))
    page.write_comment(0, 0, _ONLY_VALUES, {"x_scale": 2.2, "y_scale": 1.4})
    for at, width in enumerate((18, 8, 8, 20, 90, 60, 24)):
        page.set_column(at, at, width)
    for number, fault in enumerate(faults, 1):
        _write_problem(book, page, number, fault, grids)
    page.autofilter(0, 0, max(1, len(faults)), 6)
    print_wide(page)
    marks: dict[str, dict[tuple[int, str], SheetFault]] = defaultdict(dict)
    for fault in faults[:MAX_MARKS]:
        if fault.sheet is not None and fault.row is not None and fault.column is not None:
            marks[fault.sheet.lower()].setdefault((fault.row, fault.column), fault)
    for name, grid in grids.items():
        _write_marked(book, book.sheet(name), grid, marks[name])
    return book.closed()


def _write_problem(book: Book, page: Page, number: int, fault: SheetFault, grids: Mapping[str, Grid]) -> None:
    cells: tuple[Cell, ...] = (
        fault.sheet or "", fault.row or "", fault.column or "", fault.heading or "", fault.detail, fault.mend, fault.code,
    )
    for at, value in enumerate(cells):
        write_cell(book, page, number, at, value, "wrapped" if at in (4, 5) else "plain")
    fit_height(page, number, max(fault.detail, fault.mend, key=len), 60)
    if fault.sheet in grids and number <= MAX_MARKS:
        place = f"internal:'{fault.sheet}'!{fault.column or 'A'}{fault.row or 1}"
        page.write_url(number, 0, place, string=fault.sheet, tip="go to the cell")


def _write_marked(book: Book, page: Page, grid: Grid, marks: Mapping[tuple[int, str], SheetFault]) -> None:
    from_marks = {(row - 1, _index(column)): fault for (row, column), fault in marks.items()}
    page.set_column(0, max((len(row) for row in grid.rows), default=1), 16)
    for number, row in enumerate(grid.rows):
        for at, value in enumerate(row):
            if value != "" and (number, at) not in from_marks:
                write_cell(book, page, number, at, value)
    for (number, at), fault in from_marks.items():
        inside = number < len(grid.rows) and at < len(grid.rows[number])
        write_cell(book, page, number, at, grid.rows[number][at] if inside else "", "bad")
        page.write_comment(number, at, f"{fault.detail}: {fault.mend}"[:1_000], {"x_scale": 2.2, "y_scale": 1.4})


def _index(name: str) -> int:
    index = 0
    for letter in name:
        index = index * 26 + ord(letter) - 64
    return index - 1
