"""The port behind which solves run: submit, stop, cancel, status, events.

An engine in memory answers it today (:mod:`platerota_service.child_engine`); a durable one can stand behind the same names.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Protocol

from platerota_service.solve_lines import Progress
from platerota_shared.plan import Plan, Status
from platerota_shared.tables import PlanRequest

ENDED: frozenset[Status] = frozenset({"ready", "failed", "stopped"})
"""The states a plan does not leave."""


class EngineError(Exception):
    """Something an engine refuses."""


class UnknownPlan(EngineError):
    """No plan has the id `plan_id`, or it was deleted."""

    def __init__(self, plan_id: str) -> None:
        super().__init__(plan_id)
        self.plan_id = plan_id


class AlreadyEnded(EngineError):
    """The plan `plan_id` is in an end state, `status`, and cannot be stopped."""

    def __init__(self, plan_id: str, status: Status) -> None:
        super().__init__(plan_id, status)
        self.plan_id = plan_id
        self.status = status


class EngineClosed(EngineError):
    """The engine is closing: it takes no more and forgets its plans."""


class EngineWarming(EngineError):
    """The optimiser is being made ready: a request is taken, but its solve waits for that, `compiling` for about half a minute."""

    def __init__(self, *, compiling: bool) -> None:
        super().__init__(compiling)
        self.compiling = compiling


class QueueFull(EngineError):
    """`limit` plans wait already."""

    def __init__(self, limit: int) -> None:
        super().__init__(limit)
        self.limit = limit


@dataclass(frozen=True, slots=True)
class Submission:
    """A request that was read without a fault: its JSON text in one line, and what was read from it."""

    text: bytes
    request: PlanRequest


@dataclass(frozen=True, slots=True)
class PlanState:
    """A plan as it stands now.

    Attributes
    ----------
    plan
        The best plan so far with its id and status; without any orders, runs and tasks before the first one.
    progress
        What the solve reached last; None before its first word.
    problem
        Why the plan failed, in words for the caller; None in every other state.
    """

    plan: Plan
    progress: Progress | None = None
    problem: str | None = None

    @property
    def ended(self) -> bool:
        """Whether the plan is in an end state."""
        return self.plan.status in ENDED


class Engine(Protocol):
    """Runs solves and knows their plans. An id is known from `submit` until `cancel`."""

    async def start(self) -> None:
        """Begin to make the optimiser ready, in the background; requests are taken meanwhile. Without it the first solve does so."""
        ...

    async def check_ready(self, patience: float = 0.0) -> None:
        """Nothing where a request that is submitted now is taken and gets its turn; waits `patience` seconds for that at most.

        Raises
        ------
        EngineWarming, QueueFull, EngineClosed
        """
        ...

    async def submit(self, submission: Submission) -> str:
        """Take a request and answer the id of its plan at once.

        Raises
        ------
        QueueFull, EngineClosed
        """
        ...

    async def stop(self, plan_id: str) -> None:
        """Let the solve end with its best plan; one that waits or has no plan yet ends as `stopped`. Stopping twice is no fault.

        Raises
        ------
        UnknownPlan, AlreadyEnded
        """
        ...

    async def cancel(self, plan_id: str) -> None:
        """Forget the plan; a running solve is killed.

        Raises
        ------
        UnknownPlan
        """
        ...

    async def status(self, plan_id: str) -> PlanState:
        """The plan as it stands now.

        Raises
        ------
        UnknownPlan
        """
        ...

    async def request(self, plan_id: str) -> PlanRequest:
        """The request that the plan answers.

        Raises
        ------
        UnknownPlan
        """
        ...

    def events(self, plan_id: str) -> AsyncIterator[PlanState]:
        """The plan as it stands now, then at each change (quick ones may be joined), up to and with its end state.

        Raises
        ------
        UnknownPlan
            At the first step, or once the plan is deleted meanwhile.
        EngineClosed
            Where the engine closes meanwhile.
        """
        ...

    async def close(self) -> None:
        """End every solve and take no more."""
        ...
