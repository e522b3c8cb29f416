"""The drawn week: a plan as one SVG sheet, in the manner of a workshop drawing with its frame and title block."""

from __future__ import annotations

from platerota_service.pictures.day_panels import DayPanels
from platerota_service.pictures.drawing import Panel
from platerota_service.pictures.lettering import clipped
from platerota_service.pictures.order_rows import order_panel
from platerota_service.pictures.sheet import draw_sheet
from platerota_service.pictures.week import Week, shown
from platerota_shared.plan import Plan
from platerota_shared.tables import PlanRequest

PANEL_GAP = 14.0
HEADER_HEIGHT = 74.0
FOOT_HEIGHT = 122.0
LEGEND = (
    ("cut", "cut"), ("load", "load (low)"), ("unload", "unload (high)"), ("setup", "setup"), ("first_article", "first article"),
    ("bench", "bench work"), ("build", "build"), ("exchange", "place or pull"), ("away", "nobody working"), ("closed", "closed"),
    ("overtime", "overtime shift"), ("due", "due"), ("overdue", "late"), ("late-edge", "cut for a late order"),
    ("cut frozen", "under way at the start"),
)


def gantt_svg(plan: Plan, request: PlanRequest) -> str:
    """The plan as an SVG picture, 1280 px wide: orders against their due dates, then a strip for every day.

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
    days = DayPanels(week)
    panels = [order_panel(week, HEADER_HEIGHT)]
    for day in week.days:
        panels.append(days.panel(day, panels[-1].y + panels[-1].height + PANEL_GAP))
    foot = panels[-1].y + panels[-1].height + PANEL_GAP
    height = foot + FOOT_HEIGHT
    return draw_sheet(
        "gantt", height, foot=foot, panels=panels, legend=LEGEND,
        heading=f"Week from {week.day_text(plan.now)} {week.local(plan.now).year}", summary=summary(week), block=_title_block(week),
        description=_description(week, panels),
    )


def summary(week: Week) -> str:
    """The week in a line: orders, on time, late, not placed, runs."""
    results = week.plan.orders
    unplaced = sum(not result.placed for result in results)
    late = len(week.late)
    counts = [f"{len(results)} orders", f"{len(results) - late - unplaced} on time", f"{late} late"]
    if unplaced:
        counts.append(f"{unplaced} not placed")
    return ", ".join([*counts, f"{len(week.plan.runs)} runs"])


def _title_block(week: Week) -> list[tuple[str, str]]:
    score = week.plan.score
    return [
        ("score", f"{score.total:,.0f} points"),
        ("bound", f"{score.bound:,.0f} points"),
        ("gap", f"{score.gap:.0%}"),
        ("planned at", week.date(week.plan.now)),
        ("clock", shown(week.plan.timezone)),
        ("plan", clipped(shown(week.plan.id), 26) if week.plan.id else week.plan.quality),
    ]


def _description(week: Week, panels: list[Panel]) -> str:
    late = [shown(result.id) for result in week.plan.orders if result.id in week.late]
    tail = f" Late: {', '.join(late[:20])}." if late else " No order is late."
    return f"{summary(week)}. {len(panels) - 1} days, each a strip with a lane for every machine and operator.{tail}"
