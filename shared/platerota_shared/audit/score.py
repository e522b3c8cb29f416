"""F20: the score recomputed from the tasks."""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.results import finish_times
from platerota_shared.moves import moved_tasks
from platerota_shared.plan import ScoreParts

_TOLERANCE = 1e-6


def faults(book: Book) -> Iterator[Finding]:
    """Parts, total, bound and gap that do not follow from the tasks."""
    score = book.plan.score
    wanted = parts(book)
    for name in ScoreParts.model_fields:
        stated, due = getattr(score.parts, name), getattr(wanted, name)
        if not _alike(stated, due):
            yield _fault(f"score part {name} is {due:g} points by the tasks, the plan says {stated:g}")
    if not _alike(score.total, wanted.total()):
        yield _fault(f"the score is {wanted.total():g} points by the tasks, the plan says {score.total:g}")
    if score.bound > score.total and not _alike(score.bound, score.total):
        yield _fault(f"the bound {score.bound:g} lies above the score {score.total:g}")
    if book.plan.quality == "optimal" and not _alike(score.bound, score.total):
        yield _fault("the plan is called optimal, but its bound is not its score")
    gap = (score.total - score.bound) / score.total if score.total else 0.0
    if not _alike(score.gap, gap):
        yield _fault(f"the gap is {gap:g}, the plan says {score.gap:g}")


def parts(book: Book) -> ScoreParts:
    """The points of every part of the score; `moved_task` is 0 where no plan is replanned."""
    rates = book.request.settings.score
    late = finish = unplaced = 0.0
    finishes = finish_times(book)
    for name, order in book.orders.items():
        if book.placed(name):
            late += order.weight * max(0, finishes[name] - order.due) / 3600
            finish += order.weight * (finishes[name] - book.now) / 3600
        else:
            unplaced += order.weight
    makespan = max((finishes[name] - book.now for name in book.orders if book.placed(name)), default=0)
    overtime = sum(book.hours[name].overtime_seconds(task) for name, tasks in book.by_operator.items() for task in tasks)
    return ScoreParts(
        late_hour=rates.late_hour * late,
        finish_hour=rates.finish_hour * finish,
        overtime_hour=rates.overtime_hour * overtime / 3600,
        setup=rates.setup * sum(task.kind == "setup" for task in book.plan.tasks),
        makespan_hour=rates.makespan_hour * makespan / 3600,
        moved_task=rates.moved_task * (len(moved_tasks(book.base, book.plan)) if book.base is not None else 0),
        unplaced_order=rates.unplaced_order * unplaced,
    )


def _alike(stated: float, wanted: float) -> bool:
    return abs(stated - wanted) <= _TOLERANCE * max(1.0, abs(stated), abs(wanted))


def _fault(detail: str) -> Finding:
    return Finding("F20", (), detail)
