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

__all__ = ["Finding", "audit", "could_be_worked"]

_WORK = (structure, course, durations, plates, fit, machines, setups, limits, people, articles)
"""What tasks must keep for themselves, whatever the plan says of its results."""


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
    for rules in (*_WORK, results, lanes):
        found.extend(rules.faults(book))
    found.extend(pieces.faults(book, flows))
    valid = not found
    found.extend(score.faults(book))
    found.extend(kpis.faults(book))
    if valid:
        sequence = Sequence(book, flows)
        circle = list(sequence.faults())
        if circle:
            return [*found, *circle]
        found.extend(windows.faults(book, sequence, flows))
        found.extend(floats.faults(book, sequence))
    return found


def could_be_worked(request: PlanRequest, plan: Plan) -> bool:
    """Whether the tasks of a plan keep rules F1 to F18 in another week than they were planned for.

    What the plan says of its results, its lanes and its figures is not looked at: these are the other week's.
    """
    if any(structure.unsound(request, plan)):
        return False
    book = Book(request, plan)
    return not any(any(rules.faults(book)) for rules in _WORK) and not any(pieces.faults(book, stocks(book)))
