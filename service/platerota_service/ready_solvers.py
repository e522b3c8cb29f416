"""Solving children that are loaded and wait for an order: a small question need not wait for a start of two seconds."""

from __future__ import annotations

import asyncio
import logging
from asyncio.subprocess import Process
from collections.abc import Sequence

from platerota_service.solve_process import kill, log_errors, reap, start_child

_log = logging.getLogger(__name__)


class ReadySolvers:
    """Keeps up to `most` children of `command` waiting. Each call belongs into the one event loop that all solves run in.

    A child that may have another order after a solve waits for it; one is started where a solve has ended and none waits, not before:
    then a core is free to load it. Where this process is killed, the children end by themselves, since their input closes.
    """

    def __init__(self, command: Sequence[str], most: int) -> None:
        self._command = command
        self._most = most
        self._waiting: list[Process] = []

    @property
    def waiting(self) -> int:
        """How many wait now."""
        return len(self._waiting)

    async def take(self) -> Process:
        """A child that waits, or one that starts now.

        Raises
        ------
        OSError
            Where none can be started.
        """
        while self._waiting:
            process = self._waiting.pop(0)
            if process.returncode is None:
                return process
            await _clear(process)
        return await start_child(*self._command)

    def keep(self, process: Process) -> bool:
        """Let a child wait for another order; False where enough wait."""
        if len(self._waiting) >= self._most:
            return False
        self._waiting.append(process)
        return True

    async def refill(self) -> None:
        """Start one where one is missing; where that fails, the next solve says so."""
        if len(self._waiting) >= self._most:
            return
        try:
            self._waiting.append(await start_child(*self._command))
        except OSError as error:
            _log.warning("no solver process could be started ahead: %s", error)

    async def close(self) -> None:
        """End all that wait."""
        waiting, self._waiting = self._waiting, []
        for process in waiting:
            kill(process)
            await _clear(process)


async def _clear(process: Process) -> None:
    """Let nothing be left of a child that has ended, or is killed."""
    await asyncio.gather(reap(process), log_errors(process))
