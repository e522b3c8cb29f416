"""The request for a replan: the floor as the plan has it at a later `now`, corrected by what has happened."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from platerota_shared.plan import Plan
from platerota_shared.tables import PlanRequest


class Replanning(NamedTuple):
    """A request that begins later: as JSON values and as read, with what a planner should know of how it came about."""

    document: dict[str, Any]
    request: PlanRequest
    notes: tuple[str, ...]


def floor_at(document: Mapping[str, Any], plan: Plan, now: Any, happened: Any = None) -> Replanning:
    """The request to replan with at `now`.

    Parameters
    ----------
    document
        The request of `plan`, as JSON values; it is not touched.
    plan
        A plan for it that the audit passed.
    now
        What came as the later `now`: an instant as text.
    happened
        What came as what has happened (:class:`~platerota_shared.replanning.happened.Happened`), JSON values; None: all went as planned.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault, pointers into ``/now`` and ``/happened``.
    """
    raise NotImplementedError
