"""A plan as a workbook: a sheet for each of its tables, and a Gantt chart drawn in cells."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from platerota_service.workbook.gantt_sheet import write_gantt
from platerota_service.workbook.plan_tables import GANTT, PLAN_TABLES, PlanBook, PlanColumn, PlanTable, Value
from platerota_service.workbook.styles import Book, Page, print_wide, write_cell

_WIDTHS = {"text": 14, "instant": 19, "number": 12, "flag": 10}
_WIDE = {"pieces_held": 34, "why": 90, "detail": 110, "meaning": 90, "note": 40, "notes": 60, "figure": 30, "id": 22}


def plan_workbook(book: PlanBook) -> bytes:
    """The workbook (.xlsx) of a plan: Plan, Load windows, Machines, Orders, Runs, KPIs, Gantt, Warnings.

    Instants are local times of the shop without an offset, as spreadsheets hold them: in the hour that the clock runs through
    twice they do not say which of the two is meant; CSV and JSON do.
    """
    out, zone = Book(), ZoneInfo(book.plan.timezone)
    for table in PLAN_TABLES:
        if table.name == "warnings":
            write_gantt(out, out.sheet(GANTT), book.plan, zone)
        _write_table(out, out.sheet(table.title), table, book, zone)
    return out.closed()


def _write_table(out: Book, page: Page, table: PlanTable, book: PlanBook, zone: ZoneInfo) -> None:
    for at, column in enumerate(table.columns):
        write_cell(out, page, 0, at, column.name, "heading")
        page.write_comment(0, at, column.meaning, {"x_scale": 2.2, "y_scale": 1.2})
        page.set_column(at, at, _WIDE.get(column.name, _WIDTHS[column.kind]))
    page.freeze_panes(1, 0)
    print_wide(page)
    last = 0
    for last, row in enumerate(table.rows(book), 1):
        for at, (value, column) in enumerate(zip(row, table.columns, strict=True)):
            if value is not None and value != "":
                _write(out, page, last, at, value, column, zone)
    page.autofilter(0, 0, max(1, last), len(table.columns) - 1)


def _write(out: Book, page: Page, row: int, at: int, value: Value, column: PlanColumn, zone: ZoneInfo) -> None:
    if column.kind == "instant" and isinstance(value, int):
        page.write_datetime(row, at, local_time(value, zone), out.look("instant"))
    elif value is not None:
        write_cell(out, page, row, at, value)


def local_time(seconds: int, zone: ZoneInfo) -> dt.datetime:
    """The local time, without an offset, of an instant in UTC seconds."""
    return dt.datetime.fromtimestamp(seconds, zone).replace(tzinfo=None)
