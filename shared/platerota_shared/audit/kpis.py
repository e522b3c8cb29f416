"""F20: where the time of spindles and people goes, recomputed to the second."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from math import isclose

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.results import finish_times, load_starts
from platerota_shared.audit.spans import common, seconds_in, without
from platerota_shared.audit.trip import spans_of
from platerota_shared.calendars import Span, clip, merge
from platerota_shared.kpi_formulas import MACHINE_ELEMENTS, OPERATOR_ELEMENTS, added, iso_ratios, machine_elements, money, operator_elements
from platerota_shared.plan import Kpis, MachineKpis, OperatorKpis, ShopKpis, Task
from platerota_shared.tables import Machine, Operator


def faults(book: Book) -> Iterator[Finding]:
    """Figures that do not follow from the tasks."""
    stated, wanted = book.plan.kpis, recomputed(book)
    if ([row.id for row in stated.machines], [row.id for row in stated.operators]) != (list(book.machines), list(book.operators)):
        yield _fault("the figures are not those of all machines and operators in the order of the request")
        return
    for machine, counted in zip(stated.machines, wanted.machines, strict=True):
        yield from _compare(f"machine {machine.id}", machine, counted)
    for operator, worked in zip(stated.operators, wanted.operators, strict=True):
        yield from _compare(f"operator {operator.id}", operator, worked)
    if stated.shop is None or wanted.shop is None:
        yield _fault("the figures of the shop are missing")
    else:
        yield from _compare("the shop", stated.shop, wanted.shop)


def recomputed(book: Book) -> Kpis:
    """Every figure from the tasks alone; ratios by the published formulas over elements that are counted here."""
    idle = Idleness(book)
    machines = tuple(_machine(book, idle, machine) for machine in book.machines.values())
    operators = tuple(_operator(book, operator) for operator in book.operators.values())
    return Kpis(machines=machines, operators=operators, shop=_shop(book, machines, operators))


def _machine(book: Book, idle: Idleness, machine: Machine) -> MachineKpis:
    seconds = idle.machine_seconds(machine)
    elements = machine_elements(seconds)
    cost = {"planned_cutting_cost": money(seconds["cutting"], machine.hour_cost)}
    return MachineKpis(
        id=machine.id, seconds=seconds, unattended_cutting_seconds=unattended_cutting(book, machine.id), elements=elements,
        ratios=iso_ratios(elements) | cost,
    )


def _operator(book: Book, operator: Operator) -> OperatorKpis:
    seconds = operator_seconds(book, operator.id)
    elements = operator_elements(seconds)
    cost = {"planned_work_cost": money(elements["APWT"], operator.hour_cost)}
    return OperatorKpis(id=operator.id, seconds=seconds, elements=elements, ratios=iso_ratios(elements) | cost)


def _shop(book: Book, machines: Sequence[MachineKpis], operators: Sequence[OperatorKpis]) -> ShopKpis:
    placed = [result for result in book.plan.orders if result.placed]
    on_time = sum(result.late_seconds == 0 for result in placed)
    pieces = sum(held.pieces for run in book.plan.runs for held in run.pieces if held.op == book.ops[held.part][-1])
    first = min((task.start for task in book.plan.tasks), default=book.last)
    finishes, starts = finish_times(book), load_starts(book)
    elements = {
        **added((row.elements for row in machines), MACHINE_ELEMENTS), **added((row.elements for row in operators), OPERATOR_ELEMENTS),
        "AOET": sum(finishes[result.id] - starts[result.id] for result in placed if result.id in starts),
        "AOET_all": book.last - first, "PQ": pieces,
    }
    cost = sum(row.ratios["planned_cutting_cost"] or 0.0 for row in machines)
    cost += sum(row.ratios["planned_work_cost"] or 0.0 for row in operators)
    return ShopKpis(
        seconds=book.last - book.now, orders=len(book.orders), on_time_orders=on_time,
        on_time_share=on_time / len(book.orders) if book.orders else None, late_seconds=sum(result.late_seconds or 0 for result in placed),
        runs=len(book.plan.runs), pieces=pieces, unattended_cutting_seconds=sum(row.unattended_cutting_seconds for row in machines),
        elements=elements, ratios=iso_ratios(elements) | {"planned_cost": cost},
    )


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


def _compare(whose: str, stated: MachineKpis | OperatorKpis | ShopKpis, wanted: MachineKpis | OperatorKpis | ShopKpis) -> Iterator[Finding]:
    """A finding for each figure that is not what the tasks make of it."""
    told, true = _figures(stated), _figures(wanted)
    for name in sorted(told.keys() | true.keys()):
        if not _same(told.get(name), true.get(name)) or (name in told) != (name in true):
            yield _fault(f"'{name}' of {whose} is {true.get(name)} by the tasks, the plan says {told.get(name)}")


def _figures(row: MachineKpis | OperatorKpis | ShopKpis) -> dict[str, float | None]:
    """The figures of a row by name, those in its maps too."""
    figures: dict[str, float | None] = {}
    for name, value in row:
        figures |= value if isinstance(value, dict) else {name: value} if name != "id" else {}
    return figures


def _same(told: float | None, true: float | None) -> bool:
    if told is None or true is None:
        return told is true
    return isclose(told, true, rel_tol=1e-9, abs_tol=1e-9)


def _fault(detail: str) -> Finding:
    return Finding("F20", (), detail)
