"""F9, F17, F18: unattended time, closures, and the plan's own beginning and end."""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.spans import overlapped
from platerota_shared.audit.trip import spans_of
from platerota_shared.calendars import Span, operator_closures
from platerota_shared.plan import Task


def faults(book: Book) -> Iterator[Finding]:
    """Cuts too long after the last person left, work in closed time, tasks before `now` or past the horizon."""
    for machine in book.machines.values():
        forbidden = book.no_cutting(machine) if machine.unattended_minutes is not None else []
        for cut in book.cuts[machine.id]:
            if forbidden and not cut.frozen and overlapped(forbidden, cut.start, cut.end):
                yield Finding("F9", (cut.id,), f"{cut.id} lies more than {machine.unattended_minutes} minutes after the last person left")
    operators = {operator: operator_closures(book.shop, operator) for operator in book.operators}
    for task in book.plan.tasks:
        yield from _closed(book, task, operators)
        if task.start < book.now:
            yield Finding("F18", (task.id,), f"{task.id} starts at {book.at(task.start)}, before now")
        if task.end > book.horizon_end:
            yield Finding("F18", (task.id,), f"{task.id} ends at {book.at(task.end)}, past the horizon")


def _closed(book: Book, task: Task, operators: dict[str, list[Span]]) -> Iterator[Finding]:
    if task.frozen:
        return
    resources = (
        ("machine", task.machine, book.machine_closures(task.machine) if task.machine else []),
        ("plate", task.plate, book.plate_closures(task.plate) if task.plate else []),
        ("operator", task.operator, operators[task.operator] if task.operator else []),
    )
    for what, name, closures in resources:
        if closures and any(overlapped(closures, start, end) for start, end in spans_of(task)):
            yield Finding("F17", (task.id,), f"{task.id} overlaps a closure of {what} {name}")
