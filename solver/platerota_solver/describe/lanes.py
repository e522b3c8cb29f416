"""The rows of a Gantt chart: machines, plates, operators, each with its tasks by start."""

from __future__ import annotations

from platerota_shared.plan import Lane
from platerota_solver.describe.book import PlanBook


def lanes(book: PlanBook) -> list[Lane]:
    """One lane per machine, then per plate, then per operator, in the order of the request; idle ones have no tasks."""
    shop = book.request.shop
    found = [Lane(resource="machine", id=row.id, tasks=_ids(book, book.on_machine.get(row.id))) for row in shop.machines]
    found += [Lane(resource="plate", id=row.id, tasks=_ids(book, book.on_plate.get(row.id))) for row in shop.plates]
    found += [Lane(resource="operator", id=row.id, tasks=_ids(book, book.by_operator.get(row.id))) for row in shop.operators]
    return found


def _ids(book: PlanBook, indices: list[int] | None) -> tuple[str, ...]:
    return tuple(book.tasks[index].id for index in indices or ())
