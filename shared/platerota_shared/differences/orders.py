"""Orders of two plans by what became of them."""

from __future__ import annotations

from platerota_shared.differences.answer import OrderChange, OrderDifference, OrderDifferences, OrderPlace
from platerota_shared.differences.reasons import Reasons
from platerota_shared.moves import SAME_SECONDS
from platerota_shared.plan import OrderResult, Plan
from platerota_shared.tables import Order, PlanRequest


def order_differences(base_request: PlanRequest, base: Plan, request: PlanRequest, plan: Plan, reasons: Reasons) -> OrderDifferences:
    """Every order of the two plans once."""
    before, after = ({result.id: result for result in side.orders} for side in (base, plan))
    rows = {order.id: order for order in request.orders}
    old_rows = {order.id: order for order in base_request.orders}
    both = [(_difference(rows[name], before[name], result, reasons), name) for name, result in after.items() if name in before]
    apart = [found for found, _ in both if found is not None]
    done = {name for name, result in before.items() if name not in after and result.finish is not None and result.finish <= plan.now}
    return OrderDifferences(
        worse=tuple(sorted((found for found in apart if _worse(found)), key=lambda found: _rank(found, 1))),
        better=tuple(sorted((found for found in apart if not _worse(found)), key=lambda found: _rank(found, -1))),
        new=tuple(_place(rows[name], result) for name, result in after.items() if name not in before),
        gone=tuple(_place(old_rows[name], result) for name, result in before.items() if name not in after and name not in done),
        done=tuple(name for name in before if name in done), stayed=tuple(name for found, name in both if found is None),
    )


def _difference(order: Order, old: OrderResult, new: OrderResult, reasons: Reasons) -> OrderDifference | None:
    """What became of an order of both plans; None where it stayed."""
    finish = new.finish - old.finish if new.finish is not None and old.finish is not None else None
    late = new.late_seconds - old.late_seconds if new.late_seconds is not None and old.late_seconds is not None else None
    if old.placed == new.placed and abs(finish or 0) < SAME_SECONDS and abs(late or 0) < SAME_SECONDS:
        return None
    change: OrderChange = "placed" if new.placed else "unplaced"
    if finish is not None and late is not None:
        change = "later" if (late, finish) > (0, 0) else "earlier"
    return OrderDifference(
        id=order.id, name=order.name, change=change, weight=order.weight, base_finish=old.finish, finish=new.finish, finish_seconds=finish,
        base_late_seconds=old.late_seconds, late_seconds=new.late_seconds, pain=order.weight * late / 3_600 if late is not None else None,
        changed=reasons.changed(order.id), why=new.why,
    )


def _worse(found: OrderDifference) -> bool:
    return found.change in ("unplaced", "later")


def _rank(found: OrderDifference, sign: int) -> tuple[bool, float, float, str]:
    """For sorting: an order that lost or found its place before any that is later or earlier, by weight; then by pain or relief."""
    pain = found.pain if found.pain is not None else sign * found.weight
    return found.pain is not None, -sign * pain, -sign * found.weight * (found.finish_seconds or 0), found.id


def _place(order: Order, result: OrderResult) -> OrderPlace:
    return OrderPlace(id=order.id, name=order.name, finish=result.finish, late_seconds=result.late_seconds)
