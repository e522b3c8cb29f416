"""Pages and pictures as they were rendered last, so that many who look at one plan cost one rendering."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Final

MOST_BYTES: Final = 64 * 1024 * 1024
"""What is kept at most; what was asked for longest ago goes first."""

Key = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Rendered:
    """Something rendered: its bytes, its media type, and headers that belong to it."""

    content: bytes
    media: str
    headers: Mapping[str, str]


class Shelf:
    """Keeps what was rendered under a key that changes with everything it shows; in one event loop."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._kept: OrderedDict[Key, Rendered] = OrderedDict()
        self._bytes = 0
        self._being_made: dict[Key, asyncio.Task[Rendered]] = {}

    async def get(self, key: Key, render: Callable[[], Awaitable[Rendered]]) -> Rendered:
        """What is kept under `key`; else what `render` makes, once for all who ask meanwhile. A fault is told to each, and not kept."""
        kept = self._kept.get(key)
        if kept is not None:
            self._kept.move_to_end(key)
            return kept
        task = self._being_made.get(key)
        if task is None:
            task = asyncio.ensure_future(self._make(key, render))
            self._being_made[key] = task
            task.add_done_callback(self._made(key))
        # A caller who hangs up takes it from nobody else.
        return await asyncio.shield(task)

    async def _make(self, key: Key, render: Callable[[], Awaitable[Rendered]]) -> Rendered:
        made = await render()
        self._kept[key] = made
        self._bytes += len(made.content)
        while self._bytes > self._most_bytes and len(self._kept) > 1:
            self._bytes -= len(self._kept.popitem(last=False)[1].content)
        return made

    def _made(self, key: Key) -> Callable[[asyncio.Task[Rendered]], None]:
        def done(task: asyncio.Task[Rendered]) -> None:
            del self._being_made[key]
            if not task.cancelled():
                task.exception()  # looked at, though every caller may have hung up

        return done
