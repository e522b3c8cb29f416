"""Tables as CSV (RFC 4180): UTF-8 without a byte order mark, commas, CRLF, a first line of headings, instants with their offset."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterable, Mapping
from typing import Any
from zoneinfo import ZoneInfo

from platerota_service.workbook.columns import FIELD_HEADINGS, SETTINGS, Sheet, request_sheets, value_at
from platerota_service.workbook.csv_reading import guarded
from platerota_service.workbook.plan_tables import PLAN_TABLES, PlanBook, PlanColumn, PlanTable, Value
from platerota_service.workbook.request_writing import setting_values
from platerota_shared.instants import local_text


def plan_csv(table: PlanTable, book: PlanBook) -> bytes:
    """One table of a plan."""
    zone = ZoneInfo(book.plan.timezone)
    rows = ([_written(value, column, zone) for value, column in zip(row, table.columns, strict=True)] for row in table.rows(book))
    return _csv([column.name for column in table.columns], rows)


def plan_csvs(book: PlanBook) -> bytes:
    """Every table of a plan, as a zip of CSV files."""
    return _zipped({f"{table.name}.csv": plan_csv(table, book) for table in PLAN_TABLES})


def template_csv(sheet: Sheet, example: Mapping[str, Any]) -> bytes:
    """One table of a request with the rows of `example` (a request's JSON values)."""
    if sheet.name == SETTINGS:
        return _csv(FIELD_HEADINGS, ([name, _as_text(value), said] for name, value, said in setting_values(sheet, example)))
    records: Iterable[Mapping[str, Any]] = value_at(example, sheet.steps) or ()
    return _csv([column.name for column in sheet.columns], ([_as_text(row.get(one.name)) for one in sheet.columns] for row in records))


def template_csvs(example: Mapping[str, Any]) -> bytes:
    """Every table of a request, as a zip of CSV files."""
    return _zipped({f"{sheet.name}.csv": template_csv(sheet, example) for sheet in request_sheets()})


def _as_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list | tuple):
        return guarded(";".join(map(str, value)))  # pyright: ignore[reportUnknownArgumentType]
    return guarded(value) if isinstance(value, str) else repr(value)


def _written(value: Value, column: PlanColumn, zone: ZoneInfo) -> str:
    if column.kind == "instant" and isinstance(value, int):
        return local_text(value, zone)
    return _as_text(value)


def _csv(headings: Iterable[str], rows: Iterable[Iterable[str]]) -> bytes:
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(headings)
    writer.writerows(rows)
    return buffer.getvalue().encode()


def _zipped(files: Mapping[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            # One date for all: the same plan gives the same bytes.
            archive.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), content, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()
