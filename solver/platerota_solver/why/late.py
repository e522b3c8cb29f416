"""One sentence for each late order: what its time went into, and what kind of thing would have to change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from platerota_shared.plan import Run, Task
from platerota_shared.tables import PlanRequest
from platerota_solver.bounds.profiles import bounding_shop
from platerota_solver.describe.book import PlanBook, open_book
from platerota_solver.problem import Problem, build_problem
from platerota_solver.why.trials import Trial, closed_resource
from platerota_solver.why.waits import Wait, summed
from platerota_solver.why.walk import Walker
from platerota_solver.why.words import ACT, able, at_least, hours, joined, moment

DETAILED = 50
"""Orders looked into one by one; of more, a plan says little by saying everything."""
NAMED = 3
"""Waits that a sentence names at most."""
SMALL = 0.1
"""A wait shorter than this share of all waiting is not named."""

_SAID: dict[str, tuple[str, str]] = {
    "plate": ("for plate {name}, {only}{held}{until}", "another plate {like}"),
    "machine": ("for {name} ({held}{until})", "more time on {name} or another mill that takes the plate"),
    "operator": ("for {person} ({held}{until})", "somebody beside {name} at that time"),
    "nobody": ("with {nobody} on shift, from {start} {until}", "a longer or further shift of {crew}"),
    "break": ("over breaks of {name}", "breaks taken in turns"),
    "unattended": (
        "because a cut on {name} begun after {start} would have run past its unattended limit",
        "a longer unattended limit of {name} or somebody there at night",
    ),
    "material": ("for material (release of {name} {end})", "earlier material"),
    "op_before": ("for pieces of {name}, {until}", "an earlier start or more nests for {name}"),
    "pieces": ("for pieces of order {name} in the same run, {until}", "a run not shared with order {name}"),
    "after": ("after {name} (cooling or an outside process)", "a shorter wait after {name}"),
    "first_article": ("for the first article of {name}, {until}", "a quicker first article of {name}"),
    "setup": ("for setups on {name}", "fewer changes of fixture on {name}"),
    "build": ("for the build on plate {name}, {until}", "an earlier build"),
    "closure": ("for {name}, closed until {end}", "{name} open in that time"),
    "turn": ("for its turn behind other runs, {until}", "a higher weight"),
}
"""By cause what follows the hours of a wait, and what it would take to shorten it; `pieces` is `op_before` of another order."""

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
    trial, least = Trial(known), bounding_shop(known).earliest
    number = {order.id: row for row, order in enumerate(request.orders)}
    by_id = {task.id: task for task in tasks}
    holders = {run.id: sorted({held.order for held in run.pieces}) for run in runs}
    reasons: dict[str, str] = {}
    for place, order in enumerate(late):
        row = number[order]
        alone = trial.finish(row) if place < DETAILED else None
        reasons[order] = _Sentence(walker.book, order, walker.waits(order), by_id, holders).text(float(least[row]), alone)
    return reasons


@dataclass
class _Sentence:
    """The words for one late order."""

    book: PlanBook
    order: str
    waits: Sequence[Wait]
    tasks: Mapping[str, Task]
    holders: Mapping[str, list[str]]

    def text(self, least: float, alone: int | None) -> str:
        """The sentence.

        Parameters
        ----------
        least
            What no finish can be before, seconds from `now`.
        alone
            A finish found in the empty shop, seconds from `now`; None where none is known.
        """
        request, order = self.book.request, self.book.orders[self.order]
        sums = summed([wait for wait in self.waits if wait.cause != "work"])
        total = sum(wait.seconds for wait in sums)
        named = [wait for wait in sums[:NAMED] if wait.seconds >= SMALL * total]
        own = sum(wait.seconds for wait in self.waits if wait.cause == "work")
        phrases = joined([self._phrase(wait) for wait in named])
        remedy = f"; to finish sooner it would take {_either([self._remedy(wait) for wait in named[:2]])}"
        left = order.due - request.now
        due = f"it is due {f'in {hours(left)}' if left else 'at once'} ({moment(request, order.due)})"
        if left < 0:
            opening = f"it was due {moment(request, order.due)}, before this plan begins"
        elif least > left:
            opening = f"even alone in the empty shop it needs at least {at_least(int(least))}, and {due}"
        elif alone is not None and alone > left:
            # Found by placing each run greedily, which says nothing of what else could be: the plan itself may do better.
            opening = f"even alone in the empty shop no finish in less than {at_least(min(alone, own + total))} was found, and {due}"
        else:
            opening = f"{hours(own + total)} to its finish"
            return f"of the {opening} it waited {phrases}{remedy}" if named else f"it takes {opening}, all of it work on its last op"
        return f"{opening}; beside the others it waited {phrases}{remedy}" if named else f"{opening}; its own work takes {hours(own)}"

    def _phrase(self, wait: Wait) -> str:
        return f"{hours(wait.seconds)} {_SAID[_kind(wait)][0].format_map(self._facts(wait))}"

    def _remedy(self, wait: Wait) -> str:
        return _SAID[_kind(wait)][1].format_map(self._facts(wait))

    def _facts(self, wait: Wait) -> dict[str, str]:
        """What the templates of `_SAID` may name; of several stretches that are one sum the longest."""
        request, name = self.book.request, wait.resource
        end = moment(request, self._end(wait))
        plate = self.book.plates.get(name)
        return {
            "name": name, "end": end, "start": moment(request, wait.start), "held": self._held(wait), "person": self._person(wait),
            "until": f"at the longest until {end}" if wait.seconds > wait.end - wait.start else f"until {end}",
            "nobody": self._nobody(wait), "crew": name.replace(", ", " or "), "only": self._plates(name) if plate is not None else "",
            "like": f"with fixture {plate.fixture}" if plate is not None and plate.fixture is not None else f"like {name}",
        }

    def _end(self, wait: Wait) -> int:
        """When the resource was free: a load put off for its machine waited only until it could be done just before that."""
        task = self.tasks.get(wait.task or "")
        ends = [task.end] if task is not None else []
        if wait.cause == "closure":
            closures = self.book.request.shop.closures
            ends = [row.end for row in closures if closed_resource(row) in ("", wait.resource) and row.end >= wait.end]
        return max(wait.end, min(ends, default=wait.end))

    def _plates(self, name: str) -> str:
        fixture = self.book.plates[name].fixture
        alike = sum(row.fixture == fixture for row in self.book.request.shop.plates)
        return f"the only one with fixture {fixture}, " if fixture is not None and alike == 1 else ""

    def _held(self, wait: Wait) -> str:
        """What the resource was taken with, to be followed by until when."""
        task = self.tasks.get(wait.task or "")
        if task is None:
            return "taken "
        if task.run is None:
            return f"{_DOING[task.kind]} fixture {task.fixture} on plate {task.plate} "
        verb = "still with run" if wait.cause == "plate" else f"last {_DOING[task.kind]}"
        return f"{verb} {task.run}{self._whose(task)} "

    def _whose(self, task: Task) -> str:
        names = self.holders.get(task.run or "", [])
        return f" for order {joined(names)}" if names != [self.order] else ""

    def _person(self, wait: Wait) -> str:
        only = able(self.book.request, wait.skill) == [wait.resource]
        return f"{wait.resource}, the only one who can {ACT[wait.skill]}," if only and wait.skill else wait.resource

    def _nobody(self, wait: Wait) -> str:
        if not wait.skill:
            return wait.resource
        names, everybody = able(self.book.request, wait.skill), len(self.book.request.shop.operators)
        if len(names) == 1:
            return f"{self._person(wait)} not" if everybody > 1 else f"{wait.resource} not"
        return f"nobody ({wait.resource})" if len(names) == everybody else f"nobody who can {ACT[wait.skill]} ({wait.resource})"


def _kind(wait: Wait) -> str:
    return "pieces" if wait.cause == "op_before" and not wait.resource.startswith("op ") else wait.cause


def _either(phrases: Sequence[str]) -> str:
    """Phrases of which one is enough: ``a, or b``."""
    return ", or ".join(dict.fromkeys(phrases))
