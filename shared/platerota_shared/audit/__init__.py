"""The audit: every rule of the floor, checked on a plan before anybody sees it.

It is written from the rules alone and shares no scheduling code with what makes plans; each file holds one group of
rules and yields a :class:`Finding` for every fault.
"""

from __future__ import annotations

from platerota_shared.audit import (
    articles,
    course,
    durations,
    fit,
    floats,
    kpis,
    lanes,
    limits,
    machines,
    people,
    pieces,
    plates,
    results,
    score,
    setups,
    structure,
    windows,
)
from platerota_shared.audit.book import Book
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.sequence import Sequence
from platerota_shared.audit.stock import stocks
from platerota_shared.plan import Plan
from platerota_shared.tables import PlanRequest

__all__ = ["Finding", "audit"]


def audit(request: PlanRequest, plan: Plan, base: Plan | None = None) -> list[Finding]:
    """Every fault of a plan; an empty list says that it is valid.

    Where the plan replans another one, that one is `base`: the score counts the tasks moved against it.

    A document with unknown ids or missing fields is only told so. Load windows and floats mean something in a valid plan
    only, so they are checked where no rule F1 to F19 is broken and the lanes hold.
    """
    unsound = list(structure.unsound(request, plan))
    if unsound:
        return unsound
    book = Book(request, plan, base)
    flows = stocks(book)
    found: list[Finding] = []
    for rules in (structure, course, durations, plates, fit, machines, setups, limits, people, articles, results, lanes):
        found.extend(rules.faults(book))
    found.extend(pieces.faults(book, flows))
    valid = not found
    found.extend(score.faults(book))
    found.extend(kpis.faults(book))
    if valid:
        sequence = Sequence(book, flows)
        found.extend(windows.faults(book, sequence, flows))
        found.extend(floats.faults(book, sequence))
    return found
