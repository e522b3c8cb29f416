"""A plan as it stands, read once for one page."""

from __future__ import annotations

from dataclasses import dataclass

from platerota_service.engine import ENDED
from platerota_service.solve_lines import Progress
from platerota_shared.plan import Plan


@dataclass(frozen=True, slots=True)
class Standing:
    """What a page shows of a plan.

    Attributes
    ----------
    plan
        The best plan so far with its id and status; without lanes before the first one.
    progress
        What its solve reached last; None before its first word.
    problem
        Why it failed, in words; None in every other state.
    base
        The id of the plan that it varies or replans; None: of none.
    """

    plan: Plan
    progress: Progress | None = None
    problem: str | None = None
    base: str | None = None

    @property
    def ended(self) -> bool:
        """Whether the plan is in an end state."""
        return self.plan.status in ENDED

    @property
    def found(self) -> bool:
        """Whether there is a plan to show: a found one has a lane for every machine, plate and person of the shop."""
        return bool(self.plan.lanes) or self.plan.status == "ready"
