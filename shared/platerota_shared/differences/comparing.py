"""Two plans side by side."""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.audit.book import Book
from platerota_shared.costs import PlanCosts, costs_of, cutting_seconds, overtime_seconds, working_seconds
from platerota_shared.differences.answer import Differences, Figure, MoneyDifference, ResourceHours, ScoreDifference
from platerota_shared.differences.orders import order_differences
from platerota_shared.differences.reasons import Reasons
from platerota_shared.differences.tasks import task_differences
from platerota_shared.moves import match, points_without_moves
from platerota_shared.plan import Plan, ScoreParts
from platerota_shared.tables import PlanRequest

CENT = 0.01
"""Costs of an order that differ by less are the same."""


def differences(base_request: PlanRequest, base: Plan, request: PlanRequest, plan: Plan) -> Differences:
    """What `plan` does differently from `base`; both passed the audit for their requests."""
    since = max(base.now, plan.now)
    books = Book(base_request, base), Book(request, plan)
    matching = match(base, plan)
    reasons = Reasons(base_request, base, request, plan, matching)
    before, after = costs_of(books[0], since), costs_of(books[1], since)
    return Differences(
        base=base.id, plan=plan.id, base_now=base.now, now=plan.now, timezone=plan.timezone,
        score=_score(base_request, base, request, plan),
        orders=order_differences(base_request, base, request, plan, reasons),
        tasks=task_differences(base, plan, matching, reasons),
        hours=tuple(_hours(*books, since)),
        spindle_seconds=_figure(before.spindle_seconds, after.spindle_seconds),
        operator_seconds=_figure(before.operator_seconds, after.operator_seconds),
        overtime_seconds=_figure(*(sum(row.worked_seconds for row in costs.overtime) for costs in (before, after))),
        setups=_figure(*(sum(task.kind == "setup" and task.end > since for task in side.tasks) for side in (base, plan))),
        money=_money(before, after),
    )


def _figure(base: float, plan: float) -> Figure:
    return Figure(base=base, plan=plan, change=plan - base)


def _score(base_request: PlanRequest, base: Plan, request: PlanRequest, plan: Plan) -> ScoreDifference:
    alike = base.now == plan.now and base_request.settings.score == request.settings.score
    parts = {name: _figure(getattr(base.score.parts, name), getattr(plan.score.parts, name)) for name in ScoreParts.model_fields}
    return ScoreDifference(comparable=alike, total=_figure(points_without_moves(base), points_without_moves(plan)), parts=parts)


def _hours(base: Book, plan: Book, since: int) -> Iterator[ResourceHours]:
    for name in dict.fromkeys((*plan.machines, *base.machines)):
        busy = _figure(*(cutting_seconds(book, name, since) for book in (base, plan)))
        yield ResourceHours(resource="machine", id=name, busy_seconds=busy, overtime_seconds=_figure(0, 0))
    for name in dict.fromkeys((*plan.operators, *base.operators)):
        busy = _figure(*(working_seconds(book, name, since) for book in (base, plan)))
        overtime = _figure(*(overtime_seconds(book, name, since) for book in (base, plan)))
        yield ResourceHours(resource="operator", id=name, busy_seconds=busy, overtime_seconds=overtime)


def _money(before: PlanCosts, after: PlanCosts) -> MoneyDifference | None:
    if before.cost is None or after.cost is None:
        return None
    old, new = ({row.id: row.cost or 0.0 for row in costs.orders} for costs in (before, after))
    figures = {name: _figure(old.get(name, 0.0), new.get(name, 0.0)) for name in dict.fromkeys((*new, *old))}
    overtime = _figure(*(sum(row.bought_cost or 0.0 for row in costs.overtime) for costs in (before, after)))
    return MoneyDifference(
        plan=_figure(before.cost, after.cost), orders={name: figure for name, figure in figures.items() if abs(figure.change) >= CENT},
        overtime=overtime,
    )
