"""The Gantt chart of a plan in cells: a row for each machine, operator and plate, a column for each slot of time.

A letter in each cell says what is done, so the picture can be read without its colours and printed in grey.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from typing import Final
from zoneinfo import ZoneInfo

from platerota_service.workbook.styles import Book, Page, write_cell
from platerota_shared.plan import Kind, Lane, Plan, Task

MAX_SLOTS: Final = 480
"""Columns at most; a longer plan has longer slots."""

_MINUTES: Final = (15, 30, 60, 120, 240, 480, 1_440)
_LOOKS: Final[dict[Kind, tuple[str, str, str, str]]] = {
    "build": ("B", "building a fixture", "#D9CBE3", "#000000"),
    "load": ("L", "loading at the bench", "#BFD8C6", "#000000"),
    "place": ("P", "placing the plate", "#F1D3A2", "#000000"),
    "setup": ("S", "setup", "#E9B7A8", "#000000"),
    "cut": ("C", "cutting", "#2F5D73", "#FFFFFF"),
    "pull": ("Q", "pulling the plate", "#F1D3A2", "#000000"),
    "unload": ("U", "unloading at the bench", "#DCE7C0", "#000000"),
    "first_article": ("A", "first article", "#F4E59A", "#000000"),
    "bench": ("H", "bench work", "#D5D5D5", "#000000"),
}
_FIRST_COLUMN: Final = 2
_FIRST_ROW: Final = 3


def write_gantt(book: Book, page: Page, plan: Plan, zone: ZoneInfo) -> None:
    """Draw the lanes of a plan; one without tasks says so."""
    page.set_column(0, 1, 14)
    if not plan.tasks:
        write_cell(book, page, 0, 0, "The plan has no tasks.")
        return
    slots = _Slots(plan, zone)
    _write_legend(book, page, slots.minutes)
    _write_heads(book, page, slots)
    shape = {"align": "center", "font_size": 8}
    formats = {kind: book.custom({**shape, "bg_color": fill, "font_color": ink}) for kind, (_, _, fill, ink) in _LOOKS.items()}
    tasks = {task.id: task for task in plan.tasks}
    for row, lane in enumerate(plan.lanes, _FIRST_ROW):
        write_cell(book, page, row, 0, lane.resource)
        write_cell(book, page, row, 1, lane.id)
        for slot, kind in slots.filled(lane, tasks).items():
            page.write_string(row, _FIRST_COLUMN + slot, _LOOKS[kind][0], formats[kind])
    page.freeze_panes(_FIRST_ROW, _FIRST_COLUMN)
    page.set_landscape()
    page.set_paper(9)
    page.repeat_columns(0, _FIRST_COLUMN - 1)
    page.repeat_rows(0, _FIRST_ROW - 1)


class _Slots:
    """Equal slots of time from the first task's day on, as long as it takes to show all of the plan."""

    def __init__(self, plan: Plan, zone: ZoneInfo) -> None:
        first, last = min(task.start for task in plan.tasks), max(task.end for task in plan.tasks)
        needed = (last - first) / 60 / (MAX_SLOTS - 2)
        self.minutes = next((minutes for minutes in _MINUTES if minutes >= needed), _MINUTES[-1])
        self._length = self.minutes * 60
        start = dt.datetime.fromtimestamp(first, zone)
        into = (start.hour * 3_600 + start.minute * 60 + start.second) % self._length
        self._first = first - into
        self.count = min(MAX_SLOTS, -(-(last - self._first) // self._length))
        self.starts = [dt.datetime.fromtimestamp(self._first + slot * self._length, zone) for slot in range(self.count)]

    def filled(self, lane: Lane, tasks: dict[str, Task]) -> dict[int, Kind]:
        """What fills most of each slot of a lane; slots in which nothing is done are left out."""
        most: dict[int, int] = defaultdict(int)
        kinds: dict[int, Kind] = {}
        for name in lane.tasks:
            task = tasks[name]
            for start, end in [(span.start, span.end) for span in task.spans] if task.spans else [(task.start, task.end)]:
                for slot in range((start - self._first) // self._length, min(self.count, -(-(end - self._first) // self._length))):
                    begins = self._first + slot * self._length
                    share = min(end, begins + self._length) - max(start, begins)
                    if share > most[slot]:
                        most[slot], kinds[slot] = share, task.kind
        return kinds


def _write_legend(book: Book, page: Page, minutes: int) -> None:
    words = ", ".join(f"{letter} {meaning}" for letter, meaning, _, _ in _LOOKS.values())
    write_cell(book, page, 0, 0, f"A column is {minutes} minutes and shows what fills most of it: {words}.")


def _write_heads(book: Book, page: Page, slots: _Slots) -> None:
    write_cell(book, page, 2, 0, "resource", "heading")
    write_cell(book, page, 2, 1, "id", "heading")
    page.set_column(_FIRST_COLUMN, _FIRST_COLUMN + slots.count - 1, 2.2)
    day, hour = None, None
    for slot, start in enumerate(slots.starts):
        column = _FIRST_COLUMN + slot
        page.write_blank(2, column, None, book.look("heading"))
        if start.date() != day:
            day = start.date()
            write_cell(book, page, 1, column, f"{start:%a %Y-%m-%d}")
        if start.hour != hour:
            hour = start.hour
            page.write_number(2, column, start.hour, book.look("heading"))
