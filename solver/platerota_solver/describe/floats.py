"""Float: how far each task may slip before any order finishes later.

A backward pass over every link of the plan. Each rule says either "not before that one has ended" or "only in this open time", so
the pointwise latest of two feasible plans is feasible too, and one pass from the last task to the first finds the latest start of
every task. Attended time is that of the plan: overtime shifts count where the plan uses them. So that each goes on to count, the last
task that somebody has in one does not leave it: a cut may rely on who is there (F9).
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from platerota_shared.calendars import Span, machine_closures, merge, plate_closures, subtract
from platerota_shared.plan import Task
from platerota_solver.describe.attendance import forbidden
from platerota_solver.describe.book import PlanBook
from platerota_solver.describe.chains import ON_PLATE
from platerota_solver.describe.links import links, operator_ties
from platerota_solver.describe.open_times import OpenTime
from platerota_solver.describe.presence import work_seconds


def floats(book: PlanBook, finishes: Mapping[str, int], there: Sequence[Span]) -> list[int]:
    """Float of every task of the book in seconds, frozen tasks 0.

    `finishes` gives the finish of each placed order, `there` the attended time (UTC seconds).
    """
    tied, ends, kept = operator_ties(book)
    later: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for a, b, lag in (*links(book), *tied):
        # A link that this plan itself breaks is a finding of the audit, not a reason to count backwards from it.
        if book.tasks[a].end + lag <= book.tasks[b].start and a < b:
            later[a].append((b, lag))
    latest_end = _latest_ends(book, finishes)
    for index, end in (*ends.items(), *_called(book)):
        latest_end[index] = min(latest_end[index], end)
    open_times = _OpenTimes(book, there)
    latest = [task.start for task in book.tasks]
    for index in range(len(book.tasks) - 1, -1, -1):
        task = book.tasks[index]
        if task.frozen or index in kept:
            continue
        end = min([latest_end[index], *(latest[b] - lag for b, lag in later[index])])
        latest[index] = max(task.start, open_times.latest_start(task, end))
    return [start - task.start for start, task in zip(latest, book.tasks, strict=True)]


def _latest_ends(book: PlanBook, finishes: Mapping[str, int]) -> list[int]:
    """The latest end of each task that the horizon and the planned finish of its orders allow."""
    ends = [book.request.horizon_end] * len(book.tasks)
    for (order, op), runs in book.holders.items():
        if order not in finishes:
            continue
        limit = finishes[order] - book.after_seconds(order, op)
        for run, _ in runs:
            for index in (book.of_run[run].get("unload"), book.bench.get((run, order, op))):
                if index is not None:
                    ends[index] = min(ends[index], limit)
    for (order, _), index in book.articles.items():
        ends[index] = min(ends[index], finishes.get(order, ends[index]))
    return ends


def _called(book: PlanBook) -> Iterator[tuple[int, int]]:
    """The last task that somebody has in each overtime shift that counts, and its latest end (UTC seconds); one of 0 s keeps its place."""
    for operator, presence in book.presence.items():
        for day in presence.used:
            last = max(
                (index for index in book.by_operator.get(operator, ()) if presence.calls(day, book.tasks[index])),
                key=lambda index: (book.tasks[index].start, index),
            )
            task = book.tasks[last]
            yield last, max(day.end, task.end) if task.start < task.end else task.end


class _OpenTimes:
    """The open time of each task: working time for people, less what closes machine and plate; kept once per combination."""

    def __init__(self, book: PlanBook, there: Sequence[Span]) -> None:
        self._book = book
        shop = book.request.shop
        self._machine_closed = {row.id: machine_closures(shop, row.id) for row in shop.machines}
        self._plate_closed = {row.id: plate_closures(shop, row.id) for row in shop.plates}
        self._no_cut = {row.id: forbidden(book, row, there) for row in shop.machines}
        self._kept: dict[tuple[str | None, str | None, str | None], OpenTime] = {}

    def latest_start(self, task: Task, end: int) -> int:
        """The latest start of `task` in its open time that ends by `end`; its planned one where there is none."""
        seconds = work_seconds(task)
        plate = task.plate if task.kind in ON_PLATE else None
        if task.kind in ("build", "bench"):
            found = self._latest_pausing(task.operator, plate, seconds, end)
        else:
            found = self._open(task.operator, task.machine, plate).latest_unbroken(seconds, end)
        return task.start if found is None else found

    def _open(self, operator: str | None, machine: str | None, plate: str | None) -> OpenTime:
        key = (operator, machine, plate if self._plate_closed.get(plate or "") else None)
        if key not in self._kept:
            request = self._book.request
            closed = [*self._machine_closed.get(machine or "", ()), *self._plate_closed.get(plate or "", ())]
            if operator is None:
                closed += self._no_cut.get(machine or "", ())
            base = [(request.now, request.horizon_end)] if operator is None else self._book.presence[operator].every
            self._kept[key] = OpenTime(subtract(base, merge(closed)))
        return self._kept[key]

    def _latest_pausing(self, operator: str | None, plate: str | None, seconds: int, end: int) -> int | None:
        """F12: the task works through all working time from its start on, so no closure of its plate may lie in that."""
        working = self._open(operator, None, None)
        closed = self._plate_closed.get(plate or "", [])
        while True:
            start = working.latest_pausing(seconds, end)
            index = bisect_left(closed, end, key=lambda span: span[0]) - 1
            while start is not None and index >= 0 and closed[index][1] > start:
                low, high = max(closed[index][0], start), min(closed[index][1], end)
                if working.worked(high) > working.worked(low):
                    break
                index -= 1
            else:
                return start
            end = closed[index][0]
