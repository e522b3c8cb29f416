"""Work on the store that is not given up where the database cannot be reached or written for a while."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from typing import Final, TypeVar

from sqlalchemy.exc import InterfaceError, InternalError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.orm import Session

from platerota_service.store import Store

UNREACHABLE: Final = (OperationalError, InterfaceError, InternalError, PoolTimeout)
"""A database that cannot be reached or written now, and perhaps can later."""
_LONGEST_PAUSE: Final = 2.0
_log = logging.getLogger(__name__)
T = TypeVar("T")


def write(store: Store, work: Callable[[Session], T]) -> T:
    """Do `work` in a transaction."""
    with store.writing() as session:
        return work(session)


async def patiently(store: Store, work: Callable[[Session], T]) -> T:
    """Do `work` in a transaction, in a thread, again and again where the database cannot be reached or written."""
    pause = 0.1
    while True:
        try:
            return await asyncio.to_thread(write, store, work)
        except UNREACHABLE as error:
            _log.error("the database cannot be written; trying again in %.1f s: %s", pause, error)
        await asyncio.sleep(pause)
        pause = min(2 * pause, _LONGEST_PAUSE)
