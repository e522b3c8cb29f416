"""The plan's own tasks as time that is taken: which resource an order that fits alone cannot get beside the others."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from platerota_shared.calendars import Span, merge, subtract
from platerota_shared.plan import Run, Task
from platerota_solver.describe.book import open_book
from platerota_solver.describe.chains import CHAIN
from platerota_solver.describe.presence import parts
from platerota_solver.problem import SKILLS, Problem
from platerota_solver.why.needs import Needs
from platerota_solver.why.trials import Trial, as_spans, seconds_from, spans_of, with_spans


@dataclass(frozen=True, slots=True)
class Bottleneck:
    """Resources of one kind (ids), seconds of them taken and open from the order's release to the horizon's end.

    `skill` is set for people; `finish` (seconds from `now`) is what the order reaches in the rest of the plan with these resources
    free, None where that cannot be told: builds in the plan, or setups between its runs. `also` are more resources that must be free at
    the same time.
    """

    names: tuple[str, ...]
    taken: int
    open: int
    finish: int | None = None
    skill: str = ""
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Group:
    names: tuple[str, ...]
    counted: tuple[int, ...]  # calendar lists whose hours are compared
    freed: tuple[int, ...]  # calendar lists given back
    skill: str = ""


class Crowd:
    """A plan taken out of the calendars. Runs under way stay out of it: the kernel books those itself.

    A machine with several positions keeps its table free here, so a full table is found as a busy spindle or not at all.
    """

    def __init__(self, problem: Problem, runs: Sequence[Run], tasks: Sequence[Task]) -> None:
        self._whole = problem
        taken: dict[int, list[Span]] = defaultdict(list)
        for number, span in _bookings(problem, runs, tasks):
            taken[number].append((span[0] - problem.request.now, span[1] - problem.request.now))
        left = {number: subtract(_rows(problem, number), merge(spans)) for number, spans in taken.items()}
        self._rest = with_spans(problem, {number: as_spans(spans) for number, spans in left.items()})

    def bottleneck(self, needs: Needs) -> Bottleneck:
        """The most loaded resource that alone would let the order finish, else a few of which none can be left out.

        Those few are what is left of all it needs when the least loaded that can stay taken are struck out one by one (the deletion
        filter of Chinneck & Dravnieks 1991, ORSA Journal on Computing 3:157–168, cited from memory).
        """
        groups = sorted(_groups(self._whole, needs), key=lambda group: -self._share(group, needs))
        if Trial(self._rest).finish(needs.row) is None:
            for one in groups:
                if (finish := self._freed(needs, [one])) is not None:
                    return self._counted(one, needs, finish)
            few, finish = self._fewest(needs, groups)
            if finish is not None:
                return replace(self._counted(few[0], needs, finish), also=tuple(name for group in few[1:] for name in group.names))
        return self._counted(groups[0], needs, None)

    def _fewest(self, needs: Needs, groups: Sequence[_Group]) -> tuple[list[_Group], int | None]:
        """An irreducible choice of resources (the most loaded first) that let the order finish, and when; None where all do not do."""
        few, finish = list(groups), self._freed(needs, groups)
        for one in reversed(groups) if finish is not None else ():
            without = [group for group in few if group is not one]
            if (reached := self._freed(needs, without)) is not None:
                few, finish = without, reached
        return few, finish

    def _freed(self, needs: Needs, groups: Sequence[_Group]) -> int | None:
        """The order's finish in the rest of the plan with these resources free."""
        numbers = [number for group in groups for number in group.freed]
        return Trial(with_spans(self._rest, {number: spans_of(self._whole, number) for number in numbers})).finish(needs.row)

    def _counted(self, group: _Group, needs: Needs, finish: int | None) -> Bottleneck:
        whole, rest = self._hours(group, needs)
        return Bottleneck(group.names, whole - rest, whole, finish, group.skill)

    def _share(self, group: _Group, needs: Needs) -> float:
        whole, rest = self._hours(group, needs)
        return (whole - rest) / max(1, whole)

    def _hours(self, group: _Group, needs: Needs) -> tuple[int, int]:
        whole, rest = (sum(seconds_from(needs.release, spans_of(one, n)) for n in group.counted) for one in (self._whole, self._rest))
        return whole, rest


def _groups(problem: Problem, needs: Needs) -> Iterator[_Group]:
    """Machines, plates, and people by kind of hand work; the same people once."""
    p, shop = problem.arrays, problem.request.shop
    spindles = tuple(int(p.l_spindle[m]) for m in needs.machines)
    yield _Group(needs.machine_ids, spindles, (*spindles, *(int(t[m]) for m in needs.machines for t in (p.l_station, p.l_table))))
    held = tuple(int(p.l_plate[plate]) for plate in needs.plates)
    yield _Group(needs.plate_ids, held, held)
    seen: set[tuple[int, ...]] = set()
    for kind in needs.kinds():
        rows = tuple(int(u) for u in np.flatnonzero(p.can[kind]))
        if rows and rows not in seen:
            seen.add(rows)
            regular, overtime = (tuple(int(table[u]) for u in rows) for table in (p.l_operator, p.l_overtime))
            yield _Group(tuple(shop.operators[u].id for u in rows), regular, (*regular, *overtime), SKILLS[kind])


def _rows(problem: Problem, number: int) -> list[Span]:
    return [(int(a), int(b)) for a, b in spans_of(problem, number)]


def _bookings(problem: Problem, runs: Sequence[Run], tasks: Sequence[Task]) -> Iterator[tuple[int, Span]]:
    """The calendar lists that the plan's tasks take, with the span (UTC seconds), those of runs under way left out."""
    p, shop = problem.arrays, problem.request.shop
    book = open_book(problem.request, runs, tasks, ())
    operator = {row.id: number for number, row in enumerate(shop.operators)}
    machine = {row.id: number for number, row in enumerate(shop.machines)}
    plate = {row.id: number for number, row in enumerate(shop.plates)}
    fresh = {run.id for run in runs if "load" in book.of_run[run.id]}
    for task in tasks:
        if task.run not in fresh and task.kind != "build":
            continue
        if task.operator is not None:
            row = operator[task.operator]
            yield from ((int(table[row]), span) for span in parts(task) for table in (p.l_operator, p.l_overtime))
        if task.kind == "build":
            yield int(p.l_plate[plate[task.plate or ""]]), (task.start, task.end)
        if task.machine is not None:
            row = machine[task.machine]
            lists = p.l_station if task.kind in ("place", "pull") else p.l_spindle
            yield int(lists[row]), (task.start, task.end + (int(p.m_exchange[row]) if task.kind == "cut" else 0))
    for run in runs:
        if run.id not in fresh:
            continue
        trip = {kind: book.tasks[index] for kind, index in book.of_run[run.id].items() if kind in CHAIN}
        yield int(p.l_plate[plate[run.plate]]), (trip["load"].start, trip["unload"].end)
        if run.machine is not None and "place" in trip and p.m_places[machine[run.machine]] == 1:
            yield int(p.l_table[machine[run.machine]]), (trip["place"].start, trip["pull"].end)

