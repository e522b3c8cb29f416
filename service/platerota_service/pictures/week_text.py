"""The written week: the same plan as text for a terminal, no wider than 100 columns, plain where it is not a terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from platerota_service.pictures.cautions import cautions_of
from platerota_service.pictures.gantt import summary
from platerota_service.pictures.lettering import cells, clean
from platerota_service.pictures.week import ShopDay, Week, duration, shown
from platerota_shared.plan import LoadWindow, Plan, Task
from platerota_shared.tables import PlanRequest

MOST_COLUMNS = 100
SPINDLE_USES = ("cutting", "exchange", "setup", "no_loaded_plate", "operator_busy", "nobody", "closed", "no_work")
OTHER_WORK = ("build", "setup", "first_article", "bench")


def print_week(plan: Plan, request: PlanRequest, console: Console) -> None:
    """Write the whole week: loads and cuts by day, orders, score, spindles and people, cautions.

    Parameters
    ----------
    plan, request
        The plan and the request it answers.
    console
        Where to write; colours and rules only where it is a terminal.
    """
    page = _Page(console)
    week = Week(plan, request)
    page.heading(f"The week from {week.day_text(plan.now)} {week.local(plan.now).year}: {summary(week)}")
    for day in week.days:
        _print_day(page, week, day)
    _print_orders(page, week)
    _print_score(page, week)
    _print_spindles(page, week)
    _print_people(page, week)
    _print_cautions(page, week)


def print_comparison(plan: Plan, plain: Plan, request: PlanRequest, console: Console) -> None:
    """Write both late lists side by side: the plan's, and that of the plain due-date sort.

    Parameters
    ----------
    plan, plain
        The plan, and the plan of a shop that always takes the order due first.
    request
        The request both answer.
    console
        Where to write.
    """
    page, ours, theirs = _Page(console), Week(plan, request), Week(plain, request)
    page.heading("Against a plain due-date sort")
    rows = [
        (shown(result.id), _lateness(theirs, result.id), _lateness(ours, result.id))
        for result in plan.orders if result.id in ours.late | theirs.late or not _both_placed(ours, theirs, result.id)
    ]
    rows.append(("orders late", str(len(theirs.late)), str(len(ours.late))))
    rows.append(("hours late, all orders", f"{_late_hours(theirs):.1f}", f"{_late_hours(ours):.1f}"))
    rows.append(("last order done", theirs.moment(theirs.last), ours.moment(ours.last)))
    rows.append(("score, points", f"{plain.score.total:,.0f}", f"{plan.score.total:,.0f}"))
    page.table(("order", "sorted by due date", "this plan"), rows)


def _both_placed(ours: Week, theirs: Week, order: str) -> bool:
    return all(order not in week.results or week.results[order].placed for week in (ours, theirs))


def _lateness(week: Week, order: str) -> str:
    result = week.results.get(order)
    if result is None or not result.placed:
        return "not placed"
    return f"late {duration(result.late_seconds)}" if result.late_seconds else "on time"


def _late_hours(week: Week) -> float:
    return sum(result.late_seconds or 0 for result in week.plan.orders) / 3_600


class _Page:
    """Writes headings, lines and tables; every text of a caller is shown as it is, never read as markup."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._width = min(console.width, MOST_COLUMNS)

    def heading(self, text: str) -> None:
        """A heading with a blank line before it."""
        self._console.print()
        self._console.print(Text(text, style="bold"), width=self._width)
        if not self._console.is_terminal:
            self._console.print(Text("-" * min(len(text), self._width)))

    def line(self, text: str, style: str = "") -> None:
        """A line, wrapped between words."""
        self._console.print(Text(text, style=style), width=self._width)

    def items(self, texts: Sequence[str]) -> None:
        """Short texts side by side in columns, read downwards."""
        columns = max(1, self._width // (max(map(cells, texts)) + 3))
        rows = -(-len(texts) // columns)
        table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 3, 0, 0))
        for row in range(rows):
            table.add_row(*(Text(text) for text in texts[row::rows]))
        self._console.print(table, width=self._width)

    def table(self, columns: Sequence[str], rows: Iterable[Sequence[str]], right: Sequence[int] = (), late: Iterable[int] = ()) -> None:
        """A table; `right` are the columns set right, `late` the rows that stand out."""
        table = Table(box=box.SIMPLE_HEAD if self._console.is_terminal else None, pad_edge=False, show_edge=False, header_style="bold")
        for number, name in enumerate(columns):
            table.add_column(Text(name), justify="right" if number in right else "left", overflow="fold")
        marked = set(late)
        for number, row in enumerate(rows):
            table.add_row(*(Text(cell) for cell in row), style="bold red" if number in marked else "")
        self._console.print(table, width=self._width)


def _print_day(page: _Page, week: Week, day: ShopDay) -> None:
    """One day: the load list of every operator, other hand work, and what every mill cuts."""
    starts = [task for task in week.plan.tasks if day.start <= task.start < day.end]
    page.heading(day.title if starts else f"{day.title}: nothing starts")
    for who in week.request.shop.operators:
        loads = [week.windows[task.run] for task in starts if task.kind == "load" and task.operator == who.id and task.run in week.windows]
        if loads:
            page.line(f"{shown(who.id)} loads")
            page.table(("load", "window", "plate", "fixture", "pieces", "mill", "placed"), [_load_row(week, load) for load in loads])
        _print_other_work(page, week, [task for task in starts if task.kind in OTHER_WORK and task.operator == who.id], who.id)
    for machine in week.request.shop.machines:
        cuts = [task for task in starts if task.kind == "cut" and task.machine == machine.id]
        if cuts:
            page.line(f"{shown(machine.id)} cuts {duration(sum(task.end - task.start for task in cuts))}")
            page.items([_cut_words(week, task) for task in cuts])


def _load_row(week: Week, load: LoadWindow) -> tuple[str, ...]:
    run = week.runs[load.run]
    return (
        f"{week.minute(load.start)}-{_clock(week, load.end, load.start)}",
        f"{_up_to_minute(week, load)}-{_clock(week, load.latest_end, load.start)}",
        shown(load.plate),
        week.name("fixtures", run.fixture) or shown(run.fixture),
        "; ".join(week.pieces(run)),
        shown(load.machine) if load.machine else "-",
        _clock(week, load.place_at, load.start),
    )


def _clock(week: Week, instant: int, beside: int) -> str:
    """The clock at an instant; with the day where that is not the day of `beside`."""
    same = week.local(instant).date() == week.local(beside).date()
    return week.minute(instant) if same else week.moment(instant)


def _up_to_minute(week: Week, load: LoadWindow) -> str:
    """Where the window opens, rounded up: nobody is sent to a plate that is not there yet."""
    return _clock(week, min(-(-load.earliest_start // 60) * 60, load.start), load.start)


def _print_other_work(page: _Page, week: Week, tasks: list[Task], who: str) -> None:
    """Setups, first articles, bench work and builds of one operator on one day."""
    if not tasks:
        return
    page.line(f"{shown(who)} also")
    page.table(("when", "work", "on"), [
        (_when(week, task), task.kind.replace("_", " ") + (" with pauses" if task.spans else ""), _work_object(task))
        for task in tasks
    ])


def _when(week: Week, task: Task) -> str:
    return f"{week.minute(task.start)}-{_clock(week, task.end, task.start)}" + (" overtime" if task.overtime else "")


def _work_object(task: Task) -> str:
    about = [
        shown(task.order) + (f" op {task.op}" if task.op is not None else "") if task.order is not None else "",
        f"fixture {shown(task.fixture)}" if task.fixture is not None else "",
        f"plate {shown(task.plate)}" if task.plate is not None else "",
        shown(task.machine) if task.machine is not None else "",
    ]
    return ", ".join(text for text in about if text)


def _cut_words(week: Week, task: Task) -> str:
    load = week.load_text(week.runs[task.run]) if task.run is not None else ""
    return f"{week.minute(task.start)}-{week.minute(task.end)} {shown(task.plate or '')} {load}"


def _print_orders(page: _Page, week: Week) -> None:
    """Every order with due, finish and lateness; below it why the late and unplaced ones are so."""
    page.heading("Orders")
    rows: list[tuple[str, ...]] = []
    for result in week.plan.orders:
        order = week.orders.get(result.id)
        rows.append((
            shown(result.id), f"{shown(order.part)} ×{order.quantity}" if order else "", week.date(result.due),
            week.date(result.finish) if result.finish is not None else "not placed",
            duration(result.late_seconds) if result.late_seconds else "", str(result.runs),
        ))
    odd = [number for number, result in enumerate(week.plan.orders) if result.late_seconds or not result.placed]
    page.table(("order", "part", "due", "done", "late", "runs"), rows, right=(4, 5), late=odd)
    for number in odd:
        result = week.plan.orders[number]
        state = "is late" if result.placed else "is not placed"
        page.line(f"{shown(result.id)} {state}: {clean(result.why) if result.why else 'no reason given'}", "red")


def _print_score(page: _Page, week: Week) -> None:
    """The score by parts, with the bound and the gap."""
    score = week.plan.score
    page.heading("Score")
    parts = [(name.replace("_", " "), f"{points:,.1f}") for name, points in score.parts.model_dump().items() if points]
    ends = [("total", f"{score.total:,.1f}"), ("bound", f"{score.bound:,.1f}"), ("gap", f"{score.gap:.1%}")]
    page.table(("part", "points"), [*parts, *ends], right=(1,))
    proved = "proved best" if week.plan.quality == "optimal" else "no plan can score below the bound"
    page.line(f"{proved}; {week.plan.solver.seconds:.1f} s of solving, seed {week.plan.solver.seed}")


def _print_spindles(page: _Page, week: Week) -> None:
    """Where each spindle's hours go."""
    machines = week.plan.kpis.machines
    if not machines:
        return
    page.heading("Spindle hours")
    uses = [use for use in SPINDLE_USES if any(row.seconds.get(use) for row in machines)]
    page.table(
        ("mill", *(use.replace("_", " ") for use in uses), "alone", "cutting share"),
        [
            (shown(row.id), *(_hours(row.seconds.get(use, 0)) for use in uses), _hours(row.unattended_cutting_seconds),
             f"{row.seconds.get('cutting', 0) / max(1, sum(row.seconds.values())):.0%}")
            for row in machines
        ],
        right=range(1, len(uses) + 3),
    )
    page.line("alone: hours cut with nobody in the shop; they are part of cutting")


def _print_people(page: _Page, week: Week) -> None:
    """Where each operator's working hours go."""
    people = week.plan.kpis.operators
    if not people:
        return
    page.heading("Working hours")
    kinds = list(dict.fromkeys(kind for row in people for kind, seconds in row.seconds.items() if seconds))
    page.table(
        ("operator", *(kind.replace("_", " ") for kind in kinds)),
        [(shown(row.id), *(_hours(row.seconds.get(kind, 0)) for kind in kinds)) for row in people], right=range(1, len(kinds) + 1),
    )


def _hours(seconds: int) -> str:
    return f"{seconds / 3_600:.1f}"


def _print_cautions(page: _Page, week: Week) -> None:
    """What a planner should know, each said once: cautions that differ only in their first sentence share the rest."""
    if not week.plan.warnings:
        return
    page.heading("Cautions")
    for caution in cautions_of(week.plan.warnings):
        for finding in caution.findings[:-1]:
            page.line(f"- {finding}")
        page.line(f"- {caution.findings[-1]} {caution.advice}".rstrip())
