"""A workbook, a zip of CSV files or one of orders as a planning request, by the same checks as JSON: bytes in, or every fault at once."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from platerota_service.workbook.cells import Rules
from platerota_service.workbook.columns import SETTINGS, request_sheets
from platerota_service.workbook.csv_reading import csv_rows
from platerota_service.workbook.document import SheetDocument, document_from
from platerota_service.workbook.faults import NotReadable, SheetFault, at_most
from platerota_service.workbook.grids import Grid, read_grids
from platerota_shared.faults import Fault, RequestRefused
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest

ORDERS: Final = "orders"
"""The table that one CSV file alone can be."""
SOLVE_SECONDS: Final = 10
"""What settings.solve_seconds is where a workbook does not say it: macros wait about 30 seconds, so all of it should take 20."""


class SheetsRefused(Exception):
    """Sheets with faults, every one of them in `faults`; `grids` are the sheets as they were read, none where nothing was."""

    def __init__(self, faults: tuple[SheetFault, ...], grids: dict[str, Grid], *, readable: bool = True) -> None:
        super().__init__("; ".join(fault.detail for fault in faults[:5]))
        self.faults = faults
        self.grids = grids
        self.readable = readable


class SheetsTooLong(SheetsRefused):
    """Sheets without a fault that ask for a longer solve than their call waits for."""


@dataclass(frozen=True, slots=True)
class SheetRequest:
    """A request read from sheets without a fault.

    Attributes
    ----------
    text
        The request as JSON text in one line, UTF-8.
    remarks
        What a planner should know of how the file was read.
    made, grids
        The request as JSON values with their places in the sheets, and the sheets as they were read.
    """

    text: bytes
    request: PlanRequest
    remarks: tuple[str, ...]
    made: SheetDocument
    grids: dict[str, Grid]

    def too_long(self, fault: Fault) -> SheetsTooLong:
        """How it is refused where its solve is longer than its call waits for, which `fault` says."""
        return SheetsTooLong(tuple(self.made.located((fault,))), self.grids)


@dataclass(frozen=True, slots=True)
class StoredShop:
    """The shop that a request in sheets is for, where it does not bring its own: its id and its tables as JSON values."""

    id: str
    tables: dict[str, Any]


def read_sheets(body: bytes, *, decimal_comma: bool = False, shop: StoredShop | None = None) -> SheetRequest:
    """The request in an .xlsx or .ods workbook, or in a zip of CSV files named after the tables.

    Parameters
    ----------
    body
        The file as it came.
    decimal_comma
        Whether a comma parts the decimals of numbers that are written as text.
    shop
        The stored shop that it is for; None where its own tables are in the file.

    Raises
    ------
    SheetsRefused
        With every fault of the file; nothing is stored.
    """
    try:
        grids = read_grids(body)
    except NotReadable as error:
        raise SheetsRefused((error.fault,), {}, readable=False) from None
    made = document_from(grids.by_name, Rules(decimal_comma, grids.counts_from_1904))
    made.faults[:0] = grids.faults
    if shop is not None:
        made.faults += _told_twice(made.document["shop"], shop, grids.by_name)
        made.document["shop"] = shop.tables
    unread = tuple(f"the sheet '{name}' is none of the tables and was not read" for name in grids.unread)
    return _request(made, grids.by_name, unread)


def read_orders(body: bytes, now: str, shop: StoredShop, *, decimal_comma: bool = False) -> SheetRequest:
    """The request that one CSV file of orders is for a stored shop.

    Parameters
    ----------
    body
        The file as it came: the columns of the table `orders`.
    now
        When the plan begins, as a request says it.
    shop, decimal_comma
        As for :func:`read_sheets`.

    Raises
    ------
    SheetsRefused
        With every fault of the file; nothing is stored.
    """
    rows, fault = csv_rows(ORDERS, body)
    grids = {ORDERS: Grid(ORDERS, rows)}
    if fault is None and not any(any(row) for row in rows):
        mend = "give it the headings of the table orders, and a row for each order"
        fault = SheetFault(ORDERS, None, None, None, "no-table", "the file of orders is empty", mend)
    if fault is not None:
        raise SheetsRefused((fault,), {}, readable=False)
    made = document_from(grids, Rules(decimal_comma, counts_from_1904=False))
    made.document |= {"now": now, "shop": shop.tables}
    return _request(made, grids, ())


def _request(made: SheetDocument, grids: dict[str, Grid], unread: tuple[str, ...]) -> SheetRequest:
    """The request that the document is, with its remarks."""
    settings: dict[str, Any] = made.document.setdefault(SETTINGS, {})
    settings.setdefault("solve_seconds", SOLVE_SECONDS)
    try:
        request = read_request(made.document)
    except RequestRefused as refused:
        raise SheetsRefused(at_most(made.all_faults(refused.faults)), grids) from None
    if not made.clean:
        raise SheetsRefused(at_most(made.all_faults(())), grids)
    text = json.dumps(made.document, ensure_ascii=False, allow_nan=False).encode()
    return SheetRequest(text, request, (*unread, *made.remarks), made, grids)


def _told_twice(given: dict[str, Any], shop: StoredShop, grids: dict[str, Grid]) -> Iterator[SheetFault]:
    """What a file for a stored shop says of the shop itself."""
    for sheet in request_sheets():
        if sheet.name in grids and sheet.steps[:1] == ("shop",) and given.get(sheet.steps[-1]):
            words = f"the shop '{shop.id}' is stored already, so the sheet '{sheet.name}' is not read"
            yield SheetFault(sheet.name, None, None, None, "unknown-field", words, "leave it out; change the stored shop where it is wrong")
    timezone = given.get("timezone", shop.tables["timezone"])
    if timezone != shop.tables["timezone"]:
        words = f"the shop '{shop.id}' has the timezone {shop.tables['timezone']}, not {str(timezone)[:60]}"
        yield SheetFault(SETTINGS, None, None, "timezone", "unknown-field", words, "leave the timezone out")
