"""The levers worth solving for a plan: every kind there is, those that promise most first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator
from datetime import datetime, timedelta
from math import ceil
from typing import Final

from platerota_shared.instants import local_text
from platerota_shared.levers.fixtures import machines, nests
from platerota_shared.levers.lever import KINDS, FoundKind, Lever, spoken
from platerota_shared.levers.people import helpers, stays
from platerota_shared.levers.plates import copies
from platerota_shared.levers.week import Week
from platerota_shared.plan import Plan
from platerota_shared.tables import PlanRequest

MOST_LEVERS: Final = 20
"""The most levers of one question."""
KIND_SHARE: Final = 1 / 4
"""The share of a list that one kind takes at first, so that twenty late orders do not leave twenty due dates and nothing else."""


def levers_of(request: PlanRequest, plan: Plan, limit: int = MOST_LEVERS, kinds: Collection[FoundKind] = KINDS) -> list[Lever]:
    """The single changes that might help a plan most.

    Parameters
    ----------
    request, plan
        A request, and a plan for it that the audit passed.
    limit
        How many at most; 1 to :data:`MOST_LEVERS`.
    kinds
        The kinds that are looked for.

    Returns
    -------
    list
        By promise, the highest first: plates that orders queue for, hands that work waits for, machines that stand while a fixture
        may not run on them, fixtures that are filled more often than need be, dates that are missed. Empty where nothing is left to
        do, or nothing waits for anything.
    """
    week = Week(request, plan)
    found = [lever for kind in KINDS if kind in kinds for lever in _FINDERS[kind](week)]
    return _chosen(sorted(found, key=lambda lever: -lever.promise), limit)


def later_dates(week: Week) -> Iterator[Lever]:
    """For each late order its due date a day later, by the local clock."""
    for stake in week.stakes:
        if stake.placed and stake.late:
            zone = week.request.shop.zone
            due = datetime.fromtimestamp(stake.order.due, zone)
            later = (due.replace(tzinfo=None) + timedelta(days=1)).replace(tzinfo=zone)
            moved = int(later.timestamp())
            promise = stake.order.weight * week.request.settings.score.late_hour * min(stake.late, moved - stake.order.due) / 3_600
            if promise > 0:
                change = {"kind": "change_order", "order": stake.order.id, "due": local_text(moved, zone)}
                words = f"order {stake.order.id} due a day later, {spoken(later)} {later:%H:%M}"
                yield Lever("due", words, (change,), promise)


def _chosen(levers: list[Lever], limit: int) -> list[Lever]:
    """The first `limit` of sorted levers, no kind with more than its share unless places are left; in their order."""
    share = ceil(limit * KIND_SHARE)
    counts: Counter[str] = Counter()
    first: set[int] = set()
    for place, lever in enumerate(levers):
        if counts[lever.kind] < share and len(first) < limit:
            counts[lever.kind] += 1
            first.add(place)
    rest = [place for place in range(len(levers)) if place not in first][: limit - len(first)]
    return [levers[place] for place in sorted({*first, *rest})]


_FINDERS: Final[dict[FoundKind, Callable[[Week], Iterator[Lever]]]] = {
    "plate": copies, "operator": helpers, "shift": stays, "machine": machines, "nests": nests, "due": later_dates,
}
