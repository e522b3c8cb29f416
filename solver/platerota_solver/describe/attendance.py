"""Attended time, and the spans in which a machine may not cut because nobody is there (F9)."""

from __future__ import annotations

from collections.abc import Sequence

from platerota_shared.calendars import Span, attended_spans, merge, subtract
from platerota_shared.tables import Machine
from platerota_solver.describe.book import PlanBook


def attended(book: PlanBook) -> list[Span]:
    """Attended time of the plan from before `now` to the horizon's end; an overtime shift counts where it is used.

    It reaches back by the longest unattended limit, so that a stretch begun before `now` is seen whole or is over its limit.
    """
    request = book.request
    back = max((machine.unattended_minutes or 0 for machine in request.shop.machines), default=0) * 60
    used = [day for presence in book.presence.values() for day in presence.used]
    return attended_spans(request.shop, request.now - back, request.horizon_end, used)


def forbidden(book: PlanBook, machine: Machine, there: Sequence[Span]) -> list[Span]:
    """Where `machine` may not cut: past its limit in every unattended stretch; `there` is :func:`attended`."""
    if machine.unattended_minutes is None:
        return []
    limit = machine.unattended_minutes * 60
    # A stretch that began before that is over its limit at `now`, however long ago it began.
    away = subtract([(book.request.now - limit, book.request.horizon_end)], there)
    return merge((start + limit, end) for start, end in away)
