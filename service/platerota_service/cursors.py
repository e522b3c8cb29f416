"""Pages of lists: an opaque cursor says where the next page begins, so that rows that come or go meanwhile shift nothing."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Final, TypeVar, TypeVarTuple
from urllib.parse import urlencode

import sqlalchemy as sa
from fastapi import Query
from sqlalchemy.orm import InstrumentedAttribute

from platerota_service.kinds import BAD_CURSOR
from platerota_service.problems import ProblemError

LONGEST_PAGE: Final = 200
T = TypeVar("T")
Ts = TypeVarTuple("Ts")

PageLimit = Annotated[int, Query(ge=1, le=LONGEST_PAGE, description=f"Most items of one page, at most {LONGEST_PAGE}.")]
Cursor = Annotated[str | None, Query(max_length=200, description="Where the page begins: take `next` as it was answered.")]


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a list that is sorted by creation, the newest first, then by id."""

    created_ms: int
    id: str

    def cursor(self) -> str:
        """The place as callers carry it."""
        return base64.urlsafe_b64encode(f"{self.created_ms}.{self.id}".encode()).decode().rstrip("=")

    @classmethod
    def read(cls, cursor: str) -> Place:
        """The place of a cursor. It is not signed: whoever makes one up sees no more than another page of their own list.

        Raises
        ------
        ProblemError
            400 where it is none of ours.
        """
        try:
            text = base64.b64decode(cursor.encode("ascii") + b"=" * (-len(cursor) % 4), altchars=b"-_", validate=True).decode()
            created, _, name = text.partition(".")
            if not name.isprintable() or not name or not created.isascii() or not created.isdigit() or len(created) > 15:
                raise ValueError(text)
        except (binascii.Error, ValueError):
            raise ProblemError(BAD_CURSOR, f"'{cursor[:80]}' names no place in this list") from None
        return cls(int(created), name)


def newest_first(
    query: sa.Select[*Ts], created_ms: InstrumentedAttribute[int], name: InstrumentedAttribute[str], cursor: str | None, limit: int,
) -> sa.Select[*Ts]:
    """`query` as a page: the newest first, from `cursor` on, one row more than `limit` to see whether there is a next page."""
    if cursor is not None:
        place = Place.read(cursor)
        query = query.where(sa.tuple_(created_ms, name) < sa.tuple_(sa.literal(place.created_ms), sa.literal(place.id)))
    return query.order_by(created_ms.desc(), name.desc()).limit(limit + 1)


def page(
    path: str, filters: Mapping[str, str | None], rows: Sequence[T], cursor: str | None, limit: int, place: Callable[[T], Place],
) -> tuple[list[T], str, str | None]:
    """The rows of a page, its own address, and that of the next one, if there is one."""
    fixed = {name: value for name, value in filters.items() if value is not None} | {"limit": str(limit)}
    shown = list(rows[:limit])

    def address(at: str | None) -> str:
        return f"{path}?{urlencode(fixed | ({'cursor': at} if at is not None else {}))}"

    return shown, address(cursor), address(place(shown[-1]).cursor()) if len(rows) > limit else None
