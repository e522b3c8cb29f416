"""What a variation does to a week, in few figures: enough to choose between several, without the plans themselves."""

from __future__ import annotations

from platerota_shared.differences import Differences
from platerota_shared.differences.answer import Figure, OrderDifference, OrderPlace
from platerota_shared.plan import Out


class Effect(Out):
    """What a plan does differently from its base; hours from the later `now` on."""

    comparable: bool
    """Whether the two scores measure the same: both begin at the same `now` with the same points per unit."""
    score: Figure
    """Points; less is better."""
    pain: float
    """The sum over all orders of weight × hours that they get later beyond their due dates; what gets better does not count."""
    worse: tuple[OrderDifference, ...]
    """Orders that get later or lose their place, the worst first."""
    better: tuple[OrderDifference, ...]
    """Orders that get earlier or find a place, the best first."""
    new: tuple[OrderPlace, ...]
    """Orders that the base does not have."""
    spindle_seconds: Figure
    """Cutting seconds of all machines."""
    operator_seconds: Figure
    """Seconds of tasks of all operators."""
    overtime_seconds: Figure
    """Seconds of tasks where only overtime shifts cover."""
    setups: Figure
    """How many setups."""
    cost: Figure | None
    """Money of the whole plan; null where one of the two requests gives no hour costs."""
    overtime_cost: Figure | None
    """Money for overtime where a shift called in is paid whole; null where one of the two requests gives no hour costs."""


def effect(found: Differences) -> Effect:
    """The few figures of a comparison."""
    return Effect(
        comparable=found.score.comparable, score=found.score.total,
        pain=sum((max(row.pain or 0.0, 0.0) for row in found.orders.worse), 0.0), worse=found.orders.worse, better=found.orders.better,
        new=found.orders.new, spindle_seconds=found.spindle_seconds, operator_seconds=found.operator_seconds,
        overtime_seconds=found.overtime_seconds, setups=found.setups, cost=found.money.plan if found.money is not None else None,
        overtime_cost=found.money.overtime if found.money is not None else None,
    )
