"""Two plans side by side, a base and another (a what-if, a replan): which orders gain, which pay, and what it costs in points."""

from __future__ import annotations

from dataclasses import dataclass, replace

from platerota_service.board.board_page import STATES
from platerota_service.board.frame import ANYBODY, Page, Viewer, render
from platerota_service.board.standing import Standing
from platerota_service.board.tables import late_words
from platerota_service.pictures.drawing import Scale
from platerota_service.pictures.week import Week, duration, shown
from platerota_shared.moves import points_without_moves
from platerota_shared.plan import OrderResult
from platerota_shared.tables import PlanRequest

CHART_WIDTH = 900.0
ROW_HEIGHT, AXIS_HEIGHT = 26.0, 22.0
SAME_SECONDS = 60
"""Finishes closer than this count as the same."""


@dataclass(frozen=True, slots=True)
class OrderPair:
    """An order in both plans; an order that a plan does not know has empty words there."""

    id: str
    due: str
    base: str
    base_late: str
    other: str
    other_late: str
    change: str
    verdict: str
    worse: bool


@dataclass(frozen=True, slots=True)
class PairBar:
    """Both finishes of an order over one scale, px; None: not placed, or not in that plan."""

    head: str
    y: float
    due: float
    base: float | None
    other: float | None
    title: str


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One figure of both plans and its change."""

    name: str
    base: str
    other: str
    change: str


def comparison_page(
    base: tuple[Standing, PlanRequest], other: tuple[Standing, PlanRequest], viewer: Viewer = ANYBODY,
) -> Page:
    """The comparison.

    Parameters
    ----------
    base, other
        Two plans with the requests they answer; both have a plan to show.
    viewer
        Who looks at it.
    """
    weeks = Week(base[0].plan, base[1]), Week(other[0].plan, other[1])
    scale = _scale(*weeks)
    pairs = sorted(_pairs(*weeks), key=lambda pair: VERDICTS.index(pair.verdict))
    return render(
        "against", styles=("paper.css", "chart.css"), title="Two plans compared", viewer=viewer,
        base_id=base[0].plan.id, other_id=other[0].plan.id,
        base_state=STATES[base[0].plan.status], other_state=STATES[other[0].plan.status], pairs=pairs, counts=_counts(pairs),
        figures=_figures(*weeks), bars=_bars(*weeks, scale), days=_days(*weeks, scale), width=CHART_WIDTH,
        height=AXIS_HEIGHT + ROW_HEIGHT * len(pairs) + 8, clocks=_clocks(*weeks),
    )


VERDICTS = (
    "not placed any more", "late now", "later, and late", "later, in time", "new", "gone", "placed now", "in time now",
    "earlier, yet late", "earlier", "the same",
)
"""Every verdict on an order, in the order of the table: who pays first."""

_WORSE = VERDICTS[:3]


def _verdict(base: OrderResult | None, other: OrderResult | None) -> str:
    if base is None or other is None:
        return "new" if base is None else "gone"
    if base.finish is None or other.finish is None:
        if base.placed == other.placed:
            return "the same"
        return "placed now" if other.placed else "not placed any more"
    if bool(base.late_seconds) != bool(other.late_seconds):
        return "late now" if other.late_seconds else "in time now"
    return _moved(other.finish - base.finish, bool(other.late_seconds))


def _moved(seconds: int, late: bool) -> str:
    """The verdict on an order that is late, or in time, in both plans."""
    if abs(seconds) < SAME_SECONDS:
        return "the same"
    if seconds > 0:
        return "later, and late" if late else "later, in time"
    return "earlier, yet late" if late else "earlier"


def _pairs(base: Week, other: Week) -> list[OrderPair]:
    """Every order of either plan, the base's first."""
    found: list[OrderPair] = []
    for order in dict.fromkeys([*base.results, *other.results]):
        one, two = base.results.get(order), other.results.get(order)
        verdict = _verdict(one, two)
        due = other.date(two.due) if two else base.date(one.due) if one else ""
        found.append(OrderPair(
            _order_words(base, other, order), due, _done(base, one), _late(one), _done(other, two), _late(two), _change(one, two), verdict,
            verdict in _WORSE,
        ))
    return found


def _order_words(base: Week, other: Week, order: str) -> str:
    """An order with its name, which the plan that no longer holds the order cannot tell."""
    return (other if order in other.orders else base).called("orders", order)


def _done(week: Week, result: OrderResult | None) -> str:
    if result is None:
        return "not in this plan"
    return week.date(result.finish) if result.finish is not None else "not placed"


def _late(result: OrderResult | None) -> str:
    return late_words(result.late_seconds, result.placed) if result is not None and result.placed else ""


def _change(one: OrderResult | None, two: OrderResult | None) -> str:
    """How much later (+) or earlier (−) an order finishes."""
    if one is None or two is None or one.finish is None or two.finish is None:
        return ""
    by = two.finish - one.finish
    return "" if abs(by) < SAME_SECONDS else f"{'+' if by > 0 else '−'}{duration(abs(by))}"


def _counts(pairs: list[OrderPair]) -> list[tuple[str, int]]:
    """How many orders there are of each verdict."""
    return [(verdict, count) for verdict in VERDICTS if (count := sum(pair.verdict == verdict for pair in pairs))]


def _figures(base: Week, other: Week) -> list[FigureRow]:
    """Score by parts and the shop's figures."""
    parts = other.plan.score.parts.model_dump()
    moved = base.plan.score.parts.moved_task, other.plan.score.parts.moved_task
    rows = [
        _figure(
            "score without moved tasks, points" if any(moved) else "score, points",
            points_without_moves(base.plan), points_without_moves(other.plan),
        ),
        _figure("bound, points", base.plan.score.bound, other.plan.score.bound),
    ]
    rows += [
        _figure(f"points: {name.replace('_', ' ')}", points, parts[name])
        for name, points in base.plan.score.parts.model_dump().items() if name != "moved_task" and (points or parts[name])
    ]
    if any(moved):  # each counts its own against another plan, so one less the other says nothing
        rows.append(replace(_figure("points: moved task", *moved), change=""))
    rows += [
        _figure("orders late", len(base.late), len(other.late), 0),
        _figure("hours late, all orders", _late_hours(base), _late_hours(other)),
        _figure("runs", len(base.plan.runs), len(other.plan.runs), 0), _figure("setups", _setups(base), _setups(other), 0),
        _figure("hours of overtime tasks", _overtime_hours(base), _overtime_hours(other)),
        _figure("hours cut with nobody there", _alone_hours(base), _alone_hours(other)),
        FigureRow("last task ends", base.date(base.last), other.date(other.last), ""),
    ]
    return rows


def _figure(name: str, one: float, two: float, digits: int = 1) -> FigureRow:
    change = two - one
    words = "" if not round(change, digits) else f"{'+' if change > 0 else '−'}{abs(change):,.{digits}f}"
    return FigureRow(name, f"{one:,.{digits}f}", f"{two:,.{digits}f}", words)


def _late_hours(week: Week) -> float:
    return sum(result.late_seconds or 0 for result in week.plan.orders) / 3_600


def _setups(week: Week) -> int:
    return sum(task.kind == "setup" for task in week.plan.tasks)


def _overtime_hours(week: Week) -> float:
    return sum(task.end - task.start for task in week.plan.tasks if task.overtime) / 3_600


def _alone_hours(week: Week) -> float:
    return sum(row.unattended_cutting_seconds for row in week.plan.kpis.machines) / 3_600


def _scale(base: Week, other: Week) -> Scale:
    """From the first plan's begin to the last end of either plan."""
    return Scale(min(base.plan.now, other.plan.now), max(base.last, other.last) + 1, 0.0, CHART_WIDTH)


def _days(base: Week, other: Week, scale: Scale) -> list[tuple[float, str]]:
    """Where each day of the shop begins, and its title where there is room."""
    week = base if base.last >= other.last else other
    shown_days = [(scale.x(day.start), day.title) for day in week.days if day.start < scale.end]
    wide = CHART_WIDTH / max(1, len(shown_days)) > 70
    return [(x, title if wide or number % 7 == 0 else "") for number, (x, title) in enumerate(shown_days)]


def _bars(base: Week, other: Week, scale: Scale) -> list[PairBar]:
    """Both finishes of every order against its due date."""
    rows: list[PairBar] = []
    for number, order in enumerate(dict.fromkeys([*base.results, *other.results])):
        one, two = base.results.get(order), other.results.get(order)
        known = two or one
        assert known is not None
        title = f"{_order_words(base, other, order)}: due {other.date(known.due)}; base {_done(base, one)}; other {_done(other, two)}"
        ends = [scale.x(row.finish) if row is not None and row.finish is not None else None for row in (one, two)]
        rows.append(PairBar(shown(order), AXIS_HEIGHT + number * ROW_HEIGHT, scale.x(known.due), ends[0], ends[1], title))
    return rows


def _clocks(base: Week, other: Week) -> list[tuple[str, str]]:
    """From when each plan plans, for two plans that do not begin together."""
    return [(week.full_date(week.plan.now), shown(week.plan.timezone)) for week in (base, other)]


