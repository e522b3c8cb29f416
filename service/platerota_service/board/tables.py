"""The data of the charts as rows of text: the same facts for those who read a table, with a screen reader or on paper."""

from __future__ import annotations

from dataclasses import dataclass

from platerota_service.board.views import View
from platerota_service.pictures.lettering import clean
from platerota_service.pictures.week import Week, duration, shown
from platerota_shared.plan import Run, Stage, Task

RUN_STEPS = ("load", "place", "cut", "pull", "unload")
OTHER_WORK = ("build", "setup", "first_article", "bench")


@dataclass(frozen=True, slots=True)
class RunRow:
    """A run: what is on which plate, and when and by whom each step is done."""

    id: str
    day: str
    plate: str
    fixture: str
    pieces: str
    machine: str
    steps: tuple[str, ...]
    window: str
    spare: str
    late: bool


@dataclass(frozen=True, slots=True)
class WorkRow:
    """Work beside the runs: a build, setup, first article or bench work."""

    when: str
    what: str
    about: str
    who: str


@dataclass(frozen=True, slots=True)
class OrderRow:
    """How an order fares."""

    id: str
    part: str
    due: str
    done: str
    late: str
    runs: int
    why: str


def run_rows(week: Week, view: View) -> list[RunRow]:
    """The runs with a task in the view, by their first task."""
    steps: dict[str, dict[str, Task]] = {}
    for task in sorted(week.plan.tasks, key=lambda task: (task.start, task.id)):
        if task.run is not None and task.kind in RUN_STEPS:
            steps.setdefault(task.run, {})[task.kind] = task
    return [
        _run_row(week, week.runs[run], found) for run, found in steps.items()
        if any(task.start < view.end and task.end > view.start for task in found.values())
    ]


def _run_row(week: Week, run: Run, steps: dict[str, Task]) -> RunRow:
    window = week.windows.get(run.id)
    first = next(iter(steps.values())).start
    slack = min(task.float_seconds for task in steps.values())
    return RunRow(
        id=shown(run.id), day=week.day_text(first), plate=week.called("plates", run.plate),
        fixture=week.name("fixtures", run.fixture) or shown(run.fixture),
        pieces="; ".join(week.pieces(run)), machine=shown(run.machine or ""),
        steps=tuple(_step(week, steps.get(kind), first) for kind in RUN_STEPS),
        window=clock_span(week, window.earliest_start, window.latest_end, first) if window else "",
        spare=duration(slack), late=any(row.order in week.late for row in run.pieces),
    )


def clock_span(week: Week, start: int, end: int, beside: int) -> str:
    """Such as ``06:05–06:13``, ``06:05`` within a minute, ``Tue 06:05–06:13`` where the day is not that of `beside`."""
    first, last = clock(week, start, beside), clock(week, end, start)
    return first if first == last else f"{first}–{last}"


def clock(week: Week, instant: int, beside: int) -> str:
    """The clock at an instant; with the day where that is not the day of `beside`."""
    same = week.local(instant).date() == week.local(beside).date()
    return week.minute(instant) if same else week.moment(instant)


def _step(week: Week, task: Task | None, beside: int) -> str:
    """Such as ``06:05–06:13 Ana``; a mark where it is under way or overtime."""
    if task is None:
        return ""
    words = [clock_span(week, task.start, task.end, beside)]
    words += [shown(task.operator)] if task.operator else []
    words += [word for word, holds in (("(under way)", task.frozen), ("(overtime)", task.overtime)) if holds]
    return " ".join(words)


def work_rows(week: Week, view: View) -> list[WorkRow]:
    """Builds, setups, first articles and bench work in the view, by start."""
    return [
        WorkRow(
            when=week.span(task.start, task.end) + (" with pauses" if task.spans else "") + (" (overtime)" if task.overtime else ""),
            what=task.kind.replace("_", " "), about=work_about(week, task), who=shown(task.operator or ""),
        )
        for task in sorted(week.plan.tasks, key=lambda task: (task.start, task.id))
        if task.kind in OTHER_WORK and task.start < view.end and task.end > view.start
    ]


def work_about(week: Week, task: Task) -> str:
    """What such work is done on: order and op, fixture, plate, mill."""
    about = (
        week.called("orders", task.order) + (f" op {task.op}" if task.op is not None else "") if task.order is not None else "",
        f"fixture {week.called('fixtures', task.fixture)}" if task.fixture is not None else "",
        f"plate {week.called('plates', task.plate)}" if task.plate is not None else "",
        shown(task.machine) if task.machine is not None else "",
    )
    return ", ".join(text for text in about if text)


def order_rows(week: Week) -> list[OrderRow]:
    """Every order, the late and unplaced ones first, worst first."""
    placed = sorted(week.plan.orders, key=lambda result: (result.placed, -(result.late_seconds or 0)))
    return [
        OrderRow(
            id=week.called("orders", result.id), part=_part(week, result.id), due=week.date(result.due),
            done=week.date(result.finish) if result.finish is not None else "not placed",
            late=late_words(result.late_seconds, result.placed), runs=result.runs, why=clean(result.why) if result.why else "",
        )
        for result in placed
    ]


def _part(week: Week, order_id: str) -> str:
    order = week.orders.get(order_id)
    return f"{shown(order.part)} ×{order.quantity}" if order else ""


def late_words(seconds: int | None, placed: bool) -> str:
    """How an order ends in few words; empty where it is in time."""
    if not placed:
        return "not placed"
    return f"late {duration(seconds)}" if seconds else ""


@dataclass(frozen=True, slots=True)
class NoteRow:
    """A note, whole, with what it is on."""

    kind: str
    about: str
    note: str


def note_rows(week: Week) -> list[NoteRow]:
    """Every note of the request, table by table."""
    return [
        NoteRow(table.removesuffix("s"), week.called(table, row_id), clean(note)) for (table, row_id), note in week.rows.noted()
    ]


@dataclass(frozen=True, slots=True)
class StageRow:
    """What the solve had reached: numbers as the plot reads them, empty where unknown."""

    name: str
    seconds: float
    total: str
    bound: str
    gap: str


def stage_rows(stages: tuple[Stage, ...]) -> list[StageRow]:
    """The stages of a solve, in their order."""
    return [
        StageRow(
            stage.name, round(stage.seconds, 1), _points(stage.total), _points(stage.bound),
            f"{(stage.total - stage.bound) / stage.total:.0%}" if stage.total and stage.bound is not None else "",
        )
        for stage in stages
    ]


def _points(value: float | None) -> str:
    return "" if value is None else f"{value:.1f}"
