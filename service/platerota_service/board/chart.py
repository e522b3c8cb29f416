"""The chart of the board: mills, plates and people over one stretch of time, with due marks above."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from platerota_service.board.views import Link, View, day_key
from platerota_service.pictures.drawing import Bar, LabelRows, Lane, Scale, Words, box, px
from platerota_service.pictures.lanes import EXCHANGES, MACHINE_HEIGHT, LaneDrawing, task_spans
from platerota_service.pictures.lettering import clipped, first_that_fits
from platerota_service.pictures.order_rows import due_words
from platerota_service.pictures.week import ShopDay, Week, duration, shown
from platerota_shared.calendars import plate_closures
from platerota_shared.plan import OrderResult, Task

HEADS, BODY = 124.0, 1_000.0
"""Widths of the lane heads and of the chart beside them, px of the drawing."""

HEAD_CELLS = 17
DAY_SIZE = 11.5
COARSE = 20.0
"""Below this many px an hour single hand tasks cannot be told apart: people's lanes show stretches of work, plates whole trips."""

PERSON_HEIGHT, PERSON_COARSE = 40.0, 18.0
PLATE_HEIGHT, PLATE_COARSE = 20.0, 13.0
AWAY_HEIGHT = 16.0
AXIS_HEIGHT, DUE_HEIGHT, GROUP_HEIGHT = 24.0, 12.0, 18.0
LATE_ROWS, DUE_ROWS = 10, 4
"""Rows for the words of missed due dates, which come first, and of those kept."""

STRETCH_GAP = 900
WAITS = {
    "load": "loaded, waits for {mill}", "place": "placed, waits in {mill} for its cut", "cut": "cut, waits in {mill}",
    "pull": "pulled, waits to be unloaded",
}
"""What a plate waits for after each step."""


@dataclass(frozen=True, slots=True)
class Due:
    """A due mark: its tip, its words where there is room, what it says when pointed at."""

    x: float
    y: float
    words: Words | None
    late: bool
    title: str


@dataclass(frozen=True, slots=True)
class DayHead:
    """A day over the chart, a link to its own view: where it lies, and as much of its title as fits there."""

    x: float
    width: float
    text: str
    link: Link


@dataclass(slots=True)
class Group:
    """Lanes of one kind of resource under their heading."""

    title: str
    y: float
    lanes: list[Lane] = field(default_factory=list[Lane])


@dataclass(slots=True)
class Chart:
    """A drawn stretch of the plan; all lengths in px of the drawing."""

    view: View
    height: float = 0.0
    grid: str = ""
    axis: list[Words] = field(default_factory=list[Words])
    days: list[DayHead] = field(default_factory=list[DayHead])
    dues: list[Due] = field(default_factory=list[Due])
    groups: list[Group] = field(default_factory=list[Group])
    idle: str = ""


class BoardChart:
    """Draws charts of one week.

    Parameters
    ----------
    week
        The plan and request to draw.
    """

    def __init__(self, week: Week) -> None:
        self.week = week
        self.shop = week.request.shop
        self.drawing = LaneDrawing(week)

    def draw(self, view: View) -> Chart:
        """The chart of a view."""
        scale = Scale(view.start, view.end, 0.0, BODY)
        coarse = BODY * 3_600 / (view.end - view.start) < COARSE
        chart = Chart(view)
        top = AXIS_HEIGHT + self._dues(chart, scale)
        for title, draw in (("Mills", self._machines), ("Plates", self._plates), ("People", self._people)):
            group = Group(title, top)
            top = draw(chart, group, scale, coarse)
            chart.groups.append(group)
        chart.height = top + 1
        self._axis(chart, scale, coarse)
        return chart

    def _axis(self, chart: Chart, scale: Scale, coarse: bool) -> None:
        """Days where many are shown, else hours of the shop's clock; a line for each."""
        if coarse:
            marks = [day.start for day in self.week.days]
            chart.days = [self._day_head(scale, day) for day in self.week.days]
        else:
            step = 3_600 if scale.end - scale.start > 12 * 3_600 else 1_800
            marks = list(range(-(-scale.start // step) * step, scale.end, step))
            lettered = [at for at in marks[:-1] if at // step % 2 == 0]
            chart.axis = [Words(scale.x(at) + 2, 15, self.week.minute(at)) for at in lettered]
        chart.grid = "".join(f"M{px(scale.x(at))} 0V{px(chart.height)}" for at in marks)

    def _day_head(self, scale: Scale, day: ShopDay) -> DayHead:
        x = scale.x(day.start)
        wide = scale.x(day.end) - x
        _, date = day.title.split(" ", 1)
        text = first_that_fits((day.title, date, date.split(" ")[0]), wide - 6, DAY_SIZE)
        return DayHead(x, wide, text, Link(day.title, f"?day={day_key(self.week, day)}"))

    def _dues(self, chart: Chart, scale: Scale) -> float:
        """Marks of the orders due in the stretch, missed ones above kept ones; the height taken."""
        results = sorted((row for row in self.week.plan.orders if scale.start <= row.due < scale.end), key=lambda row: (row.due, row.id))
        y = AXIS_HEIGHT
        for late, most in ((True, LATE_ROWS), (False, DUE_ROWS)):
            y = self._due_rows(chart, scale, [row for row in results if (bool(row.late_seconds) or not row.placed) is late], y, late, most)
        return y - AXIS_HEIGHT + 4 * bool(results)

    def _due_rows(self, chart: Chart, scale: Scale, results: list[OrderResult], y: float, late: bool, most: int) -> float:
        """Rows of marks with their words; one without room for words stands in a last row and keeps its title. The y below them."""
        rows, used = LabelRows(most, BODY), 0
        for result in results:
            text = due_words(self.week, result) if result.placed else f"{shown(result.id)} not placed"
            found = rows.place(scale.x(result.due) - 5, f"  {text}")  # two cells for the mark itself
            row = found[1] if found else most
            used, base = max(used, row + 1), y + row * DUE_HEIGHT + 9
            words = Words(found[0] + 11, base, text, "late" if late else "small") if found else None
            title = ", ".join(filter(None, (text, self.week.name("orders", result.id), f"due {self.week.date(result.due)}")))
            chart.dues.append(Due(scale.x(result.due), base, words, late, title))
        return y + used * DUE_HEIGHT

    def _tasks(self, resource: str, row_id: str, scale: Scale) -> list[Task]:
        return [task for task in self.week.lane(resource, row_id) if scale.clip(task_spans(task))]

    def _lane(self, y: float, height: float, table: str, row_id: str) -> Lane:
        name = self.week.name(table, row_id) if height > 22 else ""
        title = self.week.head_title(table, row_id)
        return Lane(y, height, clipped(shown(row_id), HEAD_CELLS), clipped(name, HEAD_CELLS + 2), title)

    def _machines(self, _chart: Chart, group: Group, scale: Scale, coarse: bool) -> float:
        y = group.y + GROUP_HEIGHT
        for machine in self.shop.machines:
            tasks = self._tasks("machine", machine.id, scale)
            lane = self._lane(y, MACHINE_HEIGHT if tasks else AWAY_HEIGHT, "machines", machine.id)
            # Lines for exchanges would hide the short cuts of a whole week between them.
            self.drawing.machine_lane(lane, scale, machine.id, [task for task in tasks if not coarse or task.kind not in EXCHANGES])
            if not coarse:
                self._late_words(lane, scale, tasks)
            group.lanes.append(lane)
            y += lane.height
        return y

    def _late_words(self, lane: Lane, scale: Scale, tasks: list[Task]) -> None:
        """Names the late orders of a cut in its title, for those who point at it."""
        titles = {self.drawing.title(task): task for task in tasks if task.kind == "cut" and self.week.is_late(task)}
        for number, bar in enumerate(lane.bars):
            task = titles.get(bar.title)
            if task is not None and task.run is not None:
                late = dict.fromkeys(row.order for row in self.week.runs[task.run].pieces if row.order in self.week.late)
                words = "; ".join(due_words(self.week, self.week.results[order]) for order in late)
                lane.bars[number] = Bar(bar.kind, bar.x, bar.y, bar.width, bar.height, f"{bar.title}, {words}")

    def _people(self, _chart: Chart, group: Group, scale: Scale, coarse: bool) -> float:
        y = group.y + GROUP_HEIGHT
        for who in self.shop.operators:
            tasks = self._tasks("operator", who.id, scale)
            busy = tasks or self.drawing.at_work(who.id, scale)
            lane = self._lane(y, (PERSON_COARSE if coarse else PERSON_HEIGHT) if busy else AWAY_HEIGHT, "operators", who.id)
            self.drawing.person_lane(lane, scale, who.id, [] if coarse else tasks)
            if coarse:
                lane.bars.extend(self._stretches(lane, scale, who.id, tasks))
            group.lanes.append(lane)
            y += lane.height
        return y

    def _stretches(self, lane: Lane, scale: Scale, who: str, tasks: list[Task]) -> list[Bar]:
        """Hand work of a person in stretches without a gap of a quarter of an hour, and what is done in each."""
        found: list[tuple[int, int, Counter[str]]] = []
        for (start, end), kind in sorted((span, task.kind) for task in tasks for span in scale.clip(task_spans(task))):
            if found and start - found[-1][1] <= STRETCH_GAP:
                begun, ended, kinds = found[-1]
                kinds[kind] += 1
                found[-1] = (begun, max(ended, end), kinds)
            else:
                found.append((start, end, Counter([kind])))
        titles = [f"{shown(who)} {self.week.span(start, end)}: {_counted(kinds)}" for start, end, kinds in found]
        return [
            box("hand", scale, (start, end), lane.y + 3, lane.height - 6, title, 1.2)
            for (start, end, _), title in zip(found, titles, strict=True)
        ]

    def _plates(self, chart: Chart, group: Group, scale: Scale, coarse: bool) -> float:
        y, idle = group.y + GROUP_HEIGHT, list[str]()
        for plate in self.shop.plates:
            tasks = self._tasks("plate", plate.id, scale)
            if not tasks:
                idle.append(shown(plate.id))
                continue
            lane = self._lane(y, PLATE_COARSE if coarse else PLATE_HEIGHT, "plates", plate.id)
            self.drawing.shade(lane, scale, self.drawing.attended, plate_closures(self.shop, plate.id), [])
            runs: dict[str, list[Task]] = {}
            for task in self.week.lane("plate", plate.id):
                runs.setdefault(task.run or task.id, []).append(task)
            for steps in runs.values():
                if scale.clip([(steps[0].start, steps[-1].end)]):
                    (self._whole_trip if coarse else self._trip)(lane, scale, steps)
            group.lanes.append(lane)
            y += lane.height
        chart.idle = ", ".join(idle)
        return y

    def _whole_trip(self, lane: Lane, scale: Scale, steps: list[Task]) -> None:
        """A trip of a plate as one bar from load to unload, its cut solid inside."""
        lane.ticks_kind = "in-order"
        (span,) = scale.clip([(steps[0].start, steps[-1].end)])
        run = self.week.runs.get(steps[0].run) if steps[0].run is not None else None
        what = f"{shown(run.id)} for {shown(run.machine or 'no mill')}, {self.week.load_text(run)}" if run else self.drawing.title(steps[0])
        title = f"{what}, {self.week.span(steps[0].start, steps[-1].end)}"
        lane.bars.append(box("trip", scale, span, lane.y + 2, lane.height - 4, title, 1.5))
        for start, end in scale.clip([(task.start, task.end) for task in steps if task.kind == "cut"]):
            left, right = scale.x(start), scale.x(end)
            lane.ticks += f"M{px(left)} {px(lane.y + 4)}h{px(max(right - left, 0.8))}v{px(lane.height - 8)}h{px(min(left - right, -0.8))}z"

    def _trip(self, lane: Lane, scale: Scale, steps: list[Task]) -> None:
        """A trip of a plate step by step, with what it waits for in between."""
        before: Task | None = None
        for task in steps:
            if before is not None and task.start > before.end:
                wait = WAITS[before.kind].format(mill=shown(task.machine or before.machine or ""))
                title = f"{shown(task.run or '')} {wait}, {self.week.span(before.end, task.start)}, {duration(task.start - before.end)}"
                waited = scale.clip([(before.end, task.start)])
                lane.bars.extend(box("waits", scale, span, lane.y + 7, lane.height - 14, title) for span in waited)
            before = task
            if task.kind in EXCHANGES:
                for start, _end in scale.clip([(task.start, max(task.end, task.start + 1))]):
                    lane.ticks += f"M{px(scale.x(start))} {px(lane.y + 1)}v{px(lane.height - 2)}"
                continue
            for span in scale.clip(task_spans(task)):
                bar = box(task.kind, scale, span, lane.y + 3, lane.height - 6, self.drawing.title(task), 1.5)
                lane.bars.append(bar)
                machine = shown(task.machine or "")
                if task.kind == "cut" and bar.width > 7 + 5.9 * len(machine):
                    lane.words.append(Words(bar.x + 4, bar.y + 10.5, machine, "on-cut-small"))


def _counted(kinds: Counter[str]) -> str:
    """Such as ``6 loads, 5 unloads, 1 first article``."""
    names = {kind: kind.replace("_", " ") for kind in kinds}
    return ", ".join(f"{count} {names[kind]}{'s' if count > 1 and kind != 'bench' else ''}" for kind, count in kinds.items())
