"""The load sheets: for each operator and day everything to be done by hand, in its order, to be printed and ticked."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from platerota_service.board.facts import Facts, Notes, counted, tool_words
from platerota_service.board.frame import ANYBODY, Page, Viewer, render
from platerota_service.board.standing import Standing
from platerota_service.board.tables import clock, clock_span
from platerota_service.board.views import NoSuchPart, find_day
from platerota_service.named_rows import Key, run_keys
from platerota_service.pictures.cautions import STANDING_CAUTION
from platerota_service.pictures.lanes import EXCHANGES
from platerota_service.pictures.week import ShopDay, Week, duration, shown
from platerota_shared.calendars import shift_days
from platerota_shared.plan import Run, Task
from platerota_shared.tables import PlanRequest

JOINED_SECONDS = 180
"""A pull and a place at one mill with no longer gap between them are one exchange of the sheet."""


@dataclass(slots=True)
class SheetRow:
    """One thing to do: when, what, on what, how, from where to where, what to be careful of, and what the shop notes on all that."""

    time: str
    what: str
    about: str = ""
    lines: list[str] = field(default_factory=list[str])
    move: list[str] = field(default_factory=list[str])
    by: str = ""
    following: str = ""
    ticks: tuple[str, ...] = ("done",)
    notes: list[int] = field(default_factory=list[int])
    strong: bool = False
    remarks: list[str] = field(default_factory=list[str])


@dataclass(slots=True)
class Sheet:
    """The sheet of one operator and day."""

    who: str
    day: str
    remarks: list[str]
    shifts: str
    rows: list[SheetRow]
    notes: Notes
    count: str


def load_sheets_page(
    state: Standing, request: PlanRequest, operator: str | None = None, day: str | None = None, viewer: Viewer = ANYBODY,
) -> Page:
    """The load sheets, each on a page of its own.

    Parameters
    ----------
    state, request
        The plan as it stands and the request it answers.
    operator, day
        Whose sheets, and the date of which day of the shop; None: all.
    viewer
        Who looks at them.

    Raises
    ------
    NoSuchPart
        Where the plan has no such operator or day.
    """
    week = Week(state.plan, request)
    people = [who.id for who in request.shop.operators]
    if operator is not None and operator not in people:
        raise NoSuchPart(f"the plan has no operator '{shown(operator)}'; it has {', '.join(map(shown, people)) or 'none'}")
    days = week.days if day is None else (find_day(week, day),)
    facts = Facts(week)
    made = (_sheet(facts, who, one) for one in days for who in people if operator in (None, who))
    return render(
        "load_sheets", styles=("sheets.css",), viewer=viewer, title="Load sheets", plan=state.plan, final=state.ended, week=week,
        sheets=[sheet for sheet in made if sheet is not None], standing=STANDING_CAUTION, plan_id=shown(state.plan.id),
        planned=week.full_date(state.plan.now),
    )


def _sheet(facts: Facts, who: str, day: ShopDay) -> Sheet | None:
    """The sheet of an operator's day; None where there is nothing to do."""
    tasks = [task for task in facts.week.lane("operator", who) if day.start <= task.start < day.end]
    if not tasks:
        return None
    week, notes = facts.week, Notes()
    rows = _breaks(week, who, day)
    for group in _grouped(tasks):
        row = _row(facts, notes, group)
        row.following = _next_exchange(week, tasks, group[-1])
        rows.append((group[0].start, row))
    rows.sort(key=lambda row: row[0])
    loads = sum(task.kind == "load" for task in tasks)
    name = week.name("operators", who)
    # What is noted on a mill would stand at every exchange, so it stands once, above them.
    mills = dict.fromkeys(("machines", task.machine) for task in tasks if task.machine is not None)
    return Sheet(
        who=f"{shown(who)}, {name}" if name else shown(who), day=f"{day.title} {week.local(day.start).year}",
        remarks=week.notes([("operators", who), *mills]), shifts=facts.shift_words(who, day.start, day.end), rows=[row for _, row in rows],
        notes=notes,
        count=f"{counted(loads, 'load')}, first task {week.minute(tasks[0].start)}, last ends {clock(week, tasks[-1].end, day.start)}",
    )


def _breaks(week: Week, who: str, day: ShopDay) -> list[tuple[int, SheetRow]]:
    """The breaks of the shifts that begin this day, each with its start."""
    return [
        (start, SheetRow(clock_span(week, start, end, start), "Break", ticks=()))
        for shift in shift_days(week.request.shop, who, day.start, day.end) if day.start <= shift.start < day.end and not shift.overtime
        for start, end in shift.breaks
    ]


def _grouped(tasks: list[Task]) -> list[list[Task]]:
    """The tasks by start, with a pull and the place that follows it at the same mill together."""
    groups: list[list[Task]] = []
    for task in tasks:
        last = groups[-1][-1] if groups else None
        joined = (
            last is not None and (last.kind, task.kind) == ("pull", "place") and last.machine == task.machine
            and task.start - last.end <= JOINED_SECONDS and task.overtime == last.overtime
        )
        if joined:
            groups[-1].append(task)
        else:
            groups.append([task])
    return groups


def _next_exchange(week: Week, tasks: list[Task], after: Task) -> str:
    """When and where this person has to be at a mill next."""
    found = next((task for task in tasks if task.kind in EXCHANGES and task.start >= after.end and task is not after), None)
    return f"{clock(week, found.start, after.start)} {shown(found.machine or '')}" if found is not None else ""


def _row(facts: Facts, notes: Notes, group: list[Task]) -> SheetRow:
    task = group[0]
    row = _exchange_row(facts, notes, group) if task.kind in EXCHANGES else _WORK[task.kind](facts, notes, task)
    words = [word for word, holds in (("under way", task.frozen), ("overtime", task.overtime)) if holds]
    row.time = clock_span(facts.week, task.start, group[-1].end, task.start)
    row.what = " ".join([row.what, *(f"({word})" for word in words)])
    row.remarks = facts.week.notes(dict.fromkeys(key for one in group for key in _keys(facts, one)))
    return row


def _keys(facts: Facts, task: Task) -> Iterator[Key]:
    """What a task is of, but for its mill; whoever loads and unloads handles all that the run is of."""
    named = (("plates", task.plate), ("fixtures", task.fixture), ("orders", task.order))
    yield from ((table, row_id) for table, row_id in named if row_id is not None)
    if task.kind in ("load", "unload"):
        yield from run_keys(_run_of(facts, task))


def _load_row(facts: Facts, notes: Notes, task: Task) -> SheetRow:
    run, week = _run_of(facts, task), facts.week
    place, cut, window = facts.steps[run.id].get("place"), facts.steps[run.id].get("cut"), week.windows.get(run.id)
    clamps = facts.fixtures[run.fixture].clamps
    row = SheetRow("", "Load", f"{facts.plate_words(run)}: {facts.fixture_words(run.fixture)}", list(facts.load_lines(run)), strong=True)
    row.lines += [f"tighten {counted(clamps, 'clamp')}"] if clamps else []
    row.ticks = ("loaded", "clamped") if clamps else ("loaded",)
    if task.machine is not None:
        row.move = [f"in {shown(task.machine)}; the plate stays there"]
        row.move += [f"cut {clock(week, cut.start, task.start)}–{clock(week, cut.end, task.start)}"] if cut is not None else []
    elif place is not None:
        placed = f"placed {clock(week, place.start, task.start)} by {shown(place.operator or '')}"
        row.move = [f"bench → {shown(place.machine or '')}", placed]
    row.by = clock(week, window.latest_end, task.start) if window is not None else ""
    # A plate that travels has its cautions where somebody lifts it and where its cut begins: at the exchange.
    row.notes = [*_piece_notes(facts, notes, run), *(_run_notes(facts, notes, run) if task.machine is not None else ())]
    return row


def _unload_row(facts: Facts, notes: Notes, task: Task) -> SheetRow:
    run, week = _run_of(facts, task), facts.week
    pull, clamps = facts.steps[run.id].get("pull"), facts.fixtures[run.fixture].clamps
    row = SheetRow("", "Unload", f"{facts.plate_words(run)}: {facts.fixture_words(run.fixture)}", list(facts.unload_lines(run)))
    row.lines[:0] = [f"release {counted(clamps, 'clamp')}"] if clamps else []
    row.ticks = ("released", "unloaded") if clamps else ("unloaded",)
    if task.machine is not None:
        row.move = [f"in {shown(task.machine)}; the plate stays there"]
    elif pull is not None:
        pulled = f"pulled {clock(week, pull.start, task.start)} by {shown(pull.operator or '')}"
        row.move = [f"{shown(pull.machine or '')} → bench", pulled]
    row.notes = [*_piece_notes(facts, notes, run), *(_plate_notes(facts, notes, run) if task.machine is not None else ())]
    return row


def _exchange_row(facts: Facts, notes: Notes, group: list[Task]) -> SheetRow:
    machine = facts.machines[group[0].machine or ""]
    row = SheetRow("", "Exchange" if len(group) > 1 else group[0].kind.title(), _machine_words(facts, machine.id))
    at = f"load station of {shown(machine.id)}" if machine.automatic else shown(machine.id)
    for task in group:
        run = _run_of(facts, task)
        row.lines.append(f"{task.kind} {facts.plate_words(run)} ({facts.mass_words(run)} loaded)" + _then(facts, task, run))
        row.move.append(f"{shown(run.plate)}: bench → {at}" if task.kind == "place" else f"{shown(run.plate)}: {at} → bench")
        row.notes += _run_notes(facts, notes, run) if task.kind == "place" else _plate_notes(facts, notes, run)
    row.notes = sorted(set(row.notes))
    row.ticks = tuple("placed" if task.kind == "place" else "pulled" for task in group)
    return row


def _then(facts: Facts, task: Task, run: Run) -> str:
    """What the mill does with a placed plate."""
    cut = facts.steps[run.id].get("cut")
    if task.kind != "place" or cut is None:
        return ""
    alone = facts.alone_seconds(run)
    words = f", cuts {clock_span(facts.week, cut.start, cut.end, task.start)}"
    return words + (f", {duration(alone)} of it with nobody in the shop" if alone else "")


def _piece_notes(facts: Facts, notes: Notes, run: Run) -> list[int]:
    """The numbers of the cautions for the pieces that are lifted one by one."""
    held = dict.fromkeys((row.part, row.op) for row in run.pieces)
    return [notes.number(one) for piece in held for one in facts.cautions(piece)]


def _plate_notes(facts: Facts, notes: Notes, run: Run) -> list[int]:
    return [notes.number(one) for one in facts.cautions(run.plate)]


def _run_notes(facts: Facts, notes: Notes, run: Run) -> list[int]:
    """The numbers of the cautions for a run: its plate's, and that of cutting with nobody there."""
    alone = facts.unattended_cautions if facts.alone_seconds(run) else []
    return [notes.number(one) for one in (*facts.cautions(run.plate), *alone)]


def _setup_row(facts: Facts, _notes: Notes, task: Task) -> SheetRow:
    lines = [f"for {facts.fixture_words(task.fixture or '')}", tool_words(facts.tools_to_load(task))]
    return SheetRow("", "Setup", _machine_words(facts, task.machine or ""), lines, [f"at {shown(task.machine or '')}"])


def _check_row(facts: Facts, _notes: Notes, task: Task) -> SheetRow:
    first = f"{_part_words(facts, task)} of {_order_words(facts, task)}: the first pieces, from {shown(task.run or '')}"
    lines = [first, "the rest may be cut only after this"]
    return SheetRow("", "First article", "", lines, ticks=("passed",))


def _bench_row(facts: Facts, _notes: Notes, task: Task) -> SheetRow:
    pieces = sum(row.pieces for row in _run_of(facts, task).pieces if (row.order, row.op) == (task.order, task.op))
    what = f"{_part_words(facts, task)} ×{pieces} of {_order_words(facts, task)}"
    return SheetRow("", "Bench work", "", [what, *_pauses(facts.week, task)])


def _part_words(facts: Facts, task: Task) -> str:
    """The part and op that a check or bench work is done on."""
    part = next((row.part for row in _run_of(facts, task).pieces if (row.order, row.op) == (task.order, task.op)), "")
    return f"{shown(part)} op {task.op}"


def _order_words(facts: Facts, task: Task) -> str:
    """The order that a check or bench work is for, with its name."""
    return facts.week.called("orders", task.order or "")


def _build_row(facts: Facts, _notes: Notes, task: Task) -> SheetRow:
    about = f"{shown(task.plate or '')}: {facts.fixture_words(task.fixture or '')}"
    return SheetRow("", "Build", about, ["build the fixture on the blank plate", *_pauses(facts.week, task)])


def _pauses(week: Week, task: Task) -> list[str]:
    spans = ", ".join(clock_span(week, span.start, span.end, task.start) for span in task.spans or ())
    return [f"in parts: {spans}"] if spans else []


def _run_of(facts: Facts, task: Task) -> Run:
    assert task.run is not None
    return facts.week.runs[task.run]


def _machine_words(facts: Facts, machine: str) -> str:
    name = facts.week.name("machines", machine)
    return f"{shown(machine)} {name}" if name else shown(machine)


_WORK = {
    "load": _load_row, "unload": _unload_row, "setup": _setup_row, "first_article": _check_row, "bench": _bench_row, "build": _build_row,
}
