"""The week's load against capacity: for each mill and each person, day by day, the hours planned of the hours there are."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from platerota_service.pictures.drawing import LEFT, NORMAL, RIGHT, SMALL, Scale, Words
from platerota_service.pictures.gantt import summary
from platerota_service.pictures.lanes import LaneDrawing, task_spans
from platerota_service.pictures.lettering import clipped, first_that_fits
from platerota_service.pictures.sheet import draw_sheet
from platerota_service.pictures.week import ShopDay, Week, shown
from platerota_shared.calendars import Span, clip, machine_closures, subtract
from platerota_shared.plan import Plan
from platerota_shared.tables import Machine, PlanRequest

ROW_HEIGHT, BAR_HEIGHT, TOP, BLOCK_GAP, FOOT = 40.0, 12.0, 84.0, 30.0, 58.0
TOTAL_WIDTH = 150.0
CELL_GAP = 10.0
MOST_DAYS = 14
"""Days side by side; past it each column is a seven-day stretch."""

HEAD_CELLS = 19
HOUR = 3_600


@dataclass(frozen=True, slots=True)
class Cell:
    """Hours of one resource in one column; lengths in px.

    `work` is cutting, or hand work in shifts; `more` is exchange and setup, or overtime; `room` the hours there are.
    """

    x: float
    work: float
    more: float
    room: float
    attended: float | None
    words: str
    title: str


@dataclass(slots=True)
class LoadRow:
    """A mill or a person over all columns, and in total; `title` is what its head says when pointed at."""

    y: float
    head: str
    sub: str
    title: str
    cells: list[Cell] = field(default_factory=list[Cell])
    total: str = ""


@dataclass(frozen=True, slots=True)
class _Hours:
    """Seconds of load and capacity in one column."""

    work: int
    more: int
    room: int
    attended: int | None


def load_svg(plan: Plan, request: PlanRequest) -> str:
    """Load against capacity as an SVG picture, 1280 px wide.

    A mill's capacity is the day less its closures, from the plan's `now` on; a mark shows the hours in which somebody is there. A
    person's is the working time of regular shifts, and of overtime shifts where the plan uses any of it.

    Parameters
    ----------
    plan
        A plan with its lanes.
    request
        The request the plan answers.

    Returns
    -------
    str
        A well-formed SVG document; every text of a caller is escaped, made safe and clipped.
    """
    week = Week(plan, request)
    columns = _columns(week)
    drawing = LaneDrawing(week)
    mills = [(("machines", mill.id), [_mill_hours(week, drawing, mill, day) for day in columns]) for mill in request.shop.machines]
    people = [(("operators", who.id), [_person_hours(week, drawing, who.id, day) for day in columns]) for who in request.shop.operators]
    blocks, y = list[tuple[float, str, list[LoadRow]]](), TOP
    titled = (("Mills: hours cut and handled, of the hours open", mills), ("People: hours of hand work, of the hours on shift", people))
    for title, rows in titled:
        blocks.append((y, title, _rows(week, columns, rows, y + BLOCK_GAP)))
        y += BLOCK_GAP + ROW_HEIGHT * len(rows) + 12
    step = _step(columns)
    titles = [first_that_fits((day.title, day.title.split(" ", 1)[1]), step, NORMAL) for day in columns]
    heads = [Words(LEFT + step * number, TOP - 6, title) for number, title in enumerate(titles)]
    return draw_sheet(
        "load", y + FOOT, blocks=blocks, heads=heads, foot=y, bar=BAR_HEIGHT, total_x=RIGHT - TOTAL_WIDTH + 8,
        heading=f"Load against capacity from {week.day_text(plan.now)} {week.local(plan.now).year}", summary=summary(week),
        description="; ".join(f"{row.head} {row.total}" for _, _, rows in blocks for row in rows),
    )


def _columns(week: Week) -> list[ShopDay]:
    """The days drawn; stretches of seven where there are many."""
    if len(week.days) <= MOST_DAYS:
        return list(week.days)
    parts = [week.days[at:at + 7] for at in range(0, len(week.days), 7)]
    return [ShopDay(part[0].start, part[-1].end, f"from {part[0].title}") for part in parts]


def _step(columns: list[ShopDay]) -> float:
    return (RIGHT - LEFT - TOTAL_WIDTH) / len(columns)


def _seconds(spans: Iterable[Span], day: ShopDay) -> int:
    return sum(end - start for start, end in clip(spans, day.start, day.end))


def _mill_hours(week: Week, drawing: LaneDrawing, mill: Machine, day: ShopDay) -> _Hours:
    """Cutting, and what else keeps the spindle: setups, exchanges by hand, loads of a plate that stays."""
    tasks = week.lane("machine", mill.id)
    handled = ("setup", "load", "unload") if mill.automatic else ("setup", "load", "unload", "place", "pull")
    cutting = _seconds(((task.start, task.end) for task in tasks if task.kind == "cut"), day)
    handling = _seconds(((task.start, task.end) for task in tasks if task.kind in handled), day)
    open_spans = subtract([(max(day.start, week.plan.now), day.end)], machine_closures(week.request.shop, mill.id))
    attended = sum(_seconds(clip(drawing.attended, *span), day) for span in open_spans)
    return _Hours(cutting, handling, _seconds(open_spans, day), attended)


def _person_hours(week: Week, drawing: LaneDrawing, who: str, day: ShopDay) -> _Hours:
    """Hand work in regular shifts and in overtime; overtime is capacity only where it is used."""
    tasks = week.lane("operator", who)
    regular, extra = (
        _seconds((span for task in tasks if task.overtime is kind for span in task_spans(task)), day) for kind in (False, True)
    )
    since = max(day.start, week.plan.now)
    room = _seconds(clip(drawing.working[who], since, day.end), day)
    room += _seconds(clip(drawing.overtime[who], since, day.end), day) if extra else 0
    return _Hours(regular, extra, room, None)


def _rows(week: Week, columns: list[ShopDay], found: list[tuple[tuple[str, str], list[_Hours]]], y: float) -> list[LoadRow]:
    """The rows of one block, all on one scale: the widest column has its most hours."""
    most = max([HOUR, *(max(hours.room, hours.work + hours.more) for _, row in found for hours in row)])
    step = _step(columns)
    rows: list[LoadRow] = []
    for number, ((table, row_id), all_hours) in enumerate(found):
        name = clipped(week.name(table, row_id), HEAD_CELLS)
        row = LoadRow(y + number * ROW_HEIGHT, clipped(shown(row_id), HEAD_CELLS - 2), name, week.head_title(table, row_id))
        for at, (day, hours) in enumerate(zip(columns, all_hours, strict=True)):
            row.cells.append(_cell(f"{row.head}, {day.title}", LEFT + step * at, Scale(0, most, 0.0, step - CELL_GAP), hours))
        load, room = sum(hours.work + hours.more for hours in all_hours), sum(hours.room for hours in all_hours)
        row.total = f"{load / HOUR:.1f} of {room / HOUR:.1f} h" + (f", {load / room:.0%}" if room else "")
        rows.append(row)
    return rows


def _cell(title: str, x: float, scale: Scale, hours: _Hours) -> Cell:
    load = hours.work + hours.more
    short, long = f"{load / HOUR:.1f}/{hours.room / HOUR:.1f}", f"{load / HOUR:.1f} of {hours.room / HOUR:.1f} h"
    words = first_that_fits((long, short, f"{load / HOUR:.0f}"), scale.right + CELL_GAP, SMALL) if load or hours.room else ""
    there = f", somebody is there for {hours.attended / HOUR:.1f} h" if hours.attended is not None else ""
    return Cell(
        x, scale.x(hours.work), scale.x(load) - scale.x(hours.work), scale.x(hours.room),
        scale.x(hours.attended) if hours.attended is not None else None, words, f"{title}: {long}{there}",
    )
