"""A plan beside its request, looked up the way people ask: by day, by run, by order; times in the shop's own clock."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

from platerota_service.named_rows import Key, NamedRows, beside, note_words
from platerota_service.pictures.lettering import clean, clipped
from platerota_shared.calendars import wall_seconds
from platerota_shared.plan import LoadWindow, OrderResult, Plan, Run, Task
from platerota_shared.tables import Order, PlanRequest

DAY_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTH_NAMES = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
NAME_CELLS = 40
NOTE_CELLS = 120
"""What of a note stands where it is read at work: two lines of a printed sheet. The board has it whole."""


@dataclass(frozen=True, slots=True)
class ShopDay:
    """A day as the shop counts it, from one morning's first shift to the next; UTC seconds."""

    start: int
    end: int
    title: str


class Week:
    """Look-ups over one plan and the request it answers.

    Parameters
    ----------
    plan, request
        The plan and the request it was made from; ids in both are the same.
    """

    def __init__(self, plan: Plan, request: PlanRequest) -> None:
        self.plan = plan
        self.request = request
        self.zone = request.shop.zone
        self.runs: dict[str, Run] = {run.id: run for run in plan.runs}
        self.tasks: dict[str, Task] = {task.id: task for task in plan.tasks}
        self.orders: dict[str, Order] = {order.id: order for order in request.orders}
        self.results: dict[str, OrderResult] = {result.id: result for result in plan.orders}
        self.windows: dict[str, LoadWindow] = {window.run: window for window in plan.load_windows}
        self._lanes: dict[tuple[str, str], list[Task]] = {
            (lane.resource, lane.id): [self.tasks[task] for task in lane.tasks] for lane in plan.lanes
        }
        self.rows = NamedRows(request)

    def name(self, table: str, row_id: str) -> str:
        """The name of a row of `table`; empty where it has none."""
        return shown(self.rows.name(table, row_id))

    def called(self, table: str, row_id: str) -> str:
        """The id of a row of `table` with its name, if it has one, behind it."""
        return beside(shown(row_id), self.name(table, row_id))

    def notes(self, keys: Iterable[Key]) -> list[str]:
        """The notes of those of the rows that have one, each a line that names its row; a long note gives way at its end."""
        return [note_words(table, shown(row_id), clipped(clean(note), NOTE_CELLS)) for (table, row_id), note in self.rows.noted(keys)]

    def head_title(self, table: str, row_id: str) -> str:
        """What the head of a row says when pointed at: the name and note that it has no room for; empty where there are none."""
        notes = self.notes([(table, row_id)])
        return "; ".join([self.called(table, row_id), *notes]) if notes or self.name(table, row_id) else ""

    @cached_property
    def late(self) -> frozenset[str]:
        """The ids of orders that finish after they are due."""
        return frozenset(result.id for result in self.plan.orders if result.late_seconds)

    @cached_property
    def last(self) -> int:
        """The end of the last task or order, UTC seconds; `now` where there is none."""
        finishes = [result.finish for result in self.plan.orders if result.finish is not None]
        return max([self.plan.now, *finishes, *(task.end for task in self.plan.tasks)])

    @cached_property
    def days(self) -> tuple[ShopDay, ...]:
        """The shop's days from the one that holds `now` to the one that holds the last task."""
        opening = min((shift.start for shift in self.request.shop.shifts if not shift.overtime), default=0) // 60 * 60
        day = datetime.fromtimestamp(self.plan.now, self.zone).date() - timedelta(days=1)
        found: list[ShopDay] = []
        while True:
            start, end = (wall_seconds(day + timedelta(days=step), opening, self.zone) for step in (0, 1))
            if found and start >= self.last:
                return tuple(found)
            if end > self.plan.now:
                found.append(ShopDay(start, end, self.day_text(start)))
            day += timedelta(days=1)

    def lane(self, resource: str, row_id: str) -> list[Task]:
        """The tasks of one resource's lane, by start; none where it has no lane."""
        return self._lanes.get((resource, row_id), [])

    def local(self, instant: int) -> datetime:
        """`instant` (UTC seconds) on the shop's clock."""
        return datetime.fromtimestamp(instant, self.zone)

    def day_text(self, instant: int) -> str:
        """Such as ``Mon 1 Mar``."""
        stamp = self.local(instant)
        return f"{DAY_NAMES[stamp.weekday()]} {stamp.day} {MONTH_NAMES[stamp.month - 1]}"

    def minute(self, instant: int) -> str:
        """Such as ``06:05``, rounded down to the minute."""
        return f"{self.local(instant):%H:%M}"

    def moment(self, instant: int) -> str:
        """Such as ``Mon 06:05``, rounded down to the minute."""
        return f"{DAY_NAMES[self.local(instant).weekday()]} {self.minute(instant)}"

    def date(self, instant: int) -> str:
        """Such as ``Mon 1 Mar 06:05``, rounded down to the minute."""
        return f"{self.day_text(instant)} {self.minute(instant)}"

    def full_date(self, instant: int) -> str:
        """Such as ``Mon 1 Mar 2027 06:05``, rounded down to the minute."""
        return f"{self.day_text(instant)} {self.local(instant).year} {self.minute(instant)}"

    def span(self, start: int, end: int) -> str:
        """Such as ``Mon 06:05–06:13``, or with both days where they differ."""
        same = self.local(start).date() == self.local(end).date()
        return f"{self.moment(start)}–{self.minute(end) if same else self.moment(end)}"

    def pieces(self, run: Run) -> tuple[str, ...]:
        """Such as ``W308 (pilot lot) CVR-210 op 10 ×4, op 20 ×4``, one for each order on the plate."""
        orders: dict[tuple[str, str], list[str]] = {}
        for row in run.pieces:
            orders.setdefault((row.order, row.part), []).append(f"op {row.op} ×{row.pieces}")
        return tuple(f"{self.called('orders', order)} {shown(part)} {', '.join(ops)}" for (order, part), ops in orders.items())

    def load_text(self, run: Run) -> str:
        """What lies on the plate, whoever ordered it: ``CVR-210 op 10 ×4, op 20 ×4``; several parts are joined by ``+``."""
        parts: dict[str, dict[int, int]] = {}
        for row in run.pieces:
            ops = parts.setdefault(row.part, {})
            ops[row.op] = ops.get(row.op, 0) + row.pieces
        return " + ".join(f"{shown(part)} {', '.join(f'op {op} ×{count}' for op, count in ops.items())}" for part, ops in parts.items())

    def is_late(self, task: Task) -> bool:
        """Whether the task serves an order that finishes late."""
        if task.order is not None:
            return task.order in self.late
        return task.run is not None and any(row.order in self.late for row in self.runs[task.run].pieces)


def shown(text: str) -> str:
    """A caller's id or name as it is printed: made safe, at most 40 cells."""
    return clipped(clean(text), NAME_CELLS)


def duration(seconds: int) -> str:
    """Such as ``40 s``, ``25 min``, ``3 h 05 min``, ``2 d 4 h``; rounded down to its smaller unit."""
    if seconds < 60:
        return f"{seconds} s"
    if seconds < 3_600:
        return f"{seconds // 60} min"
    if seconds < 48 * 3_600:
        return f"{seconds // 3_600} h {seconds % 3_600 // 60:02d} min"
    return f"{seconds // 86_400} d {seconds % 86_400 // 3_600} h"
