"""The simulation of a plan's risk in a child process of its own: few at a time, each with a limit of time and memory."""

from __future__ import annotations

import asyncio
import json
import logging
import sys
from collections.abc import AsyncGenerator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

from platerota_service.risk_order import NO_SOLVER, REFUSED, order_text
from platerota_service.settings import ServiceSettings
from platerota_service.solve_process import kill, log_errors, reap, start_child
from platerota_shared.faults import Fault, RequestRefused
from platerota_shared.risks import RisksQuestion

RISK_CHILD = (sys.executable, "-m", "platerota_service.risk_child")
"""The command of the real child."""

AT_ONCE = 1
"""Simulations that run at the same time: each keeps a core busy, and solves need theirs."""
MOST_WAITING = 4
"""Simulations that may wait for their turn: most take a few seconds, and callers wait 30."""

_log = logging.getLogger(__name__)


class RisksError(Exception):
    """There is no answer about the risk of a plan; `detail` says why."""

    def __init__(self, detail: str) -> None:
        super().__init__(detail)
        self.detail = detail


class TooManyWait(RisksError):
    """As many simulations wait as may."""


class NoSolver(RisksError):
    """The solver, which simulates, cannot be loaded where this process runs."""


class TooSlow(RisksError):
    """The simulation did not end in its time and was killed."""


class RisksFailed(RisksError):
    """The child ended without an answer: a fault of the program, which the log tells."""


@dataclass(slots=True)
class Simulations:
    """The simulations of one process: one after the other, and a few that wait.

    Parameters
    ----------
    settings
        Gives `risks_seconds` and `solve_memory_mib`.
    command
        The child process that simulates.
    """

    settings: ServiceSettings
    command: Sequence[str] = RISK_CHILD
    _slots: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(AT_ONCE), init=False)
    _waiting: int = field(default=0, init=False)

    @asynccontextmanager
    async def turn(self) -> AsyncGenerator[None]:
        """Wait for a turn, and hold it.

        Raises
        ------
        TooManyWait
        """
        if self._waiting >= MOST_WAITING:
            raise TooManyWait(f"{self._waiting} simulations wait already")
        self._waiting += 1
        try:
            await self._slots.acquire()
        finally:
            self._waiting -= 1
        try:
            yield
        finally:
            self._slots.release()

    async def risks(self, request: str, plan: str, question: RisksQuestion) -> bytes:
        """The JSON of :class:`platerota_shared.risks.Risks`, the same bytes for the same arguments; in a turn of its own.

        Where this is cancelled the child is killed.

        Parameters
        ----------
        request, plan
            JSON texts: what was planned, and its plan.
        question
            What is asked.

        Raises
        ------
        platerota_shared.faults.RequestRefused
            Where the question has faults that only show with the plan.
        NoSolver, TooSlow, RisksFailed
        OSError
            Where the child cannot be started.
        """
        order = order_text(request, plan, question, self.settings.solve_memory_mib, self.settings.risks_seconds)
        process = await start_child(*self.command)
        try:
            async with asyncio.timeout(self.settings.risks_seconds):
                said, errors = await process.communicate(order)
        except TimeoutError:
            raise TooSlow(f"the simulation did not end within {self.settings.risks_seconds:g} seconds") from None
        finally:
            kill(process)
            await asyncio.gather(reap(process), log_errors(process))
        if errors:
            _log.warning("simulating process %d: %s", process.pid, errors.decode(errors="replace")[-4_000:].rstrip())
        return _answer(process.returncode, said)


def _answer(code: int | None, said: bytes) -> bytes:
    """What the child said; an error where its exit code tells one."""
    if code == 0:
        return said
    if code == NO_SOLVER:
        raise NoSolver("the solver, which simulates, cannot be loaded where this process runs")
    if code == REFUSED:
        raise RequestRefused([Fault(**one) for one in json.loads(said)])
    raise RisksFailed(f"the simulating process ended with exit code {code}")
