"""The board of one plan: how it stands, what is late, the chart of a view, and the same as tables."""

from __future__ import annotations

from dataclasses import replace

from platerota_service.board.chart import BODY, HEADS, BoardChart
from platerota_service.board.frame import ANYBODY, Page, Viewer, render
from platerota_service.board.standing import Standing
from platerota_service.board.tables import note_rows, order_rows, run_rows, stage_rows, work_rows
from platerota_service.board.views import Link, View, day_links, find_view, shift_links
from platerota_service.pictures.cautions import cautions_of
from platerota_service.pictures.lettering import clean
from platerota_service.pictures.order_rows import order_panel
from platerota_service.pictures.week import Week, shown
from platerota_shared.plan import Stage
from platerota_shared.tables import PlanRequest

STATES = {
    "waiting": "waits for its turn", "solving": "being solved; what is shown is the best plan so far", "ready": "ready",
    "failed": "failed", "stopped": "stopped before a plan was found",
}
OPEN_ORDERS = 40
"""Up to so many orders the chart of all of them stands open; more are folded away under their heading."""

KEY = (
    ("cut", "cut"), ("late-cut", "cut for a late order"), ("setup", "setup"), ("load", "load (low)"), ("unload", "unload (high)"),
    ("exchange", "place or pull"), ("waits", "plate waits"), ("trip", "plate away, cut solid"), ("hand", "stretch of hand work"),
    ("first_article", "first article"), ("bench", "bench work"), ("build", "build"), ("frozen", "under way at the start"),
    ("away", "nobody working"), ("closed", "closed"), ("overtime", "overtime shift"), ("due", "due"), ("due-late", "due, and missed"),
)


def board_page(
    state: Standing, request: PlanRequest, day: str | None = None, shift: str | None = None, viewer: Viewer = ANYBODY,
) -> Page:
    """The board.

    Parameters
    ----------
    state
        The plan as it stands; before its first plan only the progress is shown.
    request
        The request it answers.
    day, shift
        What to show: a date and a shift such as ``06:00-14:30`` of it; None: the whole plan, the whole day.
    viewer
        Who looks at it.

    Raises
    ------
    NoSuchPart
        Where the plan has no such day or the day no such shift.
    """
    week = Week(state.plan, request)
    view = find_view(week, day, shift)
    has_plan = state.found
    return render(
        "board", styles=("paper.css", "chart.css"), script="board.js", viewer=viewer, state=state,
        events=viewer.opens(f"/v1/plans/{state.plan.id}/events"),
        state_words=STATES[state.plan.status],
        title=f"Board: from {week.day_text(state.plan.now)} {week.local(state.plan.now).year}", block=title_block(week), has_plan=has_plan,
        problem=clean(state.problem) if state.problem else "", stages=stage_rows(_stages(state)), view=view, days=day_links(week, view),
        shifts=shift_links(week, view), links=_links(state, view, viewer), late=[row for row in order_rows(week) if row.late],
        chart=BoardChart(week).draw(view) if has_plan else None, heads=HEADS, body=BODY, key=KEY,
        orders=order_rows(week), order_chart=order_panel(week, 0.0) if has_plan else None,
        orders_open=len(state.plan.orders) <= OPEN_ORDERS,
        runs=run_rows(week, view), work=work_rows(week, view), notes=note_rows(week), cautions=cautions_of(state.plan.warnings),
    )


def title_block(week: Week) -> list[tuple[str, str, bool]]:
    """The facts of a plan as a drawing's title block has them: label, value, whether it is bad news."""
    plan = week.plan
    unplaced = sum(not result.placed for result in plan.orders)
    late = len(week.late)
    cells = [
        ("orders", str(len(plan.orders)), False), ("in time", str(len(plan.orders) - late - unplaced), False),
        ("late", str(late), late > 0), ("not placed", str(unplaced), unplaced > 0), ("runs", str(len(plan.runs)), False),
        ("score", f"{plan.score.total:,.0f} points", False), ("no plan below", f"{plan.score.bound:,.0f} points", False),
        ("gap", "proved best" if plan.quality == "optimal" else f"{plan.score.gap:.0%}", False),
        ("last task ends", week.date(week.last), False),
    ]
    ends = [("planned at", week.date(plan.now), False), ("clock", shown(plan.timezone), False), ("plan", shown(plan.id), False)]
    return [*(cells if plan.lanes or plan.orders else []), *ends]


def _stages(state: Standing) -> tuple[Stage, ...]:
    """What the solve went through; while it runs all that is known is what it reached last."""
    if state.ended or state.progress is None:
        return state.plan.solver.stages
    reached = state.progress
    return (Stage(name=reached.stage, seconds=reached.seconds, total=reached.total, bound=reached.bound),)


def _links(state: Standing, view: View, viewer: Viewer) -> list[Link]:
    """The other things to have of a plan, as far as they can be opened; those that need a found plan once there is one."""
    here, day = f"/v1/plans/{state.plan.id}", f"?day={view.day}" if view.day else ""
    links = [Link("The plan as data (JSON)", here)]
    if state.found:
        links = [
            Link("Load sheets", f"{here}/load-sheets{day}"), Link("Machine sheets", f"{here}/machine-sheets{day}"),
            Link("Workbook (XLSX)", f"{here}?format=xlsx"), Link("Load windows (calendar)", f"{here}/load-windows.ics"),
            Link("Week as a drawing (SVG)", f"{here}/gantt.svg"), Link("Week as a picture (PNG)", f"{here}/gantt.png"),
            Link("Load against capacity (SVG)", f"{here}/load.svg"), *links,
        ]
    if state.plan.status == "ready":
        links[:0] = [
            Link("Ask for a rush order", f"{here}/board/rush-order"), Link("Ask for a date to promise", f"{here}/board/promise"),
            Link("Ask what would help most", f"{here}/board/levers"),
        ]
    if state.base is not None:
        base = f"/v1/plans/{state.base}/board"
        links[:0] = [*([Link("Compare with its base", f"{base}/against/{state.plan.id}")] if state.found else []), Link("Its base", base)]
    ways = ((link, viewer.opens(link.href)) for link in links)
    return [replace(link, href=way) for link, way in ways if way is not None]
