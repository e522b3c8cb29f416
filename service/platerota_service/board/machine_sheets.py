"""The machine sheets: for each mill and day which plates it cuts, in which order, and what each needs before."""

from __future__ import annotations

from dataclasses import dataclass

from platerota_service.board.facts import Facts, Notes, counted, tool_words
from platerota_service.board.frame import ANYBODY, Page, Viewer, render
from platerota_service.board.standing import Standing
from platerota_service.board.tables import clock, clock_span
from platerota_service.board.views import NoSuchPart, find_day
from platerota_service.named_rows import run_keys
from platerota_service.pictures.cautions import STANDING_CAUTION
from platerota_service.pictures.week import ShopDay, Week, duration, shown
from platerota_shared.plan import Run, Task
from platerota_shared.tables import PlanRequest


@dataclass(frozen=True, slots=True)
class CutRow:
    """One cut of a mill."""

    cut: str
    run: str
    plate: str
    fixture: str
    mass: str
    pieces: tuple[str, ...]
    remarks: list[str]
    setup: tuple[str, ...]
    place: str
    pull: str
    alone: str
    late: bool
    notes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class MachineSheet:
    """The sheet of one mill and day."""

    machine: str
    day: str
    remarks: list[str]
    rows: list[CutRow]
    notes: Notes
    count: str


def machine_sheets_page(
    state: Standing, request: PlanRequest, machine: str | None = None, day: str | None = None, viewer: Viewer = ANYBODY,
) -> Page:
    """The machine sheets, each on a page of its own.

    Parameters
    ----------
    state, request
        The plan as it stands and the request it answers.
    machine, day
        Which mill's, and the date of which day of the shop; None: all.
    viewer
        Who looks at them.

    Raises
    ------
    NoSuchPart
        Where the plan has no such machine or day.
    """
    week = Week(state.plan, request)
    mills = [row.id for row in request.shop.machines]
    if machine is not None and machine not in mills:
        raise NoSuchPart(f"the plan has no machine '{shown(machine)}'; it has {', '.join(map(shown, mills)) or 'none'}")
    days = week.days if day is None else (find_day(week, day),)
    facts = Facts(week)
    made = (_sheet(facts, mill, one) for one in days for mill in mills if machine in (None, mill))
    return render(
        "machine_sheets", styles=("sheets.css",), viewer=viewer, title="Machine sheets", plan=state.plan, final=state.ended,
        sheets=[sheet for sheet in made if sheet is not None], standing=STANDING_CAUTION, plan_id=shown(state.plan.id),
        planned=week.full_date(state.plan.now),
    )


def _sheet(facts: Facts, mill: str, day: ShopDay) -> MachineSheet | None:
    """The sheet of a mill's day; None where it cuts nothing."""
    week = facts.week
    cuts = [task for task in week.lane("machine", mill) if task.kind == "cut" and day.start <= task.start < day.end]
    if not cuts:
        return None
    notes = Notes()
    rows = [_row(facts, notes, task, week.runs[task.run]) for task in cuts if task.run is not None]
    name = week.name("machines", mill)
    return MachineSheet(
        machine=f"{shown(mill)}, {name}" if name else shown(mill), day=f"{day.title} {week.local(day.start).year}",
        remarks=week.notes([("machines", mill)]), rows=rows, notes=notes,
        count=f"{counted(len(cuts), 'cut')}, {duration(sum(task.end - task.start for task in cuts))} of cutting",
    )


def _row(facts: Facts, notes: Notes, cut: Task, run: Run) -> CutRow:
    week, steps, alone = facts.week, facts.steps[run.id], facts.alone_seconds(run)
    cautions = (*facts.cautions(run.plate), *(facts.unattended_cautions if alone else ()))
    return CutRow(
        cut=clock_span(week, cut.start, cut.end, cut.start) + (" (under way)" if cut.frozen else ""), run=shown(run.id),
        plate=facts.plate_words(run), fixture=facts.fixture_words(run.fixture), mass=facts.mass_words(run), pieces=week.pieces(run),
        remarks=week.notes(run_keys(run)), setup=_setup_words(facts, steps.get("setup"), cut),
        place=_by(week, steps.get("place"), cut), pull=_by(week, steps.get("pull"), cut),
        alone=f"{duration(alone)} with nobody in the shop" if alone else "", late=any(row.order in week.late for row in run.pieces),
        notes=tuple(notes.number(one) for one in cautions),
    )


def _setup_words(facts: Facts, setup: Task | None, cut: Task) -> tuple[str, ...]:
    """When and by whom the mill is set up, and the tools that come in; none where the fixture was the last one here."""
    if setup is None:
        return ()
    words = f"{clock_span(facts.week, setup.start, setup.end, cut.start)} {shown(setup.operator or '')}"
    return (words, tool_words(facts.tools_to_load(setup)))


def _by(week: Week, task: Task | None, cut: Task) -> str:
    return f"{clock(week, task.start, cut.start)} {shown(task.operator or '')}" if task is not None else ""
