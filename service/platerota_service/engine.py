"""The port behind which solves run: submit, stop, cancel, status, events.

:mod:`platerota_service.durable_engine` answers it.
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import Protocol

from sqlalchemy.orm import Session

from platerota_service.solve_lines import Progress
from platerota_service.store import LOCAL_TENANT
from platerota_shared.plan import Plan, Status, Warning_
from platerota_shared.starts import Start
from platerota_shared.tables import PlanRequest

ENDED: frozenset[Status] = frozenset({"ready", "failed", "stopped"})
"""The states a plan does not leave."""


class EngineError(Exception):
    """Something an engine refuses."""


class UnknownPlan(EngineError):
    """No plan of the tenant has the id `plan_id`, or it was deleted."""

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
    """The engine is closing: it takes no more; what it took goes on when a service starts again."""


class EngineWarming(EngineError):
    """The optimiser is being made ready: a request is taken, but its solve waits for that, `compiling` for two to three minutes."""

    def __init__(self, *, compiling: bool) -> None:
        super().__init__(compiling)
        self.compiling = compiling


class NoWorker(EngineError):
    """No worker is at the database: a request is taken, but nobody solves it before one is there."""


class QueueFull(EngineError):
    """`limit` plans wait already."""

    def __init__(self, limit: int) -> None:
        super().__init__(limit)
        self.limit = limit


@dataclass(frozen=True, slots=True)
class Submission:
    """A request that was read without a fault.

    Attributes
    ----------
    text
        Its JSON in one line, UTF-8.
    request
        What was read from it.
    tenant
        Whose it is.
    rush
        Whether it goes before every plan that is not in a rush.
    shop_id, shop_version
        The stored shop it was made from, and which version of it.
    base_id
        The plan that it varies or replans.
    parent_id
        The question that it is made for.
    start
        What its solve starts from; None: from nothing.
    notes
        What a planner should know of how the request came about: warnings of every plan that it gets.
    """

    text: bytes
    request: PlanRequest
    tenant: str = LOCAL_TENANT
    rush: bool = False
    shop_id: str | None = None
    shop_version: int | None = None
    base_id: str | None = None
    parent_id: str | None = None
    start: Start | None = None
    notes: tuple[Warning_, ...] = ()

    def noted(self, plan: Plan) -> Plan:
        """A plan of the request, with the notes behind its own warnings."""
        return plan.model_copy(update={"warnings": (*plan.warnings, *self.notes)}) if self.notes else plan


@dataclass(frozen=True, slots=True)
class PlanState:
    """A plan as it stands now.

    Attributes
    ----------
    id, status
        Those of the plan.
    text
        The best plan so far as JSON without `id` and `status`; without any orders, runs and tasks before the first one.
    revision
        Counts every change.
    progress
        What the solve reached last; None before its first word.
    problem
        Why the plan failed, in words for the caller; None in every other state.
    shop_id, shop_version
        The stored shop it was made from, and which version of it.
    score
        Points of the best plan so far; None before the first one.
    base_id
        The plan that it varies or replans; None where there is none, or it was deleted.
    """

    id: str
    status: Status
    text: str
    revision: int = 1
    progress: Progress | None = None
    problem: str | None = None
    shop_id: str | None = None
    shop_version: int | None = None
    score: float | None = None
    base_id: str | None = None

    @property
    def plan(self) -> Plan:
        """The best plan so far. It is read from its text each time: work for a thread where it is large."""
        return Plan.from_document({"id": self.id, "status": self.status, **json.loads(self.text)})

    @property
    def ended(self) -> bool:
        """Whether the plan is in an end state."""
        return self.status in ENDED


Beside = Callable[[Session, str], None]
"""Stores something in the transaction that stores a plan, given its session and the plan's id; where it raises, neither is stored."""

Guard = Callable[[Session], None]
"""Looks, in the transaction that is to change a plan, at what the plan has become; where it raises, nothing is changed."""


class Engine(Protocol):
    """Runs solves and knows their plans. An id is known to its tenant from `submit` until `cancel`."""

    async def start(self) -> None:
        """Begin to make the optimiser ready, in the background; requests are taken meanwhile. Without it the first solve does so."""
        ...

    async def check_ready(self, patience: float = 0.0) -> None:
        """Nothing where a request that is submitted now is taken and gets its turn; waits `patience` seconds for that at most.

        Raises
        ------
        EngineWarming, NoWorker, QueueFull, EngineClosed
        """
        ...

    async def submit(self, submission: Submission, beside: Beside | None = None) -> str:
        """Take a request and answer the id of its plan, once both are stored so that nothing loses them.

        Raises
        ------
        QueueFull, EngineClosed
        """
        ...

    async def stop(self, plan_id: str, tenant: str = LOCAL_TENANT, guard: Guard | None = None) -> None:
        """Let the solve end with its best plan; one that waits or has no plan yet ends as `stopped`. Stopping twice is no fault.

        `guard` is asked where there is something to stop.

        Raises
        ------
        UnknownPlan, AlreadyEnded
        """
        ...

    async def cancel(self, plan_id: str, tenant: str = LOCAL_TENANT, guard: Guard | None = None) -> None:
        """Forget the plan, unless `guard` refuses; a running solve is killed.

        Raises
        ------
        UnknownPlan
        """
        ...

    async def status(self, plan_id: str, tenant: str = LOCAL_TENANT) -> PlanState:
        """The plan as it stands now.

        Raises
        ------
        UnknownPlan
        """
        ...

    async def request(self, plan_id: str, tenant: str = LOCAL_TENANT) -> PlanRequest:
        """The request that the plan answers.

        Raises
        ------
        UnknownPlan
        """
        ...

    def events(self, plan_id: str, tenant: str = LOCAL_TENANT) -> AsyncIterator[PlanState]:
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
        """Take no more and let go of every solve; a later start goes on with them."""
        ...
