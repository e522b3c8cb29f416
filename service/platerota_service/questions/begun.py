"""A question about a plan that has begun: it is planned from the plan's own `now`, as if the hours since were still to come."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from platerota_shared.plan import Plan
from platerota_shared.starts import FROZEN_MINUTES


def begun_caution(plan: Plan, at: int) -> str | None:
    """What whoever asks about a plan should know first where it has begun; None where it has not, or just now.

    Parameters
    ----------
    plan
        The plan that is asked about.
    at
        When it is asked about, UTC seconds. What starts within :data:`FROZEN_MINUTES` of a plan's `now` would not be moved any more
        anyway, so that long it is taken as new.
    """
    if at - plan.now <= 60 * FROZEN_MINUTES:
        return None
    zone = ZoneInfo(plan.timezone)
    begins, asked = (f"{datetime.fromtimestamp(moment, zone):%A %Y-%m-%d %H:%M}" for moment in (plan.now, at))
    return (
        f"This plan begins {begins} and is asked about on {asked}: hours that are gone count as free; replan first, then ask of that plan."
    )
