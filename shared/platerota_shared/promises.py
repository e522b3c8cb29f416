"""A date that can be promised for an order that is not taken yet: without harm to any other, and sure enough."""

from __future__ import annotations

from typing import Final

from platerota_shared.costs import OrderCost
from platerota_shared.effects import Effect, Payer
from platerota_shared.fields import Instant
from platerota_shared.plan import Out, Plan
from platerota_shared.risks import Likely, Risks

CAUTION: Final = (
    "The date comes from simulated weeks in which nobody replans and the spreads are as given; the defaults are assumptions, no"
    " measurements of this shop. It holds for the plan named here: take the order in and release that plan, or ask again."
)
"""What whoever promises should know."""
LESS_SURE: Final = 0.05
"""An order is told of whose chance to be on time falls by more than this; in 2,000 weeks luck alone moves a chance less."""


class LessSure(Out):
    """An order that is less surely on time beside the promised one, by more than 5 points of a hundred."""

    id: str
    """The order."""
    before: float
    """Its chance to be on time in the plan that was there before, 0 to 1."""
    after: float
    """Its chance in the plan with the promised order in it, 0 to 1."""


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
    """Whether by planned times no other order gets late, or later than it was; then `pays` is empty. One that is pushed up to its due date
    counts as unharmed: `less_sure` names those."""
    pays: tuple[Payer, ...]
    """The orders that pay, where the search found no plan that harms nobody."""
    less_sure: tuple[LessSure, ...] | None
    """The other orders whose chance to be on time falls by more than 5 points of a hundred, the one that loses most first, in weeks
    simulated alike for both plans; null where they could not be simulated."""
    takes: OrderCost | None
    """Spindle and operator hours and money that the order bears; null where it has no place."""
    effect: Effect
    """What the plan does differently from the one that was there before."""
    why: str | None
    """Why there is no date, in words; null where there is one."""
    caution: str
    """What whoever promises should know; first that the plan had begun more than an hour before this was asked, where it had."""


def less_sure(before: Risks, after: Risks) -> tuple[LessSure, ...]:
    """The orders placed in both plans whose chance to be on time falls by more than :data:`LESS_SURE`, the one that loses most first."""
    chances = {order.id: order.on_time for order in before.orders}
    found = [
        LessSure(id=order.id, before=old, after=order.on_time) for order in after.orders
        if (old := chances.get(order.id)) is not None and order.on_time is not None and old - order.on_time > LESS_SURE + 1e-9
    ]
    return tuple(sorted(found, key=lambda one: (one.after - one.before, one.id)))


def slack_seconds(plan: Plan, order: str) -> int | None:
    """How much the last task of an order may slip before any order finishes later, seconds; None where the plan holds no work of it."""
    runs = {run.id for run in plan.runs if any(row.order == order for row in run.pieces)}
    own = [
        task for task in plan.tasks
        if task.run in runs and (task.order == order if task.order is not None else True)
    ]
    return max(own, key=lambda task: (task.end, task.id)).float_seconds if own else None
