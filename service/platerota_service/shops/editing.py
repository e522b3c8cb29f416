"""Changing a stored shop: read it, change it, check it whole, and store it unless somebody else was faster; then begin again."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from platerota_service.kinds import CHANGED, UNKNOWN_SHOP
from platerota_service.problems import ProblemError, ProblemFault
from platerota_service.shops.book import ShopBook, tables
from platerota_service.shops.tables import KEYS, Document, key_of, with_rows
from platerota_service.store import ShopRow
from platerota_shared.faults import Fault, RequestRefused, pointer
from platerota_shared.shop_reading import read_shop

_TRIES: Final = 8
_ROUNDS: Final = 10
"""Times that rows with faults are left out and the others looked at again."""


@dataclass(frozen=True, slots=True)
class Edit:
    """A shop as it shall be; `place` is the pointer of what the caller changed, from which faults inside it are counted."""

    document: Document
    place: str = ""


async def edit_shop(book: ShopBook, shop_id: str, change: Callable[[ShopRow, dict[str, Any]], Edit]) -> ShopRow:
    """Change a stored shop.

    Parameters
    ----------
    change
        Makes the changed shop from the stored one and its tables; raises what the caller is told where it may not. May be called
        several times, where others change the shop meanwhile.

    Raises
    ------
    ProblemError
        404 where there is no such shop, 412 where others change it without end.
    RequestRefused
        Where the changed shop has faults; those outside the caller's own row have pointers that begin with ``/shop``.
    """
    for _ in range(_TRIES):
        changed = await asyncio.to_thread(_try_edit, book, shop_id, change)
        if changed is not None:
            return changed
    raise ProblemError(CHANGED, f"the shop '{shop_id}' is changed by others again and again")


def _try_edit(book: ShopBook, shop_id: str, change: Callable[[ShopRow, dict[str, Any]], Edit]) -> ShopRow | None:
    row = existing(book, shop_id)
    edit = change(row, tables(row))
    check(edit)
    return book.replace(row, edit.document)


def existing(book: ShopBook, shop_id: str) -> ShopRow:
    """The shop of that id.

    Raises
    ------
    ProblemError
        404 where there is none.
    """
    row = book.find(shop_id)
    if row is None:
        raise ProblemError(UNKNOWN_SHOP, f"there is no shop with the id '{shop_id}'")
    return row


def check(edit: Edit) -> None:
    """Nothing where the changed shop has no fault.

    Raises
    ------
    RequestRefused
        With every fault.
    """
    try:
        read_shop(edit.document)
    except RequestRefused as error:
        raise type(error)([_seen_from(edit.place, fault) for fault in error.faults]) from None


def _seen_from(place: str, fault: Fault) -> Fault:
    """A fault as the caller of a change at `place` sees it."""
    inside = not place or fault.pointer == place or fault.pointer.startswith(place + "/")
    where = fault.pointer.removeprefix(place) if inside else f"/shop{fault.pointer}"
    return Fault(where, fault.code, fault.detail, fault.mend)


@dataclass(slots=True)
class ManyRows:
    """Many rows put into one table at once: what is faulty is left out, with its faults, and the rest is stored."""

    table: str
    rows: Sequence[Any]
    errors: dict[int, list[Fault]] = field(default_factory=dict[int, list[Fault]])
    """The faults of the rows left out, by position in `rows`."""
    places: dict[int, int] = field(default_factory=dict[int, int])
    """Where each stored row is in the table."""
    before: int = 0
    """Rows of the table before."""

    def applied(self, document: Document) -> Edit:
        """The shop with the rows that have no fault."""
        self.errors, self.places, self.before = self._repeated(), {}, len(document.get(self.table, ()))
        for _ in range(_ROUNDS):
            wanted = [index for index in range(len(self.rows)) if index not in self.errors]
            if not wanted:
                self.places = {}
                return Edit(document)
            made, places = with_rows(document, self.table, [self.rows[index] for index in wanted])
            self.places = dict(zip(wanted, places, strict=True))
            found = self._faults(made)
            if not found:
                return Edit(made)
            self.errors |= found
        return self._none_of(document)

    def added(self, index: int) -> bool:
        """Whether a stored row is a new one."""
        return self.places[index] >= self.before

    def _faults(self, made: Document) -> dict[int, list[Fault]]:
        """The faults of the changed shop by row; where none of them lies in a row, they are those of every row."""
        try:
            read_shop(made)
        except RequestRefused as error:
            owners = {place: index for index, place in self.places.items()}
            found: dict[int, list[Fault]] = {}
            for fault in error.faults:
                index = owners.get(_place_in(fault.pointer, self.table))
                if index is not None:
                    found.setdefault(index, []).append(_seen_from(f"/{self.table}/{self.places[index]}", fault))
            return found or {index: [_seen_from("/-", fault) for fault in error.faults] for index in self.places}
        return {}

    def _repeated(self) -> dict[int, list[Fault]]:
        """Rows with the key of an earlier one: it is not clear which of them is meant."""
        seen: set[tuple[str, ...]] = set()
        found: dict[int, list[Fault]] = {}
        for index, row in enumerate(self.rows):
            key = key_of(self.table, row) if KEYS[self.table] else None
            if key in seen:
                words = f"{self.table} {';'.join(key or ())} is given twice in this request"
                found[index] = [Fault(pointer(KEYS[self.table][-1]), "duplicate-row", words, "keep one of the two")]
            elif key is not None:
                seen.add(key)
        return found

    def _none_of(self, document: Document) -> Edit:
        """The shop as it was: faults led to faults without end."""
        words = "rows of this request need each other, and some have faults"
        for index in self.places:
            self.errors.setdefault(index, [Fault("", "more-faults", words, "mend the others and send this one again")])
        self.places = {}
        return Edit(document)


def _place_in(where: str, table: str) -> int:
    """The position of the row of `table` in which a pointer lies; -1 where it lies elsewhere."""
    _, _, rest = where.partition(f"/{table}/")
    place = rest.partition("/")[0]
    return int(place) if where.startswith(f"/{table}/") and place.isdigit() else -1


def problem_faults(faults: Sequence[Fault]) -> list[ProblemFault]:
    """Faults as they are answered."""
    return [ProblemFault(pointer=one.pointer, code=one.code, detail=one.detail, mend=one.mend) for one in faults]
