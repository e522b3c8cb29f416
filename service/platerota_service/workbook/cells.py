"""One cell of a sheet as the value that JSON would carry: numbers, ids, instants and lists as spreadsheets really hold them.

What is wrong with a value as such (a unit, a range, a word that is no choice) is found by the contract's own models; here is
only what a spreadsheet does to values before anybody sees them.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from platerota_service.workbook.columns import Column, Kind
from platerota_service.workbook.grids import Cell
from platerota_shared.faults import shown

DIGITS: Final = 15
"""Digits that a spreadsheet keeps of a number."""

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+(?=\s|[A-Za-z]|$)")
_FOREIGN_DATE = re.compile(r"([0-9]{1,2})[/.\-]([0-9]{1,2})[/.\-]([0-9]{4}|[0-9]{2})\b(.*)", re.DOTALL)
_MIDNIGHT = re.compile(r"(?<=^[0-9]{4}-[0-9]{2}-[0-9]{2})[T ]00:00(:00)?$")
_DAY = 86_400
_DAY_ONE = (dt.date(1900, 1, 1), dt.date(1904, 1, 2))


class CellRefused(Exception):
    """A cell that cannot be read: `code`, `words` that follow the column's name, and `mend`."""

    def __init__(self, code: str, words: str, mend: str) -> None:
        super().__init__(words)
        self.code, self.words, self.mend = code, words, mend


@dataclass(frozen=True, slots=True)
class Rules:
    """How cells are to be read: whether a comma in a number parts the decimals, and whether serial dates count from 1904."""

    decimal_comma: bool = False
    counts_from_1904: bool = False


def is_blank(cell: Cell) -> bool:
    """Whether a cell holds nothing that can be seen."""
    return isinstance(cell, str) and not cell.strip()


def json_value(cell: Cell, column: Column, rules: Rules) -> Any:
    """The JSON value of a cell that is not blank.

    Raises
    ------
    CellRefused
        Where a spreadsheet made something of the value that was not meant.
    """
    read = _READ[column.kind]
    if isinstance(cell, float):
        _check_finite(cell)
    if not column.many:
        return read(cell, column, rules)
    entries = [part.strip() for part in cell.split(";")] if isinstance(cell, str) else [cell]
    return [read(entry, column, rules) for entry in entries if not is_blank(entry)]


def _check_finite(number: float) -> None:
    if not math.isfinite(number):
        raise CellRefused("not-finite", "is no number to plan with: it is endless, or none at all", "give a finite number")


def _text(cell: Cell, column: Column, rules: Rules) -> Any:
    if isinstance(cell, str):
        return cell.strip()
    if isinstance(cell, bool):
        raise CellRefused("wrong-type", f"holds {shown(cell)} as a truth value", "format the column as text and type it again")
    if isinstance(cell, int | float):
        return _number_as_text(float(cell))
    raise CellRefused(
        "became-a-date", f"was turned into a date or time by the spreadsheet: {_seen(cell)}", "format the column as text and type it again",
    )


def _number_as_text(number: float) -> str:
    """An id that a spreadsheet holds as a number: 1001.0 is 1001."""
    if abs(number) >= 10**DIGITS:
        raise CellRefused(
            "long-number", f"is a number of more than {DIGITS} digits, which the spreadsheet has rounded",
            "format the column as text and type it again",
        )
    return str(int(number)) if number.is_integer() else repr(number)


def _number(cell: Cell, column: Column, rules: Rules) -> Any:
    if isinstance(cell, str):
        return _number_in_text(cell.strip(), rules)
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        return cell
    raise CellRefused("wrong-type", f"must be a number, not {_seen(cell)}", "format the cell as a number")


def _number_in_text(text: str, rules: Rules) -> float:
    written = text.replace(",", ".") if rules.decimal_comma and text.count(",") == 1 and "." not in text else text
    if _NUMBER.fullmatch(written):
        return float(written)
    if _COMMA.fullmatch(text):
        raise CellRefused(
            "bad-number", f"has a comma: {shown(text)}", "write a point, or ask with ?decimal=comma where commas part the decimals",
        )
    raise CellRefused("bad-number", f"must be a number, not {shown(text)}", "write digits only, with a point before the decimals")


def _whole(cell: Cell, column: Column, rules: Rules) -> Any:
    if column.holds_seconds and isinstance(cell, dt.time | dt.timedelta):
        return _seconds_of(cell)
    number = float(_number(cell, column, rules))
    _check_finite(number)  # digits without end, as text
    nearest = round(number)
    if abs(number - nearest) > 1e-6:
        raise CellRefused("wrong-type", f"must be a whole number, not {number:.12g}", "give a whole number")
    return nearest


def _seconds_of(cell: dt.time | dt.timedelta) -> int:
    if isinstance(cell, dt.timedelta):
        return round(cell.total_seconds())
    return round(cell.hour * 3_600 + cell.minute * 60 + cell.second + cell.microsecond / 1e6)


def _flag(cell: Cell, column: Column, rules: Rules) -> Any:
    if isinstance(cell, bool):
        return cell
    if isinstance(cell, int | float) and cell in (0, 1):
        return cell == 1  # a truth value that went through a program which keeps them as numbers
    if isinstance(cell, str) and cell.strip().lower() in ("true", "false"):
        return cell.strip().lower() == "true"
    raise CellRefused("wrong-type", f"must be true or false, not {_seen(cell)}", "write TRUE or FALSE")


def _choice(cell: Cell, column: Column, rules: Rules) -> Any:
    text = _text(cell, column, rules)
    return next((choice for choice in column.choices if choice == text.lower()), text)


def _instant(cell: Cell, column: Column, rules: Rules) -> Any:
    if isinstance(cell, dt.datetime):
        return _to_the_second(cell).isoformat()
    if isinstance(cell, dt.date):
        return f"{cell.isoformat()}T00:00:00"
    if isinstance(cell, str):
        return _written_date(cell.strip())
    if isinstance(cell, dt.time | dt.timedelta):
        raise CellRefused("bad-instant", f"is a time without a date: {_seen(cell)}", "give date and time, such as 2027-03-01 06:00")
    return _serial(cell, rules)


def _serial(cell: Cell, rules: Rules) -> Any:
    if rules.counts_from_1904:
        words = f"must be an instant, not the bare number {_seen(cell)}"
        raise CellRefused("bare-number-instant", words, "format the cell as date and time")
    return cell


def _written_date(text: str) -> str:
    """A date as text; one that two countries read differently is refused."""
    match = _FOREIGN_DATE.fullmatch(text)
    if match is None:
        return text
    first, second, year = int(match[1]), int(match[2]), match[3] if len(match[3]) == 4 else f"20{match[3]}"
    readings = [f"{year}-{month:02}-{day:02}" for day, month in ((first, second), (second, first)) if month <= 12 and day <= 31]
    mend = f"write {' or '.join(dict.fromkeys(readings))}{match[4][:9]}" if readings else "write it like 2027-03-01 06:00"
    raise CellRefused("ambiguous-date", f"can be read in two ways: {shown(text)}", mend)


def _date(cell: Cell, column: Column, rules: Rules) -> Any:
    if isinstance(cell, dt.datetime):
        rounded = _to_the_second(cell)
        if rounded.time() != dt.time():
            raise CellRefused("bad-date", f"must be a date without a time, not {_seen(cell)}", "leave out the time of day")
        return rounded.date().isoformat()
    if isinstance(cell, dt.date):
        return cell.isoformat()
    if isinstance(cell, str):
        # A program that knows dates only as midnights writes them so.
        return _MIDNIGHT.sub("", _written_date(cell.strip()))
    raise CellRefused("bad-date", f"must be a date, not {_seen(cell)}", "format the cell as a date, or write YYYY-MM-DD")


def _time(cell: Cell, column: Column, rules: Rules) -> Any:
    if isinstance(cell, str):
        return cell.strip() if len(cell.strip()) != 4 else f"0{cell.strip()}"
    if isinstance(cell, dt.time | dt.timedelta):
        return _clock(_seconds_of(cell))
    if cell in _DAY_ONE and not isinstance(cell, dt.datetime):
        return "24:00"  # serial 1, the end of the first day, in a cell that is formatted as a time of day
    raise CellRefused("bad-time-of-day", f"must be a time of day, not {_seen(cell)}", "format the cell as a time, or write HH:MM")


def _clock(seconds: int) -> str:
    if seconds % 60 or not 0 <= seconds <= _DAY:
        words = f"must be a time of day in whole minutes, not {dt.timedelta(seconds=seconds)}"
        raise CellRefused("bad-time-of-day", words, "give 00:00 to 24:00, without seconds")
    return f"{seconds // 3600:02}:{seconds // 60 % 60:02}"


def _quantity(cell: Cell, column: Column, rules: Rules) -> Any:
    """A length or mass: a number, or text with a unit."""
    if not isinstance(cell, str):
        return _number(cell, column, rules)
    text = cell.strip()
    if _COMMA.match(text):
        if not rules.decimal_comma:
            return _number_in_text(_COMMA.match(text)[0], rules)  # type: ignore[index]  # always refused, with the words for a comma
        text = text.replace(",", ".", 1)
    return float(text) if _NUMBER.fullmatch(text) else text


def _to_the_second(stamp: dt.datetime) -> dt.datetime:
    """A spreadsheet's time, which is a fraction of a day, to the nearest second."""
    try:
        return (stamp + dt.timedelta(microseconds=500_000)).replace(microsecond=0)
    except OverflowError:  # the last second that there is
        return stamp.replace(microsecond=0)


def _seen(cell: Cell) -> str:
    """A cell as people see it."""
    return shown(cell) if isinstance(cell, str | int | float) else str(cell)


_READ: Final[dict[Kind, Callable[[Cell, Column, Rules], Any]]] = {
    "text": _text, "whole": _whole, "number": _number, "flag": _flag, "choice": _choice, "instant": _instant, "date": _date,
    "time": _time, "break": _text, "length": _quantity, "mass": _quantity,
}
