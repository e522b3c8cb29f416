"""What stands in the way of an order that is not placed, as facts, each verified by decoding the order again without it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

from platerota_shared.plan import Run, Task
from platerota_solver.problem import BENCH, BUILD, EXCHANGE, FIRST_ARTICLE, LOAD, SETUP, SKILLS, UNLOAD, Ints, Problem
from platerota_solver.why.crowd import Crowd
from platerota_solver.why.needs import Needs
from platerota_solver.why.trials import Change, Changes, Trial, closed_resource, spans_of

Obstruction = Literal["material", "closure", "unattended", "skill", "plate", "machine", "people", "horizon", "crowded", "several"]
"""What stands in the way: alone in the shop `material` (released too late), `closure`, `unattended` (the limit of its machines),
`skill` (people for one kind of hand work), `plate` or `machine` (too few of its own), `people` (hand work of several kinds),
`horizon` (nothing but more days would do), `several` things at once; `crowded`: it fits alone but not beside the others.
"""

_UNBROKEN: Final = (LOAD, UNLOAD, EXCHANGE, SETUP, FIRST_ARTICLE)


@dataclass(frozen=True, slots=True)
class Obstacle:
    """What keeps one order from finishing within the horizon.

    `resources` are ids (machines, plates, operators; what is closed, blank for the whole shop; the order for material), `skill` the
    kind of hand work. `needed` and `available` are seconds: for `skill` the longest unbroken work and the longest span of working time
    (0 where nobody works); for `unattended` the longest cut and the longest span in which it could run; for `plate` and `machine` cuts
    of the order and open time; for `closure` seconds closed; for `crowded` seconds taken and open. `finish` (UTC seconds) is what it
    would reach without the obstacle, as decoded; None where that was not tried or did not do. `stuck`: a run of it that is under way
    cannot end. `also`: resources that must be free too.
    """

    cause: Obstruction
    resources: tuple[str, ...]
    needed: int = 0
    available: int = 0
    finish: int | None = None
    skill: str = ""
    stuck: bool = False
    also: tuple[str, ...] = ()


class Obstacles:
    """Finds the obstacle of any order of a plan."""

    def __init__(self, problem: Problem, runs: Sequence[Run], tasks: Sequence[Task]) -> None:
        self._problem = problem
        self._alone = Trial(problem)
        self._changes = Changes(problem)
        self._plan = runs, tasks
        self._number = {order.id: row for row, order in enumerate(problem.request.orders)}

    @cached_property
    def _crowd(self) -> Crowd:
        return Crowd(self._problem, *self._plan)

    def of(self, order: str) -> Obstacle:
        """The obstacle of order id `order`: alone in the shop the first single change that makes it fit, else what the others take."""
        row = self._number[order]
        needs = Needs(self._problem, row)
        if self._alone.finish(row) is not None:
            found = self._crowd.bottleneck(needs)
            return Obstacle("crowded", found.names, found.taken, found.open, self._instant(found.finish), found.skill, also=found.also)
        stuck = self._alone.stuck(row)
        for change in self._changes.each([SKILLS[kind] for kind in needs.kinds()]):
            finish = change.trial.finish(row)
            if finish is not None:
                return self._described(needs, change, self._instant(finish), stuck)
        return Obstacle("several", needs.machine_ids, needs.cut_seconds, needs.open_seconds, stuck=stuck)

    def _instant(self, finish: int | None) -> int | None:
        return None if finish is None else self._problem.request.now + finish

    def _described(self, needs: Needs, change: Change, finish: int | None, stuck: bool) -> Obstacle:
        match change.kind:
            case "material":
                return Obstacle("material", (needs.order.id,), finish=finish, stuck=stuck)
            case "closure":
                return Obstacle("closure", change.resources, self._closed(change.resources), finish=finish, stuck=stuck)
            case "unattended":
                cut, window, machines = self._longest_cut(needs)
                return Obstacle("unattended", machines, cut, window, finish, stuck=stuck)
            case "skill":
                who, need, span = self._longest_work(needs, change.resources[0])
                return Obstacle("skill", who, need, span, finish, change.resources[0], stuck)
            case "plate":
                return Obstacle("plate", needs.plate_ids, needs.cut_seconds, needs.open_seconds, finish, stuck=stuck)
            case "machine":
                return Obstacle("machine", needs.machine_ids, needs.cut_seconds, needs.open_seconds, finish, stuck=stuck)
            case "people":
                return Obstacle("people", tuple(row.id for row in self._problem.request.shop.operators), finish=finish, stuck=stuck)
            case _:
                return Obstacle("horizon", needs.machine_ids, needs.cut_seconds, needs.open_seconds, finish, stuck=stuck)

    def _closed(self, names: tuple[str, ...]) -> int:
        request = self._problem.request
        rows = [row for row in request.shop.closures if closed_resource(row) in names]
        return sum(max(0, min(row.end, request.horizon_end) - max(row.start, request.now)) for row in rows)

    def _longest_cut(self, needs: Needs) -> tuple[int, int, tuple[str, ...]]:
        """The op whose shortest full cut exceeds its machines' longest allowed span most: cut, span, machines."""
        worst: tuple[int, int, tuple[str, ...]] | None = None
        for item in needs.items:
            cuts = [(cut, machine) for _, machine, cut in needs.cuts(item)]
            if not cuts:
                continue
            machines = sorted({machine for _, machine in cuts})
            spans = [_longest(spans_of(self._problem, int(self._problem.arrays.l_cut[machine]))) for machine in machines]
            found = (min(cuts)[0], max(spans), needs.machine_names(machines))
            if worst is None or found[0] - found[1] > worst[0] - worst[1]:
                worst = found
        return worst if worst is not None else (0, 0, needs.machine_ids)

    def _longest_work(self, needs: Needs, skill: str) -> tuple[tuple[str, ...], int, int]:
        """Who has the skill, the longest unbroken work of that kind that the order needs, and their longest span of working time."""
        p, operators = self._problem.arrays, self._problem.request.shop.operators
        number = SKILLS.index(skill)
        rows = [row for row in range(len(operators)) if p.can[number, row]]
        lists = [int(table[row]) for row in rows for table in (p.l_operator, p.l_overtime)]
        span = max((_longest(spans_of(self._problem, index)) for index in lists), default=0)
        need = needs.unbroken(number) if number in _UNBROKEN else 0
        if number in (BENCH, BUILD):
            span = max((int((spans[:, 1] - spans[:, 0]).sum()) for spans in (spans_of(self._problem, index) for index in lists)), default=0)
            need = needs.pausing(number)
        return tuple(operators[row].id for row in rows), need, span


def _longest(spans: Ints) -> int:
    return int((spans[:, 1] - spans[:, 0]).max()) if len(spans) else 0
