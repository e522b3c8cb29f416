"""What happens on a mill, a plate and a person as shades, bars and words of one lane; the sheet and the board draw with it."""

from __future__ import annotations

from itertools import pairwise

from platerota_service.named_rows import run_keys
from platerota_service.pictures.drawing import NORMAL, SMALL, Bar, LabelRows, Lane, Scale, Words, box, px
from platerota_service.pictures.lettering import clean, first_that_fits, width
from platerota_service.pictures.week import Week, shown
from platerota_shared.calendars import (
    ShiftDay,
    Span,
    attended_spans,
    machine_closures,
    operator_closures,
    shift_days,
    subtract,
    working_spans,
)
from platerota_shared.plan import Task
from platerota_shared.tables import Closure

MACHINE_HEIGHT = 32.0
EXCHANGES = ("place", "pull")
# Offsets and heights inside a person's lane: a load sits low (into the nests), an unload high (out of them),
# so that two boxes of five px each are told apart without colour.
PERSON_BANDS = {"load": (6.0, 12.0), "unload": (1.0, 12.0)}
PERSON_BAND = (3.0, 13.0)
JOINED_SECONDS = 180


class LaneDrawing:
    """Draws lanes of one week.

    Parameters
    ----------
    week
        The plan and request to draw.
    """

    def __init__(self, week: Week) -> None:
        self.week = week
        self.shop = week.request.shop
        begin, end = week.days[0].start, week.days[-1].end
        self.attended = attended_spans(self.shop, begin, end, self._worked_overtime(begin, end))
        self.working = {who.id: working_spans(self.shop, who.id, begin, end) for who in self.shop.operators}
        self.overtime = {who.id: working_spans(self.shop, who.id, begin, end, overtime=True) for who in self.shop.operators}

    def _worked_overtime(self, begin: int, end: int) -> list[ShiftDay]:
        """The overtime shifts that hold a task of their operator: those are attended time (F9)."""
        return [
            day for who in self.shop.operators for day in shift_days(self.shop, who.id, begin, end)
            if day.overtime and any(task.start < day.end and task.end > day.start for task in self.week.lane("operator", who.id))
        ]

    def at_work(self, who: str, scale: Scale) -> bool:
        """Whether somebody has a shift, overtime too, in the time that `scale` shows."""
        return bool(scale.clip(self.working[who]) or scale.clip(self.overtime[who]))

    def _closures(self, column: str, row_id: str) -> list[Closure]:
        return [
            closure for closure in self.shop.closures
            if getattr(closure, column) == row_id or (closure.machine, closure.plate, closure.operator) == (None, None, None)
        ]

    def shade(self, lane: Lane, scale: Scale, open_spans: list[Span], closed: list[Span], reasons: list[Closure]) -> None:
        """What is not open, what is closed and why, and what lies before `now`."""
        away = subtract([(scale.start, scale.end)], open_spans)
        lane.shades.extend(box("away", scale, span, lane.y, lane.height) for span in subtract(away, closed))
        for span in scale.clip(closed):
            lane.shades.append(box("closed", scale, span, lane.y, lane.height))
        for closure in reasons:
            for span in scale.clip([(closure.start, closure.end)]):
                reason = clean(closure.reason) if closure.reason else "closed"
                text = first_that_fits((reason, "closed"), scale.x(span[1]) - scale.x(span[0]) - 6, SMALL)
                if text:
                    lane.words.append(Words(scale.x(span[0]) + 3, lane.y + 12, text, "reason"))
        for span in scale.clip([(scale.start, self.week.plan.now)]):
            lane.shades.append(box("past", scale, span, lane.y, lane.height))

    def machine_lane(self, lane: Lane, scale: Scale, machine: str, tasks: list[Task]) -> None:
        """Draw the cuts, setups and exchanges of a mill."""
        self.shade(lane, scale, self.attended, machine_closures(self.shop, machine), self._closures("machine", machine))
        for task in tasks:
            if task.kind in EXCHANGES:
                lane.ticks += _tick(scale, task, lane.y, lane.height)
                continue
            for span in scale.clip(task_spans(task)):
                bar = box(self._kind(task), scale, span, lane.y + 2, MACHINE_HEIGHT - 4, self.title(task), least=1.5)
                lane.bars.append(bar)
                if task.kind == "cut":
                    lane.words.extend(self._cut_words(task, bar))
                    if self.week.is_late(task) and bar.width > 6:
                        lane.bars.append(Bar("late-edge", bar.x + 2, bar.y + 2, bar.width - 4, bar.height - 4))

    @staticmethod
    def _kind(task: Task) -> str:
        return f"{task.kind} frozen" if task.frozen else task.kind

    def _cut_words(self, task: Task, bar: Bar) -> list[Words]:
        """The plate, and what lies on it where there is room; a narrow cut is lettered upright, a sliver not at all."""
        plate = shown(task.plate or "")
        room = bar.width - 8
        if width(plate, NORMAL) > room:
            # The dashes of a late order need room on both sides of upright letters.
            fits = bar.width >= SMALL + (9 if self.week.is_late(task) else 1.5) and width(plate, SMALL) <= bar.height - 6
            return [Words(bar.x + bar.width / 2 + 3.2, bar.y + bar.height - 4, plate, "on-cut-small", upright=True)] if fits else []
        found = [Words(bar.x + 4.5, bar.y + 12, plate, "on-cut")]
        run = self.week.runs[task.run] if task.run is not None else None
        if run is not None:
            load = self.week.load_text(run)
            text = first_that_fits((load, load.split(" op ")[0], shown(run.id)), room, SMALL)
            found.append(Words(bar.x + 4.5, bar.y + 23, text, "on-cut-small"))
        return found

    def person_lane(self, lane: Lane, scale: Scale, who: str, tasks: list[Task]) -> None:
        """Draw the hand work of a person."""
        self.shade(lane, scale, self.working[who], operator_closures(self.shop, who), self._closures("operator", who))
        lane.shades.extend(box("overtime", scale, span, lane.y, lane.height) for span in scale.clip(self.overtime[who]))
        for task in tasks:
            spans = scale.clip(task_spans(task))
            if task.kind in EXCHANGES:
                lane.ticks += _tick(scale, task, lane.y + 1, 17.0)
                continue
            drop, height = PERSON_BANDS.get(task.kind, PERSON_BAND)
            lane.bars.extend(box(self._kind(task), scale, span, lane.y + drop, height, self.title(task), least=1.5) for span in spans)
            lane.shades.extend(box("pause", scale, (a[1], b[0]), lane.y + 8.5, 1.2) for a, b in pairwise(spans))
        lane.words.extend(self._person_words(lane, scale, tasks))

    def _person_words(self, lane: Lane, scale: Scale, tasks: list[Task]) -> list[Words]:
        """What each box is about, once for work that follows on the same thing, below the boxes and never overlapping."""
        rows, found = LabelRows(2, scale.right), list[Words]()
        before: tuple[str, int] | None = None
        for task in tasks:
            if task.kind in EXCHANGES or task.start < scale.start:
                continue
            about = self._about(task)
            joined = before is not None and before[0] == about and task.start - before[1] <= JOINED_SECONDS
            before = (about, task.end)
            placed = None if joined else rows.place(scale.x(task.start), about)
            if placed:
                found.append(Words(placed[0], lane.y + 27 + 10 * placed[1], about))
        return found

    @staticmethod
    def _about(task: Task) -> str:
        if task.kind == "build":
            return f"{shown(task.fixture or '')} on {shown(task.plate or '')}"
        if task.kind == "setup":
            return f"setup {shown(task.machine or '')}"
        if task.kind in ("bench", "first_article"):
            return f"{shown(task.order or '')} op {task.op}"
        return shown(task.plate or "")

    def title(self, task: Task) -> str:
        """A task in words: what, on what, by whom, when; at a load and a cut also the notes on what they are of."""
        run = self.week.runs.get(task.run) if task.run is not None else None
        what = task.kind.replace("_", " ")
        on = [self.week.called(table, row_id) for table, row_id in (("plates", task.plate), ("fixtures", task.fixture)) if row_id]
        about = ", ".join([*on, *(shown(text) for text in (task.machine, task.operator) if text)])
        pieces = f": {'; '.join(self.week.pieces(run))}" if run is not None and task.kind in ("cut", "load", "unload") else ""
        extra = "".join(f", {word}" for word, holds in (("under way", task.frozen), ("overtime", task.overtime)) if holds)
        notes = "".join(f"; {note}" for note in self.week.notes(run_keys(run))) if run is not None and task.kind in ("load", "cut") else ""
        return f"{shown(task.id)} {what}, {about}{pieces}, {self.week.span(task.start, task.end)}{extra}{notes}"


def task_spans(task: Task) -> list[Span]:
    """The stretches in which a task is worked on, UTC seconds."""
    return [(span.start, span.end) for span in task.spans] if task.spans else [(task.start, task.end)]


def _tick(scale: Scale, task: Task, y: float, height: float) -> str:
    """An exchange: too short to be a box, so a line as high as its lane."""
    return "".join(f"M{px(scale.x(start))} {px(y)}v{px(height)}" for start, _ in scale.clip([(task.start, max(task.end, task.start + 1))]))
