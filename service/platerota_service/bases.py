"""The base of a decision: the ready plan that a what-if varies, that a replan keeps, that a question is about."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from platerota_service.engine import UnknownPlan
from platerota_service.kinds import NOT_READY
from platerota_service.problems import ProblemError
from platerota_service.store import Store, plan_rows
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request


@dataclass(frozen=True, slots=True)
class Base:
    """A ready plan and what it answers.

    Attributes
    ----------
    plan
        The plan.
    document
        Its request, as JSON values.
    shop_id, shop_version
        The stored shop it was made from, and which version of it.
    """

    plan: Plan
    document: dict[str, Any]
    shop_id: str | None
    shop_version: int | None

    @property
    def solve_seconds(self) -> float:
        """How long it was solved at most."""
        return read_request(self.document).settings.solve_seconds


def read_base(store: Store, tenant: str, plan_id: str) -> Base:
    """The base of that id; work for a thread.

    Raises
    ------
    UnknownPlan
    ProblemError
        409 where it is not ready.
    """
    with store.reading() as session:
        row, text = plan_rows.read(session, plan_id, tenant), plan_rows.read_request_text(session, plan_id, tenant)
    if row is None or text is None:
        raise UnknownPlan(plan_id)
    if row.state != "ready":
        raise ProblemError(NOT_READY, f"the plan '{plan_id}', from which it starts, is {row.state}")
    plan = Plan.from_document({"id": plan_id, "status": row.state, **json.loads(row.plan)})
    return Base(plan, json.loads(text), row.shop_id, row.shop_version)
