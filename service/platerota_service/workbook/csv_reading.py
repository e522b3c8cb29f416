"""One CSV file (RFC 4180) as rows of text: UTF-8 with or without a byte order mark, parted by commas, semicolons or tabs."""

from __future__ import annotations

import csv
import io
from typing import Any, Final

from platerota_service.workbook.columns import FIELD_HEADINGS, SETTINGS, sheet_named
from platerota_service.workbook.faults import SheetFault

DELIMITERS: Final = (",", ";", "\t")
GUARDED: Final = ("=", "+", "-", "@", "\t", "\r")
"""A text that begins so becomes a formula in a spreadsheet (OWASP: CSV injection)."""

_LONGEST_CELL: Final = 32_768


def guarded(text: str) -> str:
    """Text as it may stand in a CSV file: with an apostrophe before what a spreadsheet would take for a formula.

    An apostrophe is put before such an apostrophe too, so that :func:`unguarded` gives every text back as it was.
    """
    return f"'{text}" if text.lstrip("'").startswith(GUARDED) else text


def unguarded(text: str) -> str:
    """The text that :func:`guarded` wrote."""
    return text[1:] if text.startswith("'") and text.lstrip("'").startswith(GUARDED) else text


def csv_rows(name: str, content: bytes) -> tuple[list[list[Any]], SheetFault | None]:
    """The rows of the table `name`, and what is wrong with the file as a whole; a faulty one has no rows."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        words = f"{name}.csv is not UTF-8: byte {content[error.start]:#04x} at position {error.start}"
        return [], SheetFault(name, None, None, None, "not-utf-8", words, "save it as CSV UTF-8")
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(name, text), strict=True))
    except csv.Error as error:
        words, mend = f"{name}.csv is no CSV file: {error}", "look for a quotation mark that is not closed or not doubled"
        return [], SheetFault(name, None, None, None, "not-a-workbook", words, mend)
    longest = max((len(cell) for row in rows for cell in row), default=0)
    if longest > _LONGEST_CELL or "\0" in text:
        words = f"{name}.csv holds a cell of {longest:,} characters, or a NUL"
        return [], SheetFault(name, None, None, None, "bad-text", words, "look for a quotation mark that is not closed")
    return [[unguarded(cell) for cell in row] for row in rows], None


def _delimiter(name: str, text: str) -> str:
    """The delimiter by which the first line has most headings of the table; a comma where none has any."""
    line = text.lstrip("\r\n").partition("\n")[0].rstrip("\r")
    sheet = sheet_named(name)
    known = set(FIELD_HEADINGS) if name == SETTINGS else {column.name for column in sheet.columns} if sheet is not None else set[str]()

    def headings(delimiter: str) -> int:
        return sum(cell.strip().strip('"').strip().lower().replace(" ", "_") in known for cell in line.split(delimiter))

    return max(DELIMITERS, key=headings)
