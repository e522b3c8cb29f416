"""A workbook's bytes as grids of cells, one for each sheet of a request; whatever else is in the file stays unread."""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from dataclasses import dataclass, field
from functools import cache
from typing import Final

from python_calamine import CalamineWorkbook

from platerota_service.workbook.archive import closed_archive, open_archive
from platerota_service.workbook.columns import SETTINGS, request_sheets
from platerota_service.workbook.csv_reading import csv_rows
from platerota_service.workbook.faults import NotReadable, SheetFault
from platerota_service.workbook.plan_tables import GANTT, PLAN_TABLES
from platerota_service.workbook.scanning import Oddities, Oddity, scan_ods, scan_xlsx, sheet_parts
from platerota_shared.faults import listed
from platerota_shared.suggestions import Suggestions

Cell = str | int | float | bool | dt.datetime | dt.date | dt.time | dt.timedelta

HELP: Final = "help"
PROBLEMS: Final = "Problems"
PLAN_SHEET: Final = "plan"
"""The first sheet of a plan that came back, as :func:`_folded` has it."""


_XLSX_PARTS: Final = ("xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/sharedstrings.xml", "xl/styles.xml")
_XLSX_ROOT: Final = (
    b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" Target="xl/workbook.xml"'
    b' Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument"/></Relationships>'
)
_ODS_TYPE: Final = b"application/vnd.oasis.opendocument.spreadsheet"
_ODS_MANIFEST: Final = b'<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>'
_FROM_1904: Final = re.compile(rb"""date1904\s*=\s*["'](?:1|true)""")


@dataclass(frozen=True, slots=True)
class Grid:
    """The cells of one sheet from A1 on, rows of equal kind; `odd` says which blank-looking ones are not blank."""

    name: str
    rows: list[list[Cell]]
    odd: dict[tuple[int, int], Oddity] = field(default_factory=dict[tuple[int, int], Oddity])


@dataclass(frozen=True, slots=True)
class Grids:
    """What was read of a file: the grids by the table's name, faults of the file itself, and names of sheets that were not read."""

    by_name: dict[str, Grid]
    faults: tuple[SheetFault, ...]
    unread: tuple[str, ...]
    counts_from_1904: bool = False


def read_grids(body: bytes) -> Grids:
    """The grids in an .xlsx or .ods workbook, or in a zip of CSV files.

    Raises
    ------
    NotReadable
        Where there is no sheet to read.
    """
    parts = open_archive(body)
    if "xl/workbook.xml" in parts:
        return _xlsx(parts)
    if "content.xml" in parts:
        return _ods(parts)
    files = {name: content for name, content in parts.items() if name.endswith(".csv") and "__macosx" not in name}
    if not files:
        raise NotReadable(
            "not-a-workbook", "the file is no .xlsx or .ods workbook and holds no CSV files",
            "save it as .xlsx or .ods, or send a zip of CSV files named after the tables: orders.csv, machines.csv",
        )
    return _csv_files(files)


def _xlsx(parts: dict[str, bytes]) -> Grids:
    sheets = sheet_parts(parts)
    chosen, faults, unread = _chosen([title for title, _ in sheets])
    wanted = [(title, part) for title, part in sheets if title in chosen.values()]
    odd = scan_xlsx(parts, wanted)
    # The reader gets no sheet that was not looked through first.
    shown = {"_rels/.rels": _XLSX_ROOT} | {name: parts[name] for name in (*_XLSX_PARTS, *(part for _, part in wanted)) if name in parts}
    from_1904 = _FROM_1904.search(parts["xl/workbook.xml"]) is not None
    return Grids(_grids(_opened(shown), chosen, odd), faults, unread, counts_from_1904=from_1904)


def _ods(parts: dict[str, bytes]) -> Grids:
    # The reader makes everything of such a file while it opens it, so all of it is looked through before.
    odd = scan_ods(parts)
    book = _opened({"mimetype": _ODS_TYPE, "content.xml": parts["content.xml"], "META-INF/manifest.xml": _ODS_MANIFEST})
    chosen, faults, unread = _chosen(book.sheet_names)
    return Grids(_grids(book, chosen, odd), faults, unread)


def _grids(book: CalamineWorkbook, chosen: dict[str, str], odd: Oddities) -> dict[str, Grid]:
    return {name: Grid(name, _rows(book, title), odd.get(title, {})) for name, title in chosen.items()}


def _opened(parts: dict[str, bytes]) -> CalamineWorkbook:
    try:
        return CalamineWorkbook.from_filelike(closed_archive(parts))
    except BaseException as error:
        raise _unless_ours(error) from None


def _rows(book: CalamineWorkbook, title: str) -> list[list[Cell]]:
    try:
        return list(book.get_sheet_by_name(title).to_python(skip_empty_area=False))
    except BaseException as error:
        raise _unless_ours(error) from None


def _unless_ours(error: BaseException) -> BaseException:
    """What the reader found wrong, as a fault of the file; it panics with an exception that is not even an Exception."""
    if isinstance(error, Exception) or type(error).__name__ == "PanicException":
        return NotReadable(
            "not-a-workbook", f"the file is damaged: {str(error)[:200] or type(error).__name__}",
            "open it in the spreadsheet program, save it again and send that",
        )
    return error


def _chosen(titles: list[str]) -> tuple[dict[str, str], tuple[SheetFault, ...], tuple[str, ...]]:
    """The sheets to read as table → title, faults of the titles, and those left unread."""
    known = {sheet.name: sheet for sheet in request_sheets()}
    folded = [_folded(title) for title in titles]
    if PLAN_SHEET in folded and SETTINGS not in folded:
        raise NotReadable(
            "a-plan-not-a-request", "this workbook is a plan that came back", "send the workbook that the plan was made from",
        )
    suggestions, chosen, faults, unread = Suggestions(), dict[str, str](), list[SheetFault](), list[str]()
    for title, name in zip(titles, folded, strict=True):
        if name in chosen:
            words = f"the sheets '{chosen[name]}' and '{title}' have the same name"
            faults.append(SheetFault(title, None, None, None, "doubled-sheet", words, "keep one of the two"))
        elif name in known:
            chosen[name] = title
        elif name not in _own_sheets():
            near = suggestions.nearest(name, set(known) - set(folded))
            if near is None:
                unread.append(title)
            else:
                mend = f"call it '{near}', or something else altogether where it is not meant"
                faults.append(SheetFault(title, None, None, None, "unknown-sheet", f"there is no table '{title}'", mend))
    if not chosen and not faults:
        words = f"none of the sheets is one of a request; there are {listed([title[:40] for title in titles])}"
        raise NotReadable("no-table", words, "begin with the template: GET /v1/workbook-template")
    return chosen, tuple(faults), tuple(unread)


def _folded(title: str) -> str:
    return title.strip().lower().replace(" ", "_")


@cache
def _own_sheets() -> frozenset[str]:
    """Sheets that we write and do not read; a plan's may stand beside its request, `(plan)` after the names that both have."""
    titles = [table.title for table in PLAN_TABLES]
    return frozenset(map(_folded, (HELP, PROBLEMS, GANTT, *titles, *(f"{title} (plan)" for title in titles))))


def _csv_files(files: dict[str, bytes]) -> Grids:
    titles = {path: path.replace("\\", "/").rpartition("/")[2][:-4] for path in files}
    doubled = [title for title, count in Counter(titles.values()).items() if count > 1]
    chosen, faults, unread = _chosen(list(dict.fromkeys(titles.values())))
    grids: dict[str, Grid] = {}
    found = list(faults)
    for title in doubled:
        found.append(SheetFault(title, None, None, None, "doubled-sheet", f"two files are called '{title}.csv'", "keep one of the two"))
    for name, title in chosen.items():
        path = next(path for path, one in titles.items() if one == title)
        rows, fault = csv_rows(name, files[path])
        if fault is not None:
            found.append(fault)
        grids[name] = Grid(name, rows)
    return Grids(grids, tuple(found), unread)
