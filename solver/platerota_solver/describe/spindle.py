"""Where a spindle's time goes: every second from `now` to the shop's last task by use or cause of waiting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from platerota_shared.calendars import Span, clip, machine_closures, merge, subtract
from platerota_shared.kpi_formulas import SPINDLE_USES
from platerota_shared.plan import Task
from platerota_solver.describe.book import PlanBook
from platerota_solver.describe.presence import length, seconds_within

USES: Final = tuple(SPINDLE_USES)
"""The uses of a spindle's second; the first that holds counts."""


@dataclass(frozen=True)
class SpindleTime:
    """Seconds by use, each of :data:`USES`; they sum to the seconds from `now` to the last task."""

    seconds: dict[str, int]
    unattended_cutting: int


def exchangers_here(book: PlanBook) -> list[Span]:
    """When at least one operator with the skill exchange is in working time; an overtime shift counts where it is used."""
    return merge(
        span for operator in book.request.shop.operators if operator.can("exchange") for span in book.presence[operator.id].here
    )


def spindle_time(book: PlanBook, machine: str, exchangers: Sequence[Span], there: Sequence[Span]) -> SpindleTime:
    """Count the seconds of one machine; `exchangers` is :func:`exchangers_here`, `there` the attended time."""
    now, end = book.request.now, book.end
    tasks = [book.tasks[index] for index in book.on_machine.get(machine, ())]
    cuts = [task for task in tasks if task.kind == "cut"]
    claims = (
        ("cutting", [(task.start, task.end) for task in cuts]),
        ("exchange", _exchanges(book, machine, tasks, cuts)),
        ("setup", [(task.start, task.end) for task in tasks if task.kind == "setup"]),
        ("closed", machine_closures(book.request.shop, machine)),
        ("no_work", [(max((cut.end for cut in cuts), default=now), end)]),
        ("nobody", subtract([(now, end)], exchangers)),
        ("no_loaded_plate", _not_loaded(book, cuts)),
    )
    seconds: dict[str, int] = {}
    left = clip([(now, end)], now, end)
    for use, spans in claims:
        rest = subtract(left, merge(spans))
        seconds[use] = length(left) - length(rest)
        left = rest
    seconds["operator_busy"] = length(left)
    cutting = merge((cut.start, cut.end) for cut in cuts)
    return SpindleTime(seconds, length(cutting) - sum(seconds_within(span, there) for span in cutting))


def _exchanges(book: PlanBook, machine: str, tasks: Sequence[Task], cuts: Sequence[Task]) -> list[Span]:
    """Place and pull by hand; the automatic wait right after the cut it follows."""
    row = book.machines[machine]
    if row.automatic:
        return [(a.end, a.end + row.exchange_seconds) for a, b in pairwise(cuts) if a.plate != b.plate]
    return [(task.start, task.end) for task in tasks if task.kind in ("place", "pull")]


def _not_loaded(book: PlanBook, cuts: Sequence[Task]) -> list[Span]:
    """Between two cuts, the time before the next run is loaded; a run that the floor has loaded is."""
    spans: list[Span] = []
    since = book.request.now
    for cut in cuts:
        load = book.of_run[cut.run or ""].get("load")
        if load is not None:
            spans.append((since, min(book.tasks[load].end, cut.start)))
        since = cut.end
    return spans
