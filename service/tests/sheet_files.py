"""Workbooks and CSV files for tests, made from the cells of a request, so that one cell can be spoilt."""

from __future__ import annotations

import csv
import datetime as dt
import io
import zipfile
from collections.abc import Mapping
from typing import Any
from xml.sax.saxutils import escape

import xlsxwriter

from platerota_service.workbook.columns import FIELD_HEADINGS, SETTINGS, request_sheets
from platerota_service.workbook.request_writing import example_rows, setting_values, shown_cell

Rows = list[list[Any]]


class Formula:
    """A formula in a cell; `value` None: without a stored result."""

    def __init__(self, text: str, value: Any = None) -> None:
        self.text, self.value = text, value


class Serial:
    """A number in a cell that is formatted as a date or time, as spreadsheets store them."""

    def __init__(self, number: float, shape: str) -> None:
        self.number, self.shape = number, shape


class Sheets:
    """The cells of a request, by sheet; `put` spoils one."""

    def __init__(self, document: Mapping[str, Any]) -> None:
        self.rows: dict[str, Rows] = {}
        for sheet in request_sheets():
            if sheet.name == SETTINGS:
                fields = zip(setting_values(sheet, document), sheet.columns, strict=True)
                rows = [[name, shown_cell(value, column), said] for (name, value, said), column in fields]
                self.rows[SETTINGS] = [list(FIELD_HEADINGS), *rows]
            else:
                self.rows[sheet.name] = [[column.name for column in sheet.columns], *example_rows(sheet, document)]

    def put(self, sheet: str, heading: str, value: Any, row: int = 2) -> Sheets:
        """Put `value` under a heading, or beside a field of the settings; rows count from 1 as in a spreadsheet."""
        rows = self.rows[sheet]
        if sheet == SETTINGS:
            next(one for one in rows if one[0] == heading)[1] = value
        else:
            rows[row - 1][rows[0].index(heading)] = value
        return self

    def xlsx(self, **options: Any) -> bytes:
        """An .xlsx workbook."""
        buffer = io.BytesIO()
        book = xlsxwriter.Workbook(buffer, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, **options})
        for name, rows in self.rows.items():
            page = book.add_worksheet(name)
            for number, row in enumerate(rows):
                for at, value in enumerate(row):
                    _write(book, page, number, at, value)
        book.close()
        return _without_results(buffer.getvalue())

    def csv_zip(self, delimiter: str = ",", encoding: str = "utf-8") -> bytes:
        """A zip of CSV files."""
        return zipped({f"{name}.csv": csv_bytes(rows, delimiter, encoding) for name, rows in self.rows.items()})

    def ods(self) -> bytes:
        """An OpenDocument spreadsheet, as small as one can be."""
        tables = "".join(f'<table:table table:name="{escape(name)}">{_ods_rows(rows)}</table:table>' for name, rows in self.rows.items())
        return ods_file(tables)


def _write(book: Any, page: Any, number: int, at: int, value: Any) -> None:
    if isinstance(value, Formula):
        page.write_formula(number, at, value.text, None, _MARK if value.value is None else value.value)
    elif isinstance(value, Serial):
        page.write_number(number, at, value.number, book.add_format({"num_format": value.shape}))
    elif isinstance(value, dt.datetime):
        page.write_datetime(number, at, value, book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"}))
    elif isinstance(value, dt.date):
        page.write_datetime(number, at, value, book.add_format({"num_format": "yyyy-mm-dd"}))
    elif isinstance(value, dt.time | dt.timedelta):
        page.write_datetime(number, at, value, book.add_format({"num_format": "[hh]:mm"}))
    elif value != "":
        page.write(number, at, value)


_MARK = 987_654_321


def _without_results(content: bytes) -> bytes:
    """The workbook with the results of marked formulas taken out, as libraries write them that cannot calculate."""
    return changed(content, lambda _, part: part.replace(f"<v>{_MARK}</v>".encode(), b"<v></v>"))


def changed(content: bytes, change: Any) -> bytes:
    """A zip with every part (name, bytes) changed."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return zipped({name: change(name, archive.read(name)) for name in archive.namelist()})


def zipped(files: Mapping[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """A zip of files."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", method) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return buffer.getvalue()


def csv_bytes(rows: Rows, delimiter: str = ",", encoding: str = "utf-8") -> bytes:
    """Rows as CSV text, as a spreadsheet in that language would save them."""
    buffer = io.StringIO(newline="")
    csv.writer(buffer, delimiter=delimiter).writerows([[_csv_text(value) for value in row] for row in rows])
    return buffer.getvalue().encode(encoding)


def _csv_text(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, dt.timedelta):
        minutes = int(value.total_seconds()) // 60
        return f"{minutes // 60:02}:{minutes % 60:02}"
    return value.isoformat(" ") if isinstance(value, dt.datetime) else str(value)


def ods_file(tables: str) -> bytes:
    """An OpenDocument spreadsheet with these tables (XML)."""
    office = "urn:oasis:names:tc:opendocument:xmlns"
    spaces = f'xmlns:office="{office}:office:1.0" xmlns:table="{office}:table:1.0" xmlns:text="{office}:text:1.0"'
    body = f"<office:body><office:spreadsheet>{tables}</office:spreadsheet></office:body>"
    content = f"<office:document-content {spaces}>{body}</office:document-content>"
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    space = f'xmlns:manifest="{office}:manifest:1.0"'
    entries = "".join(
        f'<manifest:file-entry manifest:full-path="{path}" manifest:media-type="{media}"/>'
        for path, media in (("/", kind), ("content.xml", "text/xml"))
    )
    manifest = f"<manifest:manifest {space}>{entries}</manifest:manifest>"
    return zipped({"mimetype": kind.encode(), "content.xml": content.encode(), "META-INF/manifest.xml": manifest.encode()})


def _ods_rows(rows: Rows) -> str:
    return "".join(f"<table:table-row>{''.join(map(_ods_cell, row))}</table:table-row>" for row in rows)


def _ods_cell(value: Any) -> str:
    if isinstance(value, Formula):
        return '<table:table-cell table:formula="of:=1+1"/>'
    if value == "":
        return "<table:table-cell/>"
    kind, attribute, text = _ods_value(value)
    return f'<table:table-cell office:value-type="{kind}" {attribute}><text:p>{escape(text)}</text:p></table:table-cell>'


def _ods_value(value: Any) -> tuple[str, str, str]:
    if isinstance(value, bool):
        return "boolean", f'office:boolean-value="{str(value).lower()}"', str(value).upper()
    if isinstance(value, int | float):
        return "float", f'office:value="{value}"', str(value)
    if isinstance(value, dt.timedelta):
        minutes = int(value.total_seconds()) // 60
        return "time", f'office:time-value="PT{minutes // 60:02}H{minutes % 60:02}M00S"', f"{minutes // 60}:{minutes % 60:02}"
    if isinstance(value, dt.date):
        return "date", f'office:date-value="{value.isoformat()}"', value.isoformat()
    return "string", "", value
