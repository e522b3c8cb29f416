"""A workbook or a zip of CSV files as a planning request, by the same checks as JSON: bytes in, or every fault at once."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Final

from platerota_service.workbook.cells import Rules
from platerota_service.workbook.columns import SETTINGS
from platerota_service.workbook.document import document_from
from platerota_service.workbook.faults import NotReadable, SheetFault, at_most
from platerota_service.workbook.grids import Grid, read_grids
from platerota_shared.faults import RequestRefused
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest

SOLVE_SECONDS: Final = 10
"""What settings.solve_seconds is where a workbook does not say it: macros wait about 30 seconds, so all of it should take 20."""


class SheetsRefused(Exception):
    """Sheets with faults, every one of them in `faults`; `grids` are the sheets as they were read, none where nothing was."""

    def __init__(self, faults: tuple[SheetFault, ...], grids: dict[str, Grid], *, readable: bool = True) -> None:
        super().__init__("; ".join(fault.detail for fault in faults[:5]))
        self.faults = faults
        self.grids = grids
        self.readable = readable


@dataclass(frozen=True, slots=True)
class SheetRequest:
    """A request read from sheets without a fault.

    Attributes
    ----------
    text
        The request as JSON text in one line, UTF-8.
    remarks
        What a planner should know of how the file was read.
    """

    text: bytes
    request: PlanRequest
    remarks: tuple[str, ...]


def read_sheets(body: bytes, *, decimal_comma: bool = False) -> SheetRequest:
    """The request in an .xlsx or .ods workbook, or in a zip of CSV files named after the tables.

    Parameters
    ----------
    body
        The file as it came.
    decimal_comma
        Whether a comma parts the decimals of numbers that are written as text.

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
    settings: dict[str, Any] = made.document.setdefault(SETTINGS, {})
    settings.setdefault("solve_seconds", SOLVE_SECONDS)
    try:
        request = read_request(made.document)
    except RequestRefused as refused:
        raise SheetsRefused(at_most(made.all_faults(refused.faults)), grids.by_name) from None
    if not made.clean:
        raise SheetsRefused(at_most(made.all_faults(())), grids.by_name)
    unread = [f"the sheet '{name}' is none of the tables and was not read" for name in grids.unread]
    text = json.dumps(made.document, ensure_ascii=False, allow_nan=False).encode()
    return SheetRequest(text, request, (*unread, *made.remarks))
