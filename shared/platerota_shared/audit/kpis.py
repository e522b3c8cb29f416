"""F20: where the time of spindles and people goes, recomputed to the second."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise
from math import isfinite

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.spans import common, seconds_in, without
from platerota_shared.audit.trip import spans_of
from platerota_shared.calendars import Span, clip, merge
from platerota_shared.plan import Task
from platerota_shared.tables import Machine


def faults(book: Book) -> Iterator[Finding]:
    """Figures that do not follow from the tasks. The formulas of the ratios are not checked, only that they are numbers."""
    kpis = book.plan.kpis
    if [row.id for row in kpis.machines] != list(book.machines) or [row.id for row in kpis.operators] != list(book.operators):
        yield _fault("the figures are not those of all machines and operators in the order of the request")
        return
    idle = Idleness(book)
    unattended = 0
    for row in kpis.machines:
        wanted = idle.machine_seconds(book.machines[row.id])
        alone = unattended_cutting(book, row.id)
        unattended += alone
        yield from _compare(f"machine {row.id}", row.seconds, wanted)
        yield from _compare(f"machine {row.id}", {"unattended cutting": row.unattended_cutting_seconds}, {"unattended cutting": alone})
        yield from _ratios(f"machine {row.id}", row.ratios)
    for person in kpis.operators:
        yield from _compare(f"operator {person.id}", person.seconds, operator_seconds(book, person.id))
        yield from _ratios(f"operator {person.id}", person.ratios)
    yield from _shop(book, unattended)


def _shop(book: Book, unattended: int) -> Iterator[Finding]:
    shop = book.plan.kpis.shop
    if shop is None:
        yield _fault("the figures of the shop are missing")
        return
    yield from _ratios("the shop", shop.ratios)
    wanted = shop_counts(book) | {"unattended_cutting_seconds": unattended}
    yield from _compare("the shop", {name: getattr(shop, name) for name in wanted}, wanted)
    share = wanted["on_time_orders"] / wanted["orders"] if wanted["orders"] else None
    if (share is None) != (shop.on_time_share is None) or abs((share or 0.0) - (shop.on_time_share or 0.0)) > 1e-6:
        yield _fault(f"the on-time share is {share}, the plan says {shop.on_time_share}")


def shop_counts(book: Book) -> dict[str, int]:
    """Seconds of the plan, orders, on-time orders, seconds late over all placed orders, runs."""
    placed = [result for result in book.plan.orders if result.placed]
    return {
        "seconds": book.last - book.now,
        "orders": len(book.orders),
        "on_time_orders": sum(result.late_seconds == 0 for result in placed),
        "late_seconds": sum(result.late_seconds or 0 for result in placed),
        "runs": len(book.plan.runs),
    }


def operator_seconds(book: Book, operator: str) -> dict[str, int]:
    """Seconds of an operator by kind of task, and `free`: the rest of the working time, overtime only where called in."""
    found: dict[str, int] = {}
    for task in book.by_operator.get(operator, []):
        found[task.kind] = found.get(task.kind, 0) + seconds_in(spans_of(task))
    found["free"] = seconds_in(clip(book.hours[operator].called, book.now, book.last)) - sum(found.values())
    return found


def unattended_cutting(book: Book, machine: str) -> int:
    """Seconds in which a machine cuts while nobody is inside a shift."""
    return seconds_in(common(_merged(book.cuts[machine]), clip(book.unattended, book.now, book.last)))


class Idleness:
    """Sorts every second of every machine, from `now` to the shop's last task, by its use."""

    def __init__(self, book: Book) -> None:
        self._book = book
        self._loads = {trip.run.id: trip.load for trip in book.trips}
        people = [name for name, operator in book.operators.items() if operator.can("exchange")]
        self._exchangers = merge(span for name in people for span in book.hours[name].called)

    def machine_seconds(self, machine: Machine) -> dict[str, int]:
        """Seconds by use; each second belongs to the first use that holds."""
        book = self._book
        cuts = book.cuts[machine.id]
        end_of_work = max((cut.end for cut in cuts), default=book.now)
        left: list[Span] = [(book.now, book.last)] if book.last > book.now else []
        seconds: dict[str, int] = {}
        for use, spans in (
            ("cutting", _merged(cuts)),
            ("exchange", self._exchanges(machine)),
            ("setup", _merged(task for task in book.at_machine.get(machine.id, []) if task.kind == "setup")),
            ("closed", book.machine_closures(machine.id)),
            ("no_work", [(end_of_work, book.last)]),
            ("nobody", without([(book.now, max(book.now, book.last))], self._exchangers)),
            ("no_loaded_plate", self._unloaded(cuts)),
        ):
            seconds[use] = seconds_in(common(left, spans))
            left = without(left, spans)
        return seconds | {"operator_busy": seconds_in(left)}

    def _exchanges(self, machine: Machine) -> list[Span]:
        """Place and pull by hand; the automatic wait right after the cut it follows."""
        if not machine.automatic:
            return _merged(task for task in self._book.at_machine.get(machine.id, []) if task.kind in ("place", "pull"))
        changes = [(a, b) for a, b in pairwise(self._book.cuts[machine.id]) if a.plate != b.plate]
        return merge((a.end, min(b.start, a.end + machine.exchange_seconds)) for a, b in changes)

    def _unloaded(self, cuts: list[Task]) -> list[Span]:
        """From the end of the cut before until the run of the next cut is loaded."""
        found: list[Span] = []
        before = self._book.now
        for cut in cuts:
            load = self._loads[cut.run or ""]
            if load is not None:
                found.append((before, min(load.end, cut.start)))
            before = cut.end
        return merge(found)


def _merged(tasks: Iterable[Task]) -> list[Span]:
    return merge(span for task in tasks for span in spans_of(task))


def _compare(whose: str, stated: dict[str, int], wanted: dict[str, int]) -> Iterator[Finding]:
    for name in sorted(stated.keys() | wanted.keys()):
        if stated.get(name) != wanted.get(name):
            yield _fault(f"'{name}' of {whose} is {wanted.get(name)} by the tasks, the plan says {stated.get(name)}")


def _ratios(whose: str, ratios: dict[str, float | None]) -> Iterator[Finding]:
    for name, value in ratios.items():
        if value is not None and not isfinite(value):
            yield _fault(f"'{name}' of {whose} is no number")


def _fault(detail: str) -> Finding:
    return Finding("F20", (), detail)
