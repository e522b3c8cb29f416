"""Lists to choose from and bounds in the cells of the template, from the columns' own kinds and bounds."""

from __future__ import annotations

import datetime as dt
from typing import Any

from platerota_service.workbook.columns import Column
from platerota_service.workbook.styles import Page
from platerota_shared.reading import LIMITS

_MOST = 2**31 - 1


def add_validation(page: Page, column: Column, first: int, last: int, at: int) -> None:
    """Let the cells of rows `first` to `last` (from 0) in the column `at` help whoever fills them; a list in one cell cannot be helped."""
    rule = None if column.many else _rule(column)
    if rule is not None:
        words = {"error_title": "look again", "error_message": f"{column.name}: {column.meaning}"[:255]}
        page.data_validation(first, at, last, at, {**rule, **words, "ignore_blank": True})


def _rule(column: Column) -> dict[str, Any] | None:
    if column.choices:
        return {"validate": "list", "source": list(column.choices)}
    if column.kind == "flag":
        return {"validate": "list", "source": ["TRUE", "FALSE"]}
    if column.table is not None:
        # A warning only: a row may name an id whose own row is still to be written.
        limit = LIMITS[column.table.rpartition(".")[2]]
        return {"validate": "list", "source": f"='{column.table}'!$A$2:$A${limit + 1}", "error_type": "warning"}
    if column.kind == "instant":
        return {"validate": "date", "criteria": ">=", "value": dt.date(1970, 1, 1), "error_type": "warning"}
    if column.kind in ("whole", "number"):
        return _bounds(column)
    return None


def _bounds(column: Column) -> dict[str, Any]:
    # A duration may be typed as a time, which is a fraction of a day.
    kind = "integer" if column.kind == "whole" and not column.holds_seconds else "decimal"
    if column.above:
        return {"validate": kind, "criteria": ">", "value": column.low}
    return {"validate": kind, "criteria": "between", "minimum": column.low or 0, "maximum": min(column.high or _MOST, _MOST)}
