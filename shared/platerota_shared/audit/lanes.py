"""F20: one lane per resource, complete and by start."""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.plan import Lane, Task


def faults(book: Book) -> Iterator[Finding]:
    """Lanes that are missing, in the wrong order, incomplete or unsorted."""
    wanted = [
        *(("machine", name) for name in book.machines),
        *(("plate", name) for name in book.plates),
        *(("operator", name) for name in book.operators),
    ]
    if [(lane.resource, lane.id) for lane in book.plan.lanes] != wanted:
        yield _fault((), "the lanes are not those of all machines, plates and operators in the order of the request")
    groups = {"machine": book.at_machine, "plate": book.at_plate, "operator": book.by_operator}
    for lane in book.plan.lanes:
        yield from _lane(book, lane, groups[lane.resource].get(lane.id, []))


def _lane(book: Book, lane: Lane, tasks: list[Task]) -> Iterator[Finding]:
    if sorted(lane.tasks) != sorted(task.id for task in tasks):
        odd = set(lane.tasks) ^ {task.id for task in tasks}
        yield _fault(tuple(sorted(odd)), f"the lane of {lane.resource} {lane.id} does not hold exactly its tasks")
        return
    starts = [book.tasks[name].start for name in lane.tasks]
    if starts != sorted(starts):
        yield _fault(lane.tasks, f"the lane of {lane.resource} {lane.id} is not sorted by start")


def _fault(tasks: tuple[str, ...], detail: str) -> Finding:
    return Finding("F20", tasks, detail)
