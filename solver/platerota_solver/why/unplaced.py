"""One sentence for each order that is not placed: what stands in the way, and what it would reach without that."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from platerota_shared.faults import listed
from platerota_shared.plan import Run, Task
from platerota_shared.tables import PlanRequest
from platerota_solver.problem import Problem
from platerota_solver.why.late import DETAILED
from platerota_solver.why.obstacles import Obstacle, Obstacles
from platerota_solver.why.words import ACT, hours, moment, people


def unplaced_reasons(problem: Problem, runs: Sequence[Run], tasks: Sequence[Task], unplaced: Sequence[str]) -> dict[str, str]:
    """Which resource keeps each order from finishing within the horizon, in one sentence.

    Parameters
    ----------
    problem
        The request as arrays.
    runs, tasks
        The plan without those orders.
    unplaced
        Their ids; the first :data:`DETAILED` are looked into, each verified by decoding it again; the others are told so.

    Returns
    -------
    dict
        Order id -> sentence.
    """
    obstacles = Obstacles(problem, runs, tasks)
    request = problem.request
    reasons = {order: unplaced_sentence(request, order, obstacles.of(order)) for order in unplaced[:DETAILED]}
    short = (
        f"does not fit before the horizon ends ({moment(request, request.horizon_end)}); only the first {DETAILED} such orders are looked "
        "into, see those"
    )
    return reasons | dict.fromkeys(unplaced[DETAILED:], short)


def unplaced_sentence(request: PlanRequest, order: str, obstacle: Obstacle) -> str:
    """The sentence for one obstacle of order id `order`."""
    end = moment(request, request.horizon_end)
    cannot = f"cannot be finished before the horizon ends ({end})"
    if obstacle.stuck:
        cannot = f"a run of it that is under way {cannot.replace('finished', 'ended')}"
    if obstacle.cause == "crowded":
        beside = "found no place" if obstacle.finish is None else "not"
        cannot = f"fits alone but {beside} beside the other orders before the horizon ends ({end})"
    then = f"; without that it would finish {moment(request, obstacle.finish)}" if obstacle.finish is not None else ""
    return f"{cannot}: {_CAUSES[obstacle.cause](request, obstacle)}{then}"


def _material(request: PlanRequest, obstacle: Obstacle) -> str:
    release = next(row.release for row in request.orders if row.id == obstacle.resources[0])
    return f"its material comes {moment(request, release)}" if release is not None else "its material comes too late"


def _closure(request: PlanRequest, obstacle: Obstacle) -> str:
    """A person is away, not closed; the hours of several are added up."""
    names = listed([name or "the whole shop" for name in obstacle.resources])
    people = {operator.id for operator in request.shop.operators} & set(obstacle.resources)
    state = "closed" if not people else "away" if len(people) == len(obstacle.resources) else "closed or away"
    several = len(obstacle.resources) > 1
    return f"{names} {'are' if several else 'is'} {state} for {hours(obstacle.needed)}{' altogether' if several else ''} in that time"


def _unattended(request: PlanRequest, obstacle: Obstacle) -> str:
    names = listed(obstacle.resources)
    if obstacle.needed > obstacle.available:
        window = hours(obstacle.available)
        return f"a cut of {hours(obstacle.needed)} on {names} is longer than any time in which it may run there, people or not ({window})"
    return f"the unattended limit of {names} leaves too little time for its cuts of up to {hours(obstacle.needed)}"


def _skill(request: PlanRequest, obstacle: Obstacle) -> str:
    act = ACT[obstacle.skill]
    if obstacle.available == 0:
        return f"nobody who can {act} works in that time ({listed(obstacle.resources)})"
    who = people(request, obstacle.skill)
    if obstacle.needed > obstacle.available:
        work = "work" if obstacle.skill in ("bench", "build") else "unbroken work"
        return f"it needs {hours(obstacle.needed)} of {work} by somebody who can {act}; {who}, has {hours(obstacle.available)} at most"
    return f"{who}, {'is' if len(obstacle.resources) == 1 else 'are'} not there enough"


def _plate(request: PlanRequest, obstacle: Obstacle) -> str:
    only = "is the only plate" if len(obstacle.resources) == 1 else "are the only plates"
    return f"{listed(obstacle.resources)} {only} for it, and load, cut and unload take turns on it"


def _machine(request: PlanRequest, obstacle: Obstacle) -> str:
    only = "is the only machine" if len(obstacle.resources) == 1 else "are the only machines"
    return f"{listed(obstacle.resources)} {only} for it; it needs {hours(obstacle.needed)} of cutting of {hours(obstacle.available)} there"


def _people(request: PlanRequest, obstacle: Obstacle) -> str:
    return f"operators ({listed(obstacle.resources)}) are not there enough for its loads, exchanges and other hand work"


def _horizon(request: PlanRequest, obstacle: Obstacle) -> str:
    return f"the horizon is too short for its ops one after the other (cuts of {hours(obstacle.needed)} on {listed(obstacle.resources)})"


def _several(request: PlanRequest, obstacle: Obstacle) -> str:
    names = listed(obstacle.resources)
    return f"no single change would do; it needs {hours(obstacle.needed)} of cutting, {names} may cut {hours(obstacle.available)}"


def _crowded(request: PlanRequest, obstacle: Obstacle) -> str:
    who = people(request, obstacle.skill) + "," if obstacle.skill else listed(obstacle.resources)
    alike = "is" if len(obstacle.resources) == 1 else "are"
    share = f"{who} {alike} taken for {hours(obstacle.needed)} of {hours(obstacle.available)}"
    if obstacle.finish is None:
        return f"{share}, the most loaded of what it needs"
    return f"{share}, and {listed(obstacle.also)} at the same time" if obstacle.also else share


_CAUSES: Final[dict[str, Callable[[PlanRequest, Obstacle], str]]] = {
    "material": _material, "closure": _closure, "unattended": _unattended, "skill": _skill, "plate": _plate, "machine": _machine,
    "people": _people, "horizon": _horizon, "several": _several, "crowded": _crowded,
}
