"""How cells are written, for every sheet alike: text that can never become a formula, local times, widths, colours with a meaning."""

# XlsxWriter has no types; only this module names it.
# pyright: reportMissingTypeStubs=false, reportUnknownMemberType=false
from __future__ import annotations

import datetime as dt
from io import BytesIO
from typing import Any, Final, Literal, TypeAlias

import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from platerota_service.workbook.csv_reading import GUARDED
from platerota_service.workbook.grids import Cell

Page: TypeAlias = Worksheet
"""A sheet that is being written."""

Look = Literal["plain", "text", "instant", "date", "time", "share", "heading", "needed", "bad", "wrapped"]

LONGEST_TEXT: Final = 32_767
"""Characters of one cell (the limit of the file format)."""

_SHAPES: Final[dict[Look, dict[str, Any]]] = {
    "plain": {},
    "text": {"num_format": "@"},
    "instant": {"num_format": "yyyy-mm-dd hh:mm:ss"},
    "date": {"num_format": "yyyy-mm-dd"},
    "time": {"num_format": "[hh]:mm"},
    "share": {"num_format": "0.0 %"},
    "heading": {"bold": True, "bottom": 1, "bg_color": "#E4E9EC", "font_color": "#1B2A33"},
    "needed": {"bold": True, "bottom": 2, "bg_color": "#C9D8DF", "font_color": "#1B2A33"},
    "bad": {"bold": True, "border": 2, "border_color": "#9C1C1C", "bg_color": "#FBDAD7", "font_color": "#5A0F0F"},
    "wrapped": {"text_wrap": True, "valign": "top"},
}


class Book:
    """A workbook that is being written, in memory."""

    def __init__(self) -> None:
        self._buffer = BytesIO()
        # No temporary files; and nothing is ever taken for a formula, a number or a link by what it looks like.
        options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
        self._book = xlsxwriter.Workbook(self._buffer, options)
        self._looks: dict[tuple[Look, str, bool], Format] = {}

    def sheet(self, title: str) -> Page:
        """A new sheet."""
        return self._book.add_worksheet(title)

    def look(self, name: Look, *, number: Look = "plain", quoted: bool = False) -> Format:
        """The format of that name with the number format of another one; `quoted` keeps text from becoming a formula when edited."""
        key = (name, number, quoted)
        if key not in self._looks:
            self._looks[key] = self._book.add_format({**_SHAPES[number], **_SHAPES[name], **({"quote_prefix": True} if quoted else {})})
        return self._looks[key]

    def custom(self, shape: dict[str, Any]) -> Format:
        """A format of its own."""
        return self._book.add_format(shape)

    def closed(self) -> bytes:
        """The bytes of the finished workbook."""
        self._book.close()
        return self._buffer.getvalue()


def write_cell(book: Book, sheet: Page, row: int, column: int, value: Cell, look: Look = "plain") -> None:
    """Write one cell as what it is; a date or time gets a number format of its own unless `look` has one."""
    if isinstance(value, bool):
        sheet.write_boolean(row, column, value, book.look(look))
    elif isinstance(value, int | float):
        sheet.write_number(row, column, value, book.look(look))
    elif isinstance(value, str):
        sheet.write_string(row, column, value[:LONGEST_TEXT], book.look(look, quoted=value.startswith(GUARDED)))
    else:
        moment: Any = value  # the library's own hint knows of datetime only
        sheet.write_datetime(row, column, moment, book.look(look, number=_look_of(value)))


def fit_height(page: Page, row: int, text: str, width: int) -> None:
    """Make a row as high as `text` needs in a column of `width` characters; spreadsheets do not measure wrapped text they open."""
    lines = sum(-(-max(1, len(line)) // width) for line in text.split("\n"))
    if lines > 1:
        page.set_row(row, 15 * min(lines, 20))


def print_wide(page: Page, *, heads: bool = True) -> None:
    """Print a sheet on A4 across, as wide as one page, its first row at the top of each (unless it has no `heads`)."""
    page.set_landscape()
    page.set_paper(9)
    page.fit_to_pages(1, 0)
    if heads:
        page.repeat_rows(0)


def _look_of(value: dt.datetime | dt.date | dt.time | dt.timedelta) -> Look:
    if isinstance(value, dt.datetime):
        return "instant"
    return "date" if isinstance(value, dt.date) else "time"
