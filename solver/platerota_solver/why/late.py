"""One sentence for each late order: what its time went into, and what kind of thing would have to change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from platerota_shared.plan import Run, Task
from platerota_shared.tables import PlanRequest
from platerota_solver.describe.book import PlanBook, open_book
from platerota_solver.problem import Problem, build_problem
from platerota_solver.why.trials import Trial
from platerota_solver.why.waits import Wait, summed
from platerota_solver.why.walk import Walker
from platerota_solver.why.words import ACT, able, hours, joined, moment

DETAILED = 50
"""Orders looked into one by one; of more, a plan says little by saying everything."""
NAMED = 3
"""Waits that a sentence names at most."""
SMALL = 0.1
"""A wait shorter than this share of all waiting is not named."""

_DOING = {
    "load": "loading", "unload": "unloading", "place": "placing", "pull": "pulling", "setup": "setting up", "cut": "cutting",
    "first_article": "checking", "bench": "doing bench work on", "build": "building",
}


def order_waits(request: PlanRequest, runs: Sequence[Run], tasks: Sequence[Task], order: str) -> list[Wait]:
    """What the time of one placed order went into, from `now` to its finish, by start; the seconds sum to exactly that."""
    return Walker(open_book(request, runs, tasks, ())).waits(order)


def late_reasons(
    request: PlanRequest, runs: Sequence[Run], tasks: Sequence[Task], late: Sequence[str], *, problem: Problem | None = None,
) -> dict[str, str]:
    """Why each late order is late, in one sentence: the biggest waits on the way to its finish and what would have to change.

    Parameters
    ----------
    request, runs, tasks
        The plan.
    late
        Ids of placed orders that finish after their due date; the first :data:`DETAILED` are also tried alone in the shop.
    problem
        The request as arrays, where the caller has them already.

    Returns
    -------
    dict
        Order id -> sentence.
    """
    if not late:
        return {}
    walker = Walker(open_book(request, runs, tasks, ()))
    known = problem if problem is not None else build_problem(request)
    trial, number = Trial(known), {order.id: row for row, order in enumerate(request.orders)}
    reasons: dict[str, str] = {}
    for place, order in enumerate(late):
        alone = trial.finish(number[order]) if place < DETAILED else None
        reasons[order] = _Sentence(walker.book, order, walker.waits(order)).text(alone)
    return reasons


@dataclass
class _Sentence:
    """The words for one late order."""

    book: PlanBook
    order: str
    waits: Sequence[Wait]

    def text(self, alone: int | None) -> str:
        """The sentence; `alone` is the finish in the empty shop, seconds from `now`, None where it is not known."""
        request, order = self.book.request, self.book.orders[self.order]
        sums = summed([wait for wait in self.waits if wait.cause != "work"])
        total = sum(wait.seconds for wait in sums)
        named = [wait for wait in sums[:NAMED] if wait.seconds >= SMALL * total]
        own = sum(wait.seconds for wait in self.waits if wait.cause == "work")
        phrases = joined([self._phrase(wait) for wait in named])
        remedy = f"; {joined_or([self._remedy(wait) for wait in named[:2]])} would help" if named else ""
        if order.due < request.now:
            opening = f"it was due {moment(request, order.due)}, before this plan begins"
        elif alone is not None and request.now + alone > order.due:
            left = hours(order.due - request.now)
            opening = f"even alone in the empty shop it needs {hours(alone)}, and it is due in {left} ({moment(request, order.due)})"
        else:
            opening = f"besides {hours(own)} of work on its last op" if own else "before its finish"
            return f"{opening} it waited {phrases}{remedy}"
        return f"{opening}; here it waited {phrases}{remedy}" if named else f"{opening}; its own work takes {hours(own)}"

    def _phrase(self, wait: Wait) -> str:
        return f"{hours(wait.seconds)} {self._cause(wait)}"

    def _cause(self, wait: Wait) -> str:
        request, name, until = self.book.request, wait.resource, moment(self.book.request, wait.end)
        match wait.cause:
            case "plate":
                return f"for plate {name}, {self._plates(name)}{self._with(wait)} until {until}"
            case "machine":
                return f"for {name} ({self._doing(wait)} until {until})"
            case "operator":
                return f"for {self._person(wait)} ({self._doing(wait)} until {until})"
            case "nobody":
                return f"with {self._nobody(wait)} on shift, as from {moment(request, wait.start)} to {until}"
            case "break":
                return f"over breaks of {name}"
            case "unattended":
                return f"for a time in which {name} may cut under its unattended limit, as until {until}"
            case "material":
                return f"for material (release of {name} {until})"
            case "op_before":
                return f"for pieces of {name}, the last until {until}" if name.startswith("op ") else f"for pieces of order {name} until {until}"
            case "after":
                return f"after {name} (cooling or an outside process)"
            case "first_article":
                return f"for the first article of {name} until {until}"
            case "setup":
                return f"for setups on {name}"
            case "build":
                return f"for the build on plate {name} until {until}"
            case "closure":
                return f"for {name}, closed until {until}"
            case "turn" | "work":
                return f"for its turn behind orders that cost more, until {until}"

    def _remedy(self, wait: Wait) -> str:
        name = wait.resource
        match wait.cause:
            case "plate":
                return f"another plate with fixture {self.book.plates[name].fixture}"
            case "machine":
                return f"more time on {name} or another mill that takes the plate"
            case "operator":
                return f"somebody beside {name} at that time"
            case "nobody":
                return f"a longer or further shift of {name.replace(', ', ' or ')}"
            case "break":
                return "breaks taken in turns"
            case "unattended":
                return f"a longer unattended limit of {name} or somebody there at night"
            case "material":
                return "earlier material"
            case "op_before":
                return f"an earlier start or more nests for {name}" if name.startswith("op ") else f"a plate not shared with order {name}"
            case "after":
                return f"a shorter wait after {name}"
            case "first_article":
                return "a quicker first article"
            case "setup":
                return f"fewer changes of fixture on {name}"
            case "build":
                return "a build done earlier"
            case "closure":
                return f"{name} open in that time"
            case "turn" | "work":
                return "a higher weight"

    def _plates(self, name: str) -> str:
        fixture = self.book.plates[name].fixture
        alike = sum(row.fixture == fixture for row in self.book.request.shop.plates)
        return f"the only one with fixture {fixture}, " if fixture is not None and alike == 1 else ""

    def _with(self, wait: Wait) -> str:
        task = next((task for task in self.book.tasks if task.id == wait.task), None)
        if task is None or task.run is None:
            return "taken"
        return f"still with run {task.run}{self._whose(task)}"

    def _doing(self, wait: Wait) -> str:
        task = next((task for task in self.book.tasks if task.id == wait.task), None)
        if task is None:
            return "busy"
        verb = _DOING[task.kind]
        return f"{verb} {task.run}{self._whose(task)}" if task.run is not None else f"{verb} fixture {task.fixture} on plate {task.plate}"

    def _whose(self, task: Task) -> str:
        run = next((run for run in self.book.runs if run.id == task.run), None)
        names = sorted({held.order for held in run.pieces}) if run is not None else []
        return f" for order {joined(names)}" if names and names != [self.order] else ""

    def _person(self, wait: Wait) -> str:
        only = able(self.book.request, wait.skill) == [wait.resource]
        return f"{wait.resource}, the only one who can {ACT[wait.skill]}," if only and wait.skill else wait.resource

    def _nobody(self, wait: Wait) -> str:
        names, everybody = able(self.book.request, wait.skill), len(self.book.request.shop.operators)
        if len(names) == 1:
            return f"{self._person(wait)} not" if everybody > 1 else f"{wait.resource} not"
        return f"nobody ({wait.resource})" if len(names) == everybody else f"nobody who can {ACT[wait.skill]} ({wait.resource})"


def joined_or(phrases: Sequence[str]) -> str:
    """Phrases of which one is enough: ``a, or b``."""
    return ", or ".join(dict.fromkeys(phrases))
