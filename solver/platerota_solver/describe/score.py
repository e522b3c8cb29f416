"""The score of a plan by parts, in points (`score`; F20)."""

from __future__ import annotations

from collections.abc import Mapping

from platerota_shared.plan import Quality, Score, ScoreParts
from platerota_solver.describe.book import PlanBook

_HOUR = 3_600
_PROOF_TOLERANCE = 1e-6


def score_parts(book: PlanBook, finishes: Mapping[str, int]) -> ScoreParts:
    """The points by part, where `finishes` gives the finish of each placed order (UTC seconds).

    late_hour, finish_hour: rate × weight × hours; overtime_hour: rate × hours worked where only overtime shifts cover;
    setup: rate × setup tasks; makespan_hour: rate × hours from `now` to the last finish; unplaced_order: rate × weight.
    A first plan moves nothing, so moved_task is 0 here.
    """
    now, rates = book.request.now, book.request.settings.score
    placed = [(order, finishes[order.id]) for order in book.request.orders if order.id in finishes]
    overtime = sum(
        book.presence[operator].overtime_seconds(book.tasks[index]) for operator, own in book.by_operator.items() for index in own
    )
    return ScoreParts(
        late_hour=rates.late_hour * sum(order.weight * max(0, finish - order.due) for order, finish in placed) / _HOUR,
        finish_hour=rates.finish_hour * sum(order.weight * (finish - now) for order, finish in placed) / _HOUR,
        overtime_hour=rates.overtime_hour * overtime / _HOUR,
        setup=rates.setup * sum(task.kind == "setup" for task in book.tasks),
        makespan_hour=rates.makespan_hour * max((finish - now for _, finish in placed), default=0) / _HOUR,
        unplaced_order=rates.unplaced_order * sum(order.weight for order in book.request.orders if order.id not in finishes),
    )


def proved(parts: ScoreParts, bound: float, quality: Quality) -> tuple[Score, Quality]:
    """The score with its bound, and the quality it may claim.

    The bound is kept between 0 and the total. A plan that was found `optimal` keeps that word only where the bound meets the
    total; a difference of one part in a million is the rounding of the search, not a gap. Any other plan has the word where
    the bound is the total: none has fewer points, however it was found. (A bound far above a plan proves nothing but a fault.)
    """
    total = parts.total()
    rounding = _PROOF_TOLERANCE * max(1.0, total)
    optimal = bound >= total - rounding if quality == "optimal" else abs(bound - total) <= rounding
    kept = total if optimal else min(max(bound, 0.0), total)
    score = Score(total=total, bound=kept, gap=(total - kept) / total if total else 0.0, parts=parts)
    return score, "optimal" if optimal else "feasible"
