"""Figures of a plan from `now` to its last task: by machine, by operator, and for the shop (`kpis`)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

from platerota_shared.calendars import Span, clip
from platerota_shared.kpi_formulas import MACHINE_ELEMENTS, OPERATOR_ELEMENTS, added, iso_ratios, machine_elements, money, operator_elements
from platerota_shared.plan import Kind, Kpis, MachineKpis, OperatorKpis, OrderResult, ShopKpis
from platerota_solver.describe.book import PlanBook
from platerota_solver.describe.presence import length, work_seconds
from platerota_solver.describe.spindle import exchangers_here, spindle_time


def kpis_of(book: PlanBook, orders: Sequence[OrderResult], there: Sequence[Span]) -> Kpis:
    """All figures; `there` is the attended time."""
    exchangers = exchangers_here(book)
    machines: list[MachineKpis] = []
    for row in book.request.shop.machines:
        spindle = spindle_time(book, row.id, exchangers, there)
        elements = machine_elements(spindle.seconds)
        machines.append(MachineKpis(
            id=row.id, seconds=spindle.seconds, unattended_cutting_seconds=spindle.unattended_cutting, elements=elements,
            ratios=iso_ratios(elements) | {"planned_cutting_cost": money(spindle.seconds["cutting"], row.hour_cost)},
        ))
    operators = [_operator(book, row.id, row.hour_cost) for row in book.request.shop.operators]
    return Kpis(machines=tuple(machines), operators=tuple(operators), shop=_shop(book, orders, machines, operators))


def _operator(book: PlanBook, operator: str, hour_cost: float) -> OperatorKpis:
    """Seconds by kind of task, and `free`: working time less task time."""
    worked: dict[str, int] = {}
    for index in book.by_operator.get(operator, ()):
        task = book.tasks[index]
        worked[task.kind] = worked.get(task.kind, 0) + work_seconds(task)
    busy = sum(worked.values())
    here = length(clip(book.presence[operator].here, book.request.now, book.end))
    seconds = {kind: worked[kind] for kind in get_args(Kind) if kind in worked} | {"free": here - busy}
    elements = operator_elements(seconds)
    ratios = iso_ratios(elements) | {"planned_work_cost": money(busy, hour_cost)}
    return OperatorKpis(id=operator, seconds=seconds, elements=elements, ratios=ratios)


def _shop(
    book: PlanBook, orders: Sequence[OrderResult], machines: Sequence[MachineKpis], operators: Sequence[OperatorKpis],
) -> ShopKpis:
    """The shop's figures: on time counts placed orders without lateness, pieces those that the plan unloads from their last op."""
    on_time = sum(order.placed and order.late_seconds == 0 for order in orders)
    pieces = sum(held.pieces for run in book.runs for held in run.pieces if held.op == book.ops[held.part][-1])
    first = min((task.start for task in book.tasks), default=book.end)
    elements = {
        **added((row.elements for row in machines), MACHINE_ELEMENTS), **added((row.elements for row in operators), OPERATOR_ELEMENTS),
        "AOET": sum(order.finish - order.start for order in orders if order.finish is not None and order.start is not None),
        "AOET_all": book.end - first, "PQ": pieces,
    }
    costs = [row.ratios["planned_cutting_cost"] or 0.0 for row in machines] + [row.ratios["planned_work_cost"] or 0.0 for row in operators]
    return ShopKpis(
        seconds=book.end - book.request.now, orders=len(orders), on_time_orders=on_time,
        on_time_share=on_time / len(orders) if orders else None, late_seconds=sum(order.late_seconds or 0 for order in orders),
        runs=len(book.runs), pieces=pieces, unattended_cutting_seconds=sum(row.unattended_cutting_seconds for row in machines),
        elements=elements, ratios=iso_ratios(elements) | {"planned_cost": sum(costs)},
    )
