"""The names that the workers of a PostgreSQL database hold, as advisory locks: by them others see who is there, and whether anybody is."""

from __future__ import annotations

import asyncio
import time
from typing import Final
from zlib import crc32

import sqlalchemy as sa
from sqlalchemy.exc import SQLAlchemyError

from platerota_service.store import Store

NAMES: Final = 7_319
"""The class of the PostgreSQL advisory locks that workers hold on their names; the lock is lost with the connection."""
MISSES: Final = 3
"""Looks, one after the other, after which a worker without its name is taken for gone; one that restarts is back before."""
_PAUSE: Final = 0.5
_HELD: Final = (
    "FROM pg_locks WHERE locktype = 'advisory' AND granted AND objsubid = 2 AND classid = :names"
    " AND database = (SELECT oid FROM pg_database WHERE datname = current_database())"
)


def lock_of(name: str) -> dict[str, int]:
    """The advisory lock of a name: PostgreSQL takes two signed numbers of 32 bits."""
    number = crc32(name.encode())
    return {"names": NAMES, "name": number - (1 << 32) if number >= 1 << 31 else number}


def name_held(store: Store, name: str) -> bool:
    """Whether a worker of a PostgreSQL database holds its name; only looks, and so never takes it from one that starts.

    Raises
    ------
    StoreError
        Where the database cannot be reached.
    """
    with store.faults_in_words(), store.engine.connect() as connection:
        # The catalogue shows the two signed numbers of a lock as unsigned ones.
        named = {"names": NAMES, "name": crc32(name.encode())}
        return bool(connection.scalar(sa.text(f"SELECT EXISTS (SELECT 1 {_HELD} AND objid = :name)"), named))


def count_workers(store: Store) -> int:
    """How many workers hold their name; 1 where the database is embedded, whose one process solves too."""
    if store.embedded:
        return 1
    with store.engine.connect() as connection:
        # Not names: a worker tries that of a vanished one by the connection that holds its own.
        return int(connection.scalar(sa.text(f"SELECT count(DISTINCT pid) {_HELD}"), {"names": NAMES}) or 0)


class Presence:
    """Whether anybody solves, for a process that only answers callers.

    Parameters
    ----------
    watch_seconds
        How often workers look for one that has vanished; for three times as long one that was seen is not taken for gone.
    """

    def __init__(self, store: Store, watch_seconds: float) -> None:
        self._store = store
        self._watch_seconds = watch_seconds
        self._seen: float | None = None

    async def ready(self, patience: float) -> bool:
        """Whether a worker is there, or was a moment ago and may be restarting; waits `patience` seconds for one at most."""
        last = time.monotonic() + patience
        while not await self._there():
            left = last - time.monotonic()
            if left <= 0:
                return False
            await asyncio.sleep(min(_PAUSE, left))
        return True

    async def _there(self) -> bool:
        if self._seen_within(self._watch_seconds):
            return True
        try:
            found = await asyncio.to_thread(count_workers, self._store) > 0
        except SQLAlchemyError:
            # After a restart of the database nobody has its name yet: that must not look like death.
            self._seen = time.monotonic() if self._seen is not None else None
            raise
        if found:
            self._seen = time.monotonic()
        return self._seen_within(MISSES * self._watch_seconds)

    def _seen_within(self, seconds: float) -> bool:
        return self._seen is not None and time.monotonic() - self._seen <= seconds
