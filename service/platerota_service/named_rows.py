"""The names and notes that rows of a request carry, by table and id: pictures, pages, sheets and files all find them here."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from platerota_shared.plan import LoadWindow, Run
from platerota_shared.tables import NamedRow, PlanRequest, Shop

Key = tuple[str, str]
"""A row by its table and id, such as ``("plates", "P1")``."""


class NamedRows:
    """Every row of a request that may carry a name and a note, of whichever table.

    Parameters
    ----------
    request
        The request; None: it is not known, and nothing has a name.
    """

    def __init__(self, request: PlanRequest | None) -> None:
        self._rows: dict[Key, NamedRow] = {(table, row.id): row for table, row in _named_rows(request)} if request is not None else {}

    def name(self, table: str, row_id: str) -> str:
        """The name of a row as its caller wrote it; empty where it has none."""
        row = self._rows.get((table, row_id))
        return (row.name or "") if row is not None else ""

    def note(self, table: str, row_id: str) -> str:
        """The note of a row as its caller wrote it; empty where it has none."""
        row = self._rows.get((table, row_id))
        return (row.note or "") if row is not None else ""

    def noted(self, keys: Iterable[Key] | None = None) -> Iterator[tuple[Key, str]]:
        """Those rows of `keys`, or of the whole request, that have a note, each with it."""
        for key in self._rows if keys is None else keys:
            if note := self.note(*key).strip():
                yield key, note


def _named_rows(request: PlanRequest) -> Iterator[tuple[str, NamedRow]]:
    """Each row with its table; a table whose rows begin to have names needs no word here."""
    tables = {**{name: getattr(request.shop, name) for name in Shop.model_fields}, "orders": request.orders}
    for table, rows in tables.items():
        yield from ((table, row) for row in rows if isinstance(row, NamedRow))


def run_keys(run: Run) -> tuple[Key, ...]:
    """What a run is of: its plate, its fixture, and each order on it once."""
    orders = dict.fromkeys(held.order for held in run.pieces)
    return (("plates", run.plate), ("fixtures", run.fixture), *(("orders", order) for order in orders))


def load_keys(window: LoadWindow, run: Run | None) -> tuple[Key, ...]:
    """What a load is of: who loads, the run, and the mill that it is for."""
    machine = (("machines", window.machine),) if window.machine is not None else ()
    return (("operators", window.operator), *(run_keys(run) if run is not None else (("plates", window.plate),)), *machine)


def beside(row_id: str, name: str) -> str:
    """An id with the name behind it, where it has one: ``P1 (long rails)``."""
    return f"{row_id} ({name})" if name else row_id


def note_words(table: str, row_id: str, note: str) -> str:
    """A note with what it is on: ``note on plate P1: one pin is worn``."""
    return f"note on {table.removesuffix('s')} {row_id}: {note}"
