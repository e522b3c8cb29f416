"""Who waits for a plan or question to change: one look at all of them together, many times a second, whoever makes the change."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence

from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from platerota_service.engine import EngineClosed
from platerota_service.store import Store, plan_rows

_log = logging.getLogger(__name__)
_SECONDS = 0.1
_SECONDS_IN_TROUBLE = 1.0


class Changes:
    """Waits in the event loop for changes of what `revisions` reads of `store`: revisions by id, of plans where not given."""

    def __init__(self, store: Store, revisions: Callable[[Session, Sequence[str]], dict[str, int]] = plan_rows.revisions) -> None:
        self._store = store
        self._revisions = revisions
        self._waiting: dict[asyncio.Future[None], tuple[str, int]] = {}
        self._looking: asyncio.Task[None] | None = None
        self._closed = False

    async def after(self, name: str, revision: int) -> None:
        """Return once what has that id has another revision than `revision`, or is deleted.

        Raises
        ------
        EngineClosed
            Where :meth:`close` is called meanwhile.
        """
        if self._closed:
            raise EngineClosed
        changed = asyncio.get_running_loop().create_future()
        self._waiting[changed] = (name, revision)
        if self._looking is None or self._looking.done():
            self._looking = asyncio.create_task(self._look())
        try:
            await changed
        finally:
            del self._waiting[changed]

    def close(self) -> None:
        """End every wait."""
        self._closed = True
        for changed in self._waiting:
            if not changed.done():
                changed.set_exception(EngineClosed())

    async def _look(self) -> None:
        while self._waiting:
            await asyncio.sleep(_SECONDS)
            waiting = {changed: wanted for changed, wanted in self._waiting.items() if not changed.done()}
            try:
                revisions = await asyncio.to_thread(self._read, list({name for name, _ in waiting.values()}))
            except SQLAlchemyError as error:
                # Whoever waits gets its answer late instead of wrong.
                _log.warning("the database cannot be read; plans are watched again once it can: %s", error)
                await asyncio.sleep(_SECONDS_IN_TROUBLE)
                continue
            for changed, (name, revision) in waiting.items():
                if revisions.get(name) != revision and not changed.done():
                    changed.set_result(None)

    def _read(self, names: list[str]) -> dict[str, int]:
        with self._store.reading() as session:
            return self._revisions(session, names)
