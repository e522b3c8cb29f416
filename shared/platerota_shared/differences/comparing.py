"""Two plans side by side."""

from __future__ import annotations

from platerota_shared.differences.answer import Differences
from platerota_shared.plan import Plan
from platerota_shared.tables import PlanRequest


def differences(base_request: PlanRequest, base: Plan, request: PlanRequest, plan: Plan) -> Differences:
    """What `plan` does differently from `base`; both passed the audit for their requests."""
    raise NotImplementedError
