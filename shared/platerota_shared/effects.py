"""What a variation does to a week, in few figures: enough to choose between several, without the plans themselves."""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.differences import differences
from platerota_shared.differences.answer import Figure, OrderDifference, OrderPlace
from platerota_shared.plan import Out, Plan
from platerota_shared.tables import PlanRequest


class Payer(Out):
    """An order that pays: it gets later beyond its due date, or is no longer planned. One that is later and still on time does not."""

    id: str
    """The order."""
    name: str | None
    """What people call it."""
    weight: float
    """Its weight."""
    late_seconds: int | None
    """How late it is now, seconds; null where it lost its place."""
    later_seconds: int | None
    """How much later it gets beyond its due date, seconds; null where it lost its place."""
    pain: float | None
    """weight × hours of that; null where it lost its place."""


class Effect(Out):
    """What a plan does differently from its base; hours from the later `now` on."""

    comparable: bool
    """Whether the two scores measure the same: both begin at the same `now` with the same points per unit."""
    score: Figure
    """Points without those of moved tasks, which a replan counts and what varies it does not; less is better."""
    pays: tuple[Payer, ...]
    """Orders of the base that pay, those that lose their place first, then the worst first; to the second."""
    pain: float
    """The sum of weight × hours of those that get later."""
    lost: int
    """How many lose their place."""
    worse: tuple[OrderDifference, ...]
    """Orders that get later by a minute or more, on time or not, or lose their place; the worst first."""
    better: tuple[OrderDifference, ...]
    """Orders that get earlier by a minute or more, or find a place; the best first."""
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


def effect(base_request: PlanRequest, base: Plan, request: PlanRequest, plan: Plan) -> Effect:
    """The few figures of two plans side by side; both passed the audit for their requests."""
    found = differences(base_request, base, request, plan)
    pays = sorted(_payers(base, request, plan), key=lambda row: (row.pain is not None, -(row.pain or 0.0), -row.weight, row.id))
    return Effect(
        comparable=found.score.comparable, score=found.score.total, pays=tuple(pays), pain=sum((row.pain or 0.0 for row in pays), 0.0),
        lost=sum(row.pain is None for row in pays), worse=found.orders.worse, better=found.orders.better, new=found.orders.new,
        spindle_seconds=found.spindle_seconds, operator_seconds=found.operator_seconds, overtime_seconds=found.overtime_seconds,
        setups=found.setups, cost=found.money.plan if found.money is not None else None,
        overtime_cost=found.money.overtime if found.money is not None else None,
    )


def _payers(base: Plan, request: PlanRequest, plan: Plan) -> Iterator[Payer]:
    rows, before = {order.id: order for order in request.orders}, {result.id: result for result in base.orders}
    for now in plan.orders:
        old, order = before.get(now.id), rows[now.id]
        if old is None or old.late_seconds is None:
            continue
        if now.late_seconds is None:
            yield Payer(id=now.id, name=order.name, weight=order.weight, late_seconds=None, later_seconds=None, pain=None)
        elif now.late_seconds > old.late_seconds:
            later = now.late_seconds - old.late_seconds
            yield Payer(
                id=now.id, name=order.name, weight=order.weight, late_seconds=now.late_seconds, later_seconds=later,
                pain=order.weight * later / 3_600,
            )
