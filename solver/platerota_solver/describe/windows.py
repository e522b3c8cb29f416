"""Load windows: where each load may lie while every other task stays where it is planned."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence

from platerota_shared.calendars import Span, machine_closures, plate_closures
from platerota_shared.plan import LoadWindow, Run, Task
from platerota_solver.describe.book import PlanBook
from platerota_solver.describe.presence import Presence, parts
from platerota_solver.describe.supply import Stock, free_from, stocks


def load_windows(book: PlanBook) -> list[LoadWindow]:
    """One window per load, by start of the load."""
    by_id = {run.id: run for run in book.runs}
    stock = stocks(book)
    blocks = _Blocks(book)
    found: list[LoadWindow] = []
    for index, task in enumerate(book.tasks):
        if task.kind != "load" or task.run is None or task.operator is None:
            continue
        run, steps = by_id[task.run], book.of_run[task.run]
        place_at = book.tasks[steps.get("place", steps.get("cut", index))].start
        free, taken = blocks.around(index)
        called, left = _called(book, task.operator, index)
        free = max(free, called, _pieces_from(book, stock, run, index))
        earliest, latest = _in_working_time(book.presence[task.operator], task, free, min(taken, left, place_at))
        found.append(LoadWindow(
            operator=task.operator, plate=run.plate, run=run.id, machine=run.machine, place_at=place_at,
            start=task.start, end=task.end, earliest_start=earliest, latest_end=latest,
        ))
    return found


def _pieces_from(book: PlanBook, stock: Mapping[tuple[str, int], Stock], run: Run, load: int) -> int:
    """From when on the run's pieces are there: raw stock from its release, later ops' pieces from the op before."""
    instants = [book.request.now]
    for held in run.pieces:
        if held.op == book.ops[held.part][0]:
            instants.append(book.orders[held.order].release or book.request.now)
        else:
            instants.append(free_from(book, stock[held.order, held.op], load))
    return max(instants)


def _called(book: PlanBook, operator: str, load: int) -> Span:
    """From when to when the load keeps `operator` inside every overtime shift that counts because of this load alone.

    Outside, nobody might be there for a cut that relies on that shift (F9). A load of 0 s at its edge might not be in it, so it keeps its
    place.
    """
    presence, task = book.presence[operator], book.tasks[load]
    free, taken = book.request.now, book.request.horizon_end
    for day in presence.used:
        alike = (other for other in book.by_operator[operator] if other != load and presence.calls(day, book.tasks[other]))
        if presence.calls(day, task) and next(alike, None) is None:
            first, last = (day.start, day.end) if task.start < task.end else (task.start, task.end)
            free, taken = max(free, min(first, task.start)), min(taken, max(last, task.end))
    return free, taken


def _in_working_time(presence: Presence, task: Task, free: int, taken: int) -> tuple[int, int]:
    """The first working instant of the load's own sort from `free` on, and the earlier of `taken` and the end of that working time.

    A load that lies partly in overtime keeps its place: anywhere else it would cost other overtime.
    """
    overtime = presence.in_overtime(task)
    spans = presence.overtime if overtime else presence.regular
    home = bisect_right(spans, task.start, key=lambda span: span[0]) - 1
    if home < 0 or spans[home][1] < task.end:
        return task.start, task.end
    first = bisect_right(spans, free, key=lambda span: span[1])
    return min(task.start, max(free, spans[first][0])) if first <= home else task.start, min(taken, spans[home][1])


class _Blocks:
    """What occupies operators, plates and machines, as sorted lists of spans."""

    def __init__(self, book: PlanBook) -> None:
        shop = book.request.shop
        self._book = book
        self._plate_closed = {row.id: plate_closures(shop, row.id) for row in shop.plates}
        self._machine_closed = {row.id: machine_closures(shop, row.id) for row in shop.machines}
        self._cuts = {name: [index for index in own if book.tasks[index].kind == "cut"] for name, own in book.on_machine.items()}
        self._neighbours: dict[int, Span] = {}
        for own in book.by_operator.values():
            busy = sorted((*span, index) for index in own for span in parts(book.tasks[index]))
            ends = [book.request.now, *(end for _, end, _ in busy)]
            starts = [*(start for start, _, _ in busy), book.request.horizon_end]
            for place, (_, _, index) in enumerate(busy):
                self._neighbours[index] = (ends[place], starts[place + 1])

    def around(self, load: int) -> tuple[int, int]:
        """When operator, plate (and machine, for a plate that stays) are free before the load, and when one of them is not after it."""
        book, task = self._book, self._book.tasks[load]
        before, _ = self._between(book.on_plate[task.plate or ""], load)
        gaps = [self._neighbours[load], (before, book.request.horizon_end), self._gap(self._plate_closed.get(task.plate or "", []), task)]
        if task.machine is not None:
            gaps += [self._between(self._cuts.get(task.machine, []), load), self._gap(self._machine_closed[task.machine], task)]
        return max(free for free, _ in gaps), min(taken for _, taken in gaps)

    def _between(self, others: Sequence[int], load: int) -> Span:
        """From the end of the task before the load to the start of the one after it, in sequence: a cut of no length shares its instant."""
        tasks, request = self._book.tasks, self._book.request
        before, after = bisect_left(others, load) - 1, bisect_right(others, load)
        free = tasks[others[before]].end if before >= 0 else request.now
        return free, tasks[others[after]].start if after < len(others) else request.horizon_end

    def _gap(self, spans: Sequence[Span], task: Task) -> Span:
        """From the last of the spans that ends by the task's start to the first that starts from its end on."""
        before = bisect_right(spans, task.start, key=lambda span: span[1])
        after = bisect_left(spans, task.end, key=lambda span: span[0])
        now, end = self._book.request.now, self._book.request.horizon_end
        return max(now, spans[before - 1][1]) if before else now, spans[after][0] if after < len(spans) else end
