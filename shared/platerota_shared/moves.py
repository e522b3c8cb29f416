"""Which tasks of a plan another plan keeps, moves, leaves out or adds: the one rule, for the score and for differences.

**The same task.** A task of the base and a task of the plan are *alike* when their kind, plate, machine and operator agree, and what
they work on: the pieces by order and op of the whole run for load, place, cut, pull and unload; order, op and pieces for
bench work; order and op for first articles; the fixture for setups and builds. Ids play no part, because runs are numbered
anew in each plan. Alike tasks are *the same* when their starts differ by less than 60 s; a frozen task starts at `now` by
rule F18, so it is compared with what was under way then, by their ends. Each task is paired once: of alike tasks by start
the earliest with the earliest that is near enough, which pairs the most.

**Moved, for the score.** Those tasks of the base count that start at or after the plan's `now`, are not frozen, and belong to a
run of which some order is in the plan; a build counts always. A counted task is moved when no task of the plan is the same.
Tasks that the plan adds do not count.

**What became of the others.** Runs are paired: those that share tasks, then those of one content on the same plate and machine, then
on the same fixture and machine, then on the same fixture, then anywhere, each time in the order of their cuts. Tasks of one
kind (and order and op) in paired runs are one task that moved; so are setups of one fixture and machine, first articles of
one order and op, and builds of one fixture, in the order of time. What is left is gone or new.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

from platerota_shared.plan import Plan, Run, Task

SAME_SECONDS: Final = 60
"""Starts that differ by less are the same."""

_FIELDS: Final = ("plate", "machine", "operator")
T = TypeVar("T")
Pair = tuple[Task, Task]


@dataclass(frozen=True, slots=True)
class Move:
    """A task of the base that the plan does not keep: `now_at` is what became of it, None where it is gone.

    `changed` names what differs: start (end, of a cut under way), plate, machine, operator; empty where it is gone.
    """

    task: Task
    now_at: Task | None
    changed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Matching:
    """Every task of two plans once: done before the plan begins, kept, moved, gone, new; each in the order of start, then id."""

    done: tuple[Task, ...]
    kept: tuple[Pair, ...]
    moved: tuple[Move, ...]
    gone: tuple[Task, ...]
    new: tuple[Task, ...]


def match(base: Plan, plan: Plan) -> Matching:
    """The tasks of two plans side by side; what the base has done before the plan's `now` is only listed."""
    before, after = _Side(base), _Side(plan)
    done = [task for task in base.tasks if task.end <= plan.now and task.start < plan.now]
    finished = {task.id for task in done}
    left = {task.id: task for task in base.tasks if task.id not in finished}
    fresh = {task.id: task for task in plan.tasks}

    def take(pairs: Iterable[Pair]) -> list[Pair]:
        found = list(pairs)
        for old, new in found:
            del left[old.id], fresh[new.id]
        return found

    under_way = [task for task in left.values() if task.frozen or task.start < plan.now]
    kept = take(_same(under_way, [task for task in plan.tasks if task.frozen], before, after, lambda task: task.end))
    free = [[task for task in side.values() if not task.frozen] for side in (left, fresh)]
    kept += take(_same(free[0], free[1], before, after, lambda task: task.start))
    runs = _paired_runs(before.runs_of([*left.values(), *(old for old, _ in kept)]), after.runs_of(plan.tasks), kept)
    moved = take(_in_paired_runs(runs, left.values(), fresh.values()))
    for key in (_setup, _article, _build):
        moved += take(_in_order(_keyed(left.values(), key), _keyed(fresh.values(), key)))
    moves = [Move(old, new, _changed(old, new)) for old, new in moved]
    return Matching(
        _by_start(done), tuple(sorted(kept, key=lambda pair: (pair[0].start, pair[0].id))),
        tuple(sorted(moves, key=lambda move: (move.task.start, move.task.id))), _by_start(left.values()), _by_start(fresh.values()),
    )


def points_without_moves(plan: Plan) -> float:
    """Points by which two plans are compared: each counts its moved tasks against the plan that it replans, if any, and these differ."""
    return plan.score.total - plan.score.parts.moved_task


def moved_tasks(base: Plan, plan: Plan) -> list[Move]:
    """The tasks that the score counts as moved against `base`, the plan being replanned; by start, then id."""
    return counted(match(base, plan), base, plan)


def counted(matching: Matching, base: Plan, plan: Plan) -> list[Move]:
    """The tasks of a matching that the score counts as moved; by start, then id."""
    side, orders = _Side(base), {result.id for result in plan.orders}
    moves = [*matching.moved, *(Move(task, None) for task in matching.gone)]
    return sorted(
        (
            move for move in moves
            if move.task.start >= plan.now and not move.task.frozen and (move.task.run is None or side.orders(move.task) & orders)
        ),
        key=lambda move: (move.task.start, move.task.id),
    )


class _Side:
    """One of the two plans: its runs by id, and what each holds."""

    def __init__(self, plan: Plan) -> None:
        self._runs = {run.id: run for run in plan.runs}
        self._content = {run.id: content(run) for run in plan.runs}

    def orders(self, task: Task) -> set[str]:
        return {order for order, _, _ in self._content[task.run]} if task.run is not None else set()

    def signature(self, task: Task) -> Hashable:
        """What alike tasks share."""
        held = self._content[task.run] if task.run is not None else ()
        if task.kind == "bench":
            held = tuple(row for row in held if row[:2] == (task.order, task.op))
        elif task.kind in ("setup", "first_article"):
            held = ()
        return task.kind, task.plate, task.machine, task.operator, task.fixture, task.order, task.op, held

    def runs_of(self, tasks: Iterable[Task]) -> list[Run]:
        """The runs of these tasks by their cuts: first those of which no cut is left, by the first task left."""
        begin: dict[str, tuple[int, int, str]] = {}
        for task in tasks:
            if task.run is not None and task.kind in ("load", "place", "cut", "pull", "unload"):
                rank = (1 if task.kind == "cut" else 0, task.start, task.run)
                known = begin.get(task.run)
                if known is None or rank[0] > known[0] or (rank[0] == known[0] == 0 and rank < known):
                    begin[task.run] = rank
        return [self._runs[name] for _, _, name in sorted(begin.values())]


def content(run: Run) -> tuple[tuple[str, int, int], ...]:
    """What a run holds: ``(order, op, pieces)``, sorted."""
    return tuple(sorted((row.order, row.op, row.pieces) for row in run.pieces))


def _same(olds: Iterable[Task], news: Iterable[Task], before: _Side, after: _Side, instant: Callable[[Task], int]) -> Iterator[Pair]:
    """Alike tasks near each other: a sweep over both in the order of time."""
    groups = _grouped(news, after.signature)
    for signature, tasks in _grouped(olds, before.signature).items():
        others = sorted(groups.get(signature, ()), key=lambda task: (instant(task), task.id))
        index = 0
        for task in sorted(tasks, key=lambda task: (instant(task), task.id)):
            while index < len(others) and instant(others[index]) <= instant(task) - SAME_SECONDS:
                index += 1
            if index < len(others) and instant(others[index]) < instant(task) + SAME_SECONDS:
                yield task, others[index]
                index += 1


def _paired_runs(olds: Sequence[Run], news: Sequence[Run], kept: Iterable[Pair]) -> dict[str, str]:
    """Run of the base -> run of the plan."""
    votes = Counter((old.run, new.run) for old, new in kept if old.run is not None and new.run is not None and old.order is None)
    pairs: dict[str, str] = {}
    taken: set[str] = set()
    names = [{run.id: place for place, run in enumerate(runs)} for runs in (olds, news)]
    shared = [(old, new) for old, new in votes if old in names[0] and new in names[1]]
    for old, new in sorted(shared, key=lambda pair: (-votes[pair], names[0][pair[0]], names[1][pair[1]])):
        if old not in pairs and new not in taken:
            pairs[old] = new
            taken.add(new)
    keys: tuple[Callable[[Run], Hashable], ...] = (
        lambda run: (content(run), run.plate, run.machine), lambda run: (content(run), run.fixture, run.machine),
        lambda run: (content(run), run.fixture), content,
    )
    for key in keys:
        old_groups = _grouped((run for run in olds if run.id not in pairs), key)
        new_groups = _grouped((run for run in news if run.id not in taken), key)
        for name, runs in old_groups.items():
            for old_run, new_run in zip(runs, new_groups.get(name, ()), strict=False):
                pairs[old_run.id] = new_run.id
                taken.add(new_run.id)
    return pairs


def _in_paired_runs(runs: dict[str, str], olds: Iterable[Task], news: Iterable[Task]) -> Iterator[Pair]:
    places = {(task.run, task.kind, task.order, task.op): task for task in news if task.run is not None}
    for task in olds:
        run = runs.get(task.run) if task.run is not None else None
        other = places.get((run, task.kind, task.order, task.op)) if run is not None else None
        if other is not None:
            yield task, other


def _setup(task: Task) -> Hashable | None:
    return (task.fixture, task.machine) if task.kind == "setup" else None


def _article(task: Task) -> Hashable | None:
    return (task.order, task.op) if task.kind == "first_article" else None


def _build(task: Task) -> Hashable | None:
    return task.fixture if task.kind == "build" else None


def _keyed(tasks: Iterable[Task], key: Callable[[Task], Hashable | None]) -> dict[Hashable, list[Task]]:
    return _grouped((task for task in tasks if key(task) is not None), key)


def _in_order(olds: dict[Hashable, list[Task]], news: dict[Hashable, list[Task]]) -> Iterator[Pair]:
    for name, tasks in olds.items():
        yield from zip(_by_start(tasks), _by_start(news.get(name, ())), strict=False)


def _grouped(items: Iterable[T], key: Callable[[T], Hashable]) -> dict[Hashable, list[T]]:
    groups: dict[Hashable, list[T]] = defaultdict(list)
    for item in items:
        groups[key(item)].append(item)
    return dict(groups)


def _changed(old: Task, new: Task) -> tuple[str, ...]:
    moved = abs(new.end - old.end if new.frozen else new.start - old.start) >= SAME_SECONDS
    when = ("end" if new.frozen else "start",) if moved else ()
    return (*when, *(name for name in _FIELDS if getattr(old, name) != getattr(new, name)))


def _by_start(tasks: Iterable[Task]) -> tuple[Task, ...]:
    return tuple(sorted(tasks, key=lambda task: (task.start, task.id)))
