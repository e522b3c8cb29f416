"""What can be wrong with sheets: a fault with its sheet, row and column, and the codes that only sheets have."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from platerota_shared.faults import CODES, MAX_FAULTS

SHEET_CODES: Final[dict[str, str]] = {
    "not-a-workbook": "the body is no .xlsx or .ods workbook and no zip of CSV files",
    "no-table": "none of the sheets is one of a request",
    "too-large-inside": "the workbook is far larger inside than it looks, or holds more than any request needs",
    "a-plan-not-a-request": "the workbook is a plan that came back, not the request it was made from",
    "unknown-sheet": "a sheet's name is almost that of a table",
    "doubled-sheet": "two sheets have the same name",
    "no-heading": "a sheet has no row of headings, or a cell stands under no heading",
    "unknown-column": "a heading that the table does not have",
    "doubled-column": "two columns have the same heading, or two rows of the settings the same field",
    "missing-column": "a column that has no default is not there",
    "uncalculated-formula": "a formula whose result is not in the file",
    "error-cell": "a formula that ends in an error such as #N/A",
    "became-a-date": "an id or text that the spreadsheet turned into a date or a time",
    "long-number": "an id of more than 15 digits, which a spreadsheet does not keep as it was typed",
    "bad-number": "text where a number belongs, or a comma where a point belongs",
    "ambiguous-date": "a date that reads differently in different countries, such as 03/04/2027",
}
"""Every code that only sheets have and what it means."""


@dataclass(frozen=True, slots=True)
class SheetFault:
    """One thing wrong with a workbook.

    Attributes
    ----------
    sheet
        The sheet, or in a zip of CSV files the table; None where the file as a whole is meant.
    row
        The row as the spreadsheet numbers it, from 1; None where the whole sheet or a column is meant.
    column
        The column's letters; None where the whole row is meant.
    heading
        The column's heading.
    code
        One of `SHEET_CODES` or of :data:`platerota_shared.faults.CODES`.
    detail, mend
        What is wrong in trade words, and what to change.
    """

    sheet: str | None
    row: int | None
    column: str | None
    heading: str | None
    code: str
    detail: str
    mend: str

    def __post_init__(self) -> None:
        if self.code not in SHEET_CODES and self.code not in CODES:
            raise ValueError(f"code {self.code!r} is not in a catalogue of faults")


class NotReadable(Exception):
    """A body in which no sheet could be read; `fault` says why."""

    def __init__(self, code: str, detail: str, mend: str) -> None:
        super().__init__(detail)
        self.fault = SheetFault(None, None, None, None, code, detail, mend)


def at_most(faults: Iterable[SheetFault]) -> tuple[SheetFault, ...]:
    """The faults that are listed: no more than a request in JSON would list, with a last one that counts the rest."""
    found = tuple(faults)
    if len(found) <= MAX_FAULTS:
        return found
    more = f"the workbook has {len(found) - MAX_FAULTS:,} more faults than are listed here"
    return (*found[:MAX_FAULTS], SheetFault(None, None, None, None, "more-faults", more, "mend the listed ones and send it again"))


def letters(index: int) -> str:
    """The letters of a column by its index from 0: 0 is A, 26 is AA."""
    name = ""
    number = index + 1
    while number:
        number, rest = divmod(number - 1, 26)
        name = chr(65 + rest) + name
    return name
