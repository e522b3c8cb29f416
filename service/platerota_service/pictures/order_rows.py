"""The first block of the sheet: every order from its first load to its finish, against its due instant."""

from __future__ import annotations

from collections import defaultdict

from platerota_service.named_rows import beside
from platerota_service.pictures.drawing import SMALL, Lane, Panel, Scale, Words, box, down_mark, px
from platerota_service.pictures.lettering import CELL_EM, clean, clipped
from platerota_service.pictures.week import Week, duration, shown
from platerota_shared.calendars import Span
from platerota_shared.plan import OrderResult

ROW_HEIGHT = 17.0
CHART_RIGHT = 960.0
TEXT_LEFT = 972.0
HEAD_CELLS = 17
TEXT_CELLS = int((1244 - TEXT_LEFT) / (CELL_EM * SMALL))


def order_panel(week: Week, y: float) -> Panel:
    """The block of order rows that starts at `y` px."""
    scale = Scale(week.days[0].start, week.days[-1].end, right=CHART_RIGHT)
    panel = Panel(y, 30 + ROW_HEIGHT * max(1, len(week.plan.orders)), "Orders")
    for day in week.days:
        x = scale.x(day.start)
        panel.grid += f"M{px(x)} {px(y + 8)}V{px(y + panel.height)}"
        if scale.x(day.end) - x >= len(day.title) * CELL_EM * SMALL + 6:
            panel.axis.append(Words(x + 4, y + 15, day.title))
    cuts = _cuts_by_order(week)
    for row, result in enumerate(week.plan.orders):
        lane = Lane(y + 22 + row * ROW_HEIGHT, ROW_HEIGHT, _head(week, result), ticks_kind="in-order")
        _draw(week, scale, result, cuts[result.id], panel, lane)
        panel.lanes.append(lane)
    return panel


def _cuts_by_order(week: Week) -> dict[str, list[Span]]:
    found: dict[str, list[Span]] = defaultdict(list)
    for task in week.plan.tasks:
        if task.kind == "cut" and task.run is not None:
            for order in dict.fromkeys(row.order for row in week.runs[task.run].pieces):
                found[order].append((task.start, task.end))
    return found


def _head(week: Week, result: OrderResult) -> str:
    order = week.orders.get(result.id)
    return clipped(shown(result.id) + (f" {shown(order.part)} ×{order.quantity}" if order else ""), HEAD_CELLS + 2)


def _draw(week: Week, scale: Scale, result: OrderResult, cuts: list[Span], panel: Panel, lane: Lane) -> None:
    """The bar, its cuts, its due mark and its outcome."""
    late = bool(result.late_seconds)
    title = _title(week, result, lane.head)
    if result.finish is not None:
        start = result.start if result.start is not None else week.plan.now
        lane.bars.append(box("order", scale, (start, result.finish), lane.y + 4, 9, title, least=1.5))
        lane.ticks = "".join(_block(scale, cut, lane.y + 6.5) for cut in cuts)
        if late:
            lane.bars.append(box("overdue", scale, (max(result.due, scale.start), result.finish), lane.y + 1.5, 14, title, least=3))
    shown_due = scale.start <= result.due <= scale.end
    panel.marks += down_mark(scale.x(result.due), lane.y + 9) if shown_due else _edge_mark(scale, result.due, lane.y)
    text = clipped(outcome(week, result), TEXT_CELLS)
    lane.words.append(Words(TEXT_LEFT, lane.y + 12, text, "late" if late or not result.placed else "small", title=title))


def _title(week: Week, result: OrderResult, head: str) -> str:
    """What an order's row says when pointed at: its name and note too, for which a row has no room."""
    key = ("orders", result.id)
    return "; ".join([f"{beside(head, week.name(*key))}: {outcome(week, result)}", *week.notes([key])])


def _edge_mark(scale: Scale, due: int, y: float) -> str:
    """A due instant before or after the days drawn: the triangle lies on its side and points that way."""
    x, way = (scale.right, -6) if due > scale.end else (scale.left, 6)
    return f"M{px(x)} {px(y + 8.5)}l{way} -3.5v7z"


def _block(scale: Scale, cut: Span, y: float) -> str:
    """A cut of the order as a solid block inside its bar."""
    left, right = scale.x(cut[0]), scale.x(cut[1])
    return f"M{px(left)} {px(y)}H{px(max(right, left + 0.8))}v4H{px(left)}z"


def outcome(week: Week, result: OrderResult) -> str:
    """How an order ends, in a line."""
    if result.finish is None:
        return f"not placed: {clean(result.why)}" if result.why else "not placed"
    end = f"late {duration(result.late_seconds)}" if result.late_seconds else f"due {week.date(result.due)}"
    return f"done {week.date(result.finish)}, {end}"


def due_words(week: Week, result: OrderResult) -> str:
    """What stands at an order's due mark."""
    return shown(result.id) + (f" late {duration(result.late_seconds)}" if result.late_seconds else "")

