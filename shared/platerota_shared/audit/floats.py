"""F20: how much each task may slip before any order finishes later, by propagation from the finishes backward."""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.results import finish_times, finishing_tasks
from platerota_shared.audit.sequence import Sequence
from platerota_shared.audit.spans import common, latest_fit, latest_paused_fit, seconds_in, without
from platerota_shared.audit.trip import spans_of
from platerota_shared.calendars import Span, merge
from platerota_shared.plan import Task


def faults(book: Book, sequence: Sequence) -> Iterator[Finding]:
    """Tasks whose stated float is not the one the tasks leave."""
    wanted = floats(book, sequence)
    for task in book.plan.tasks:
        if task.float_seconds != wanted[task.id]:
            yield Finding("F20", (task.id,), f"{task.id} may slip {wanted[task.id]} s, the plan says {task.float_seconds} s")


def floats(book: Book, sequence: Sequence) -> dict[str, int]:
    """The float of every task of a valid plan, in seconds.

    Every rule between two tasks is "no earlier than the other's end, and a wait", and the time each task may lie in is
    fixed, so the latest starts that all fit together are found task by task from the last to the first, and each is the
    greatest that any plan with the same sequences allows.
    """
    ends = _latest_ends(book, sequence)
    places = Places(book)
    latest: dict[str, int] = {}
    for task in reversed(sequence.order):
        limit = min((latest[name] - wait for name, wait in sequence.followers.get(task.id, ())), default=book.horizon_end)
        limit = min(limit, ends.get(task.id, book.horizon_end))
        fixed = task.frozen or task.id in sequence.pinned
        latest[task.id] = task.start if fixed else places.latest_start(task, limit)
    return {task.id: latest[task.id] - task.start for task in sequence.order}


def _latest_ends(book: Book, sequence: Sequence) -> dict[str, int]:
    """The latest end of every task that an order's finish waits for, of those inside another one's pause, of the last one in overtime."""
    ends = dict(sequence.latest_ends)
    finishes = finish_times(book)
    for trip in book.trips:
        for row in trip.run.pieces:
            if book.placed(row.order):
                for task, wait in finishing_tasks(book, trip, (row.order, row.op)):
                    ends[task.id] = min(ends.get(task.id, book.horizon_end), finishes[row.order] - wait)
    for task, end in _kept_in(book):
        ends[task.id] = min(ends.get(task.id, book.horizon_end), end)
    return ends


def _kept_in(book: Book) -> Iterator[tuple[Task, int]]:
    """Tasks that may not slip out of an overtime shift, with the latest end: of each shift called in, what its operator does there last.

    Without it nobody would be there for a cut (F9); what comes before it in the operator's sequence stays there with it.
    """
    for operator, own in book.by_operator.items():
        for day in book.hours[operator].called_days:
            *_, last = sorted((task for task in own if book.hours[operator].needs(day, task)), key=lambda task: task.start)
            yield last, last.end if last.start == last.end else max(last.end, day.end)


class Places:
    """Where a task may lie in time: inside its operator's working time, outside closures, a cut not too long unattended."""

    def __init__(self, book: Book) -> None:
        self._book = book
        self._open: dict[tuple[str | None, str | None, str | None], list[Span]] = {}

    def latest_start(self, task: Task, limit: int) -> int:
        """The latest start from which the task ends by `limit`; the planned one where no later fits."""
        length = seconds_in(spans_of(task))
        if task.kind in ("build", "bench"):
            found = self._latest_paused(task, length, limit)
        else:
            found = latest_fit(self._spans(task), length, limit)
        return task.start if found is None else max(found, task.start)

    def _latest_paused(self, task: Task, length: int, limit: int) -> int | None:
        """Work that pauses only while its operator is away, so it lies before or after a closure of the plate, not around it."""
        working = self._book.hours[task.operator or ""].working
        closed = self._book.plate_closures(task.plate) if task.plate is not None else []
        while True:
            start = latest_paused_fit(working, length, limit)
            if start is None:
                return None
            worked = common(working, [(start, limit)])
            blocked = common(worked, closed)
            if not blocked:
                return start
            limit = blocked[-1][0]

    def _spans(self, task: Task) -> list[Span]:
        key = (task.operator, task.machine, task.plate)
        if key not in self._open:
            self._open[key] = self._open_spans(task)
        return self._open[key]

    def _open_spans(self, task: Task) -> list[Span]:
        book = self._book
        open_spans = [(book.now, book.horizon_end)] if task.operator is None else book.hours[task.operator].working
        closed = book.plate_closures(task.plate) if task.plate is not None else []
        if task.machine is not None:
            machine = book.machines[task.machine]
            closed = merge([*closed, *book.machine_closures(machine.id), *(book.no_cutting(machine) if task.kind == "cut" else ())])
        return without(open_spans, closed) if closed else open_spans
