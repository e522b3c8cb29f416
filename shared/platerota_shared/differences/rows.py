"""Differences as flat rows, for a worksheet or a CSV file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final
from zoneinfo import ZoneInfo

from platerota_shared.differences.answer import Differences, Figure, OrderPlace
from platerota_shared.instants import local_text

COLUMNS: Final = ("section", "id", "what", "base", "plan", "change", "detail")
"""The columns of every row."""

Row = dict[str, Any]


def difference_rows(found: Differences) -> list[Row]:
    """A row for each figure of the score and the shop, and for each order, task, machine, operator and cost that differs.

    `section` is score, order, task, machine, operator, shop or money; instants are local text with offset; `change` is in the
    unit of `base` and `plan`, seconds where these are instants; cells that are blank are None.
    """
    return [*_score(found), *_orders(found), *_tasks(found), *_hours(found), *_money(found)]


def _row(section: str, name: str | None, what: str, base: Any, plan: Any, change: Any, detail: str | None = None) -> Row:
    return dict(zip(COLUMNS, (section, name, what, base, plan, change, detail), strict=True))


def _figure(section: str, name: str | None, what: str, figure: Figure, detail: str | None = None) -> Row:
    return _row(section, name, what, figure.base, figure.plan, figure.change, detail)


def _score(found: Differences) -> Iterator[Row]:
    doubts = [] if found.score.comparable else ["the two plans begin at different times or count other points"]
    moved = found.score.parts["moved_task"]
    if moved.base or moved.plan:
        doubts.append("without moved_task, which each of the two plans counts against another one")
    yield _figure("score", None, "total", found.score.total, "; ".join(doubts) or None)
    for name, figure in found.score.parts.items():
        yield _figure("score", None, name, figure)


def _orders(found: Differences) -> Iterator[Row]:
    for order in (*found.orders.worse, *found.orders.better):
        before, after = _text(found, order.base_finish), _text(found, order.finish)
        yield _row("order", order.id, order.change, before, after, order.finish_seconds, order.why)
    for what, places in (("new", found.orders.new), ("gone", found.orders.gone)):
        for place in places:
            yield _place(found, what, place)
    for what, names in (("done", found.orders.done), ("stayed", found.orders.stayed)):
        yield from (_row("order", name, what, None, None, None) for name in names)


def _place(found: Differences, what: str, place: OrderPlace) -> Row:
    finish = _text(found, place.finish)
    return _row("order", place.id, what, finish if what == "gone" else None, finish if what == "new" else None, None)


def _tasks(found: Differences) -> Iterator[Row]:
    for task in found.tasks.rows:
        before, after = _text(found, task.base_start), _text(found, task.start)
        words = "; ".join(filter(None, [", ".join(task.changed), task.reason]))
        yield _row("task", task.task or task.base_task, f"{task.kind} {task.change}", before, after, task.seconds, words or None)


def _hours(found: Differences) -> Iterator[Row]:
    for row in found.hours:
        if row.busy_seconds.change:
            yield _figure(row.resource, row.id, "busy_seconds", row.busy_seconds)
        if row.overtime_seconds.change:
            yield _figure(row.resource, row.id, "overtime_seconds", row.overtime_seconds)
    for name in ("spindle_seconds", "operator_seconds", "overtime_seconds", "setups"):
        yield _figure("shop", None, name, getattr(found, name))


def _money(found: Differences) -> Iterator[Row]:
    if found.money is not None:
        yield _figure("money", None, "plan", found.money.plan)
        yield _figure("money", None, "overtime", found.money.overtime)
        for name, figure in found.money.orders.items():
            yield _figure("money", name, "order", figure)


def _text(found: Differences, instant: int | None) -> str | None:
    return local_text(instant, ZoneInfo(found.timezone)) if instant is not None else None
