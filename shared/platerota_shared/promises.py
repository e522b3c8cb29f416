"""A date that can be promised for an order that is not taken yet: without harm to any other, and sure enough."""

from __future__ import annotations

from typing import Final

from platerota_shared.costs import OrderCost
from platerota_shared.effects import Effect, Payer
from platerota_shared.fields import Instant
from platerota_shared.plan import Out, Plan
from platerota_shared.risks import Likely

CAUTION: Final = (
    "The date comes from simulated weeks in which nobody replans and the spreads are as given; the defaults are assumptions, no"
    " measurements of this shop. It holds for the plan named here: take the order in and release that plan, or ask again."
)
"""What whoever promises should know."""


class PromiseAnswer(Out):
    """The date, how sure it is, and what the order takes."""

    order: str
    """The order's id in the plan."""
    plan: str
    """The id of the plan with the order in it, at `/v1/plans/{id}`."""
    certainty: float
    """The certainty that was wanted, 0.5 to 0.999."""
    finish: Instant | None
    """When the plan finishes the order; null where it finds no place within the horizon."""
    promise: Instant | None
    """The first instant by which at least that share of the simulated weeks have finished it; null where that lies beyond the horizon."""
    gap_seconds: int | None
    """promise − finish, seconds: what the spreads of work and stops cost."""
    likely: Likely | None
    """When it probably finishes."""
    on_time: float | None
    """Chance that it finishes when it is due or before, 0 to 1; null where no due date was asked for."""
    slack_seconds: int | None
    """How much the end of its last work may slip in the plan before any order finishes later, seconds."""
    harmless: bool
    """Whether no other order gets late, or later than it was; then `pays` is empty."""
    pays: tuple[Payer, ...]
    """The orders that pay, where the search found no plan that harms nobody."""
    takes: OrderCost | None
    """Spindle and operator hours and money that the order bears; null where it has no place."""
    effect: Effect
    """What the plan does differently from the one that was there before."""
    why: str | None
    """Why there is no date, in words; null where there is one."""
    caution: str
    """What whoever promises should know."""


def slack_seconds(plan: Plan, order: str) -> int | None:
    """How much the last task of an order may slip before any order finishes later, seconds; None where the plan holds no work of it."""
    runs = {run.id for run in plan.runs if any(row.order == order for row in run.pieces)}
    own = [
        task for task in plan.tasks
        if task.run in runs and (task.order == order if task.order is not None else True)
    ]
    return max(own, key=lambda task: (task.end, task.id)).float_seconds if own else None
