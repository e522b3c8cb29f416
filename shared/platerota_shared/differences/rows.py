"""Differences as flat rows, for a worksheet or a CSV file."""

from __future__ import annotations

from typing import Any, Final

from platerota_shared.differences.answer import Differences

COLUMNS: Final = ("section", "id", "what", "base", "plan", "change", "detail")
"""The columns of every row."""


def difference_rows(found: Differences) -> list[dict[str, Any]]:
    """A row for each figure that differs: `section` is score, order, task, machine, operator, shop or money; instants as local text.

    `change` is in the unit of `base` and `plan`, seconds where these are instants; blank cells are None.
    """
    raise NotImplementedError
