"""The second block of the sheet: one strip a day, mills above people, the night at the right-hand end."""

from __future__ import annotations

from platerota_service.pictures.drawing import LEFT, LabelRows, Lane, Panel, Scale, Words, down_mark, px
from platerota_service.pictures.lanes import MACHINE_HEIGHT, LaneDrawing, task_spans
from platerota_service.pictures.lettering import clipped
from platerota_service.pictures.order_rows import due_words
from platerota_service.pictures.week import ShopDay, Week, shown

PERSON_HEIGHT = 40.0
AWAY_HEIGHT = 16.0
EMPTY_HEIGHT = 20.0
AXIS_HEIGHT = 20.0
DUE_HEIGHT = 11.0
DUE_ROWS = 3
HEAD_CELLS = 19


class DayPanels:
    """Draws the days of one week.

    Parameters
    ----------
    week
        The plan and request to draw.
    """

    def __init__(self, week: Week) -> None:
        self.week = week
        self.shop = week.request.shop
        self.drawing = LaneDrawing(week)

    def panel(self, day: ShopDay, y: float) -> Panel:
        """The strip of one day that starts at `y` px; a thin one where nothing happens."""
        scale = Scale(day.start, day.end)
        tasks = {
            (resource, row.id): [task for task in self.week.lane(resource, row.id) if scale.clip(task_spans(task))]
            for resource, rows in (("machine", self.shop.machines), ("operator", self.shop.operators)) for row in rows
        }
        if not any(tasks.values()):
            return self._empty_panel(day, y)
        panel = Panel(y, 0.0, day.title)
        top = y + AXIS_HEIGHT + self._dues(panel, scale, y + AXIS_HEIGHT)
        bottom = top
        for machine in self.shop.machines:
            work = tasks["machine", machine.id]
            lane = self._lane(bottom, MACHINE_HEIGHT if work else AWAY_HEIGHT, "machines", machine.id)
            self.drawing.machine_lane(lane, scale, machine.id, work)
            panel.lanes.append(lane)
            bottom += lane.height
        for who in self.shop.operators:
            work = tasks["operator", who.id]
            lane = self._lane(bottom, PERSON_HEIGHT if work or self.drawing.at_work(who.id, scale) else AWAY_HEIGHT, "operators", who.id)
            self.drawing.person_lane(lane, scale, who.id, work)
            panel.lanes.append(lane)
            bottom += lane.height
        self._axis(panel, scale, y, bottom)
        panel.height = bottom - y
        return panel

    def _lane(self, y: float, height: float, table: str, row_id: str) -> Lane:
        """An empty lane with its head; a low one has room for the id only."""
        name = self.week.name(table, row_id) if height > AWAY_HEIGHT else ""
        title = self.week.head_title(table, row_id)
        return Lane(y, height, clipped(shown(row_id), HEAD_CELLS - 2), clipped(name, HEAD_CELLS), title)

    def _empty_panel(self, day: ShopDay, y: float) -> Panel:
        panel = Panel(y, EMPTY_HEIGHT, day.title)
        panel.axis.append(Words(LEFT + 4, y + 14, "nothing planned"))
        return panel

    def _axis(self, panel: Panel, scale: Scale, y: float, bottom: float) -> None:
        """Hours on the shop's clock: a line each, a figure every second one."""
        hours = range(scale.start, scale.end + 1, 3_600)
        panel.grid = "".join(f"M{px(scale.x(at))} {px(y + 14)}V{px(bottom)}" for at in hours)
        panel.axis.extend(Words(scale.x(at) + 2, y + 12, self.week.minute(at)) for at in hours[:-1:2])

    def _dues(self, panel: Panel, scale: Scale, y: float) -> float:
        """Due marks of the orders due this day, as many rows as their words need; the height taken, px."""
        due = sorted((r for r in self.week.plan.orders if scale.start <= r.due < scale.end), key=lambda r: (r.due, r.id))
        rows, used = LabelRows(DUE_ROWS), 0
        for result in due:
            text = due_words(self.week, result)
            found = rows.place(scale.x(result.due) + 5, text)
            row = found[1] if found else 0
            used = max(used, row + 1)
            mark = down_mark(scale.x(result.due), y + row * DUE_HEIGHT + 8)
            late = result.id in self.week.late
            if late:
                panel.late_marks += mark
            else:
                panel.marks += mark
            if found:
                panel.dues.append(Words(found[0], y + row * DUE_HEIGHT + 8, text, "late" if late else "small"))
        return used * DUE_HEIGHT
