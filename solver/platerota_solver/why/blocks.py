"""What keeps a task from starting: for every resource it needs, the instants at which it could not have begun.

A task of `need` seconds cannot begin at x where the resource is taken anywhere in ``[x, x + need)``; each taken span ``[a, b)`` so
blocks the beginnings ``(a − need, b)``.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from platerota_shared.calendars import (
    Span,
    machine_closures,
    merge,
    operator_closures,
    plate_closures,
    shift_days,
    subtract,
)
from platerota_shared.fields import Skill
from platerota_shared.plan import Run, Task
from platerota_solver.describe.attendance import attended, forbidden
from platerota_solver.describe.book import PlanBook
from platerota_solver.describe.chains import CHAIN
from platerota_solver.describe.presence import parts
from platerota_solver.why.waits import Cause

SKILL_OF: Final[dict[str, Skill]] = {
    "load": "load", "unload": "unload", "place": "exchange", "pull": "exchange", "setup": "setup", "first_article": "first_article",
    "bench": "bench", "build": "build",
}
"""The skill that each kind of hand work takes (F11)."""

PAUSING: Final = frozenset(("bench", "build"))

Taken = tuple[int, int, str]
"""Start, end and the id of the task that holds a resource (blank where it is closed)."""


@dataclass(frozen=True, slots=True)
class Block:
    """Instants (sorted disjoint spans) at which a task could not begin because of one resource; `taken` says by what."""

    cause: Cause
    resource: str
    spans: Sequence[Span]
    taken: Sequence[Taken] = ()
    skill: str = ""


class Blocks:
    """Every resource of a plan with what holds it, opened once and asked for one task and gap at a time."""

    def __init__(self, book: PlanBook) -> None:
        self._book = book
        self._shop = book.request.shop
        self._runs = {run.id: run for run in book.runs}
        self._there = attended(book)
        self._visits = self._plate_visits()
        self._stays = self._machine_stays()
        self._nights = {row.id: forbidden(book, row, self._there) for row in self._shop.machines}
        self._crew = {row.id: _Hours(book, row.id) for row in self._shop.operators}
        self._busy = {
            name: sorted((*part, book.tasks[index].id) for index in own for part in parts(book.tasks[index]))
            for name, own in book.by_operator.items()
        }

    def of(self, task: Task, gap: Span, besides: str = "") -> Iterator[Block]:
        """What kept `task` from beginning inside `gap`, the strongest cause first; the task with id `besides` keeps nobody busy."""
        need = 1 if task.kind in PAUSING else task.end - task.start
        run = self._runs.get(task.run or "")
        if task.kind == "load" and run is not None:
            yield self._material(run)
        if task.kind == "cut" and run is not None:
            yield from self._articles(run)
        yield from self._closed(task, run, need, gap)
        if task.kind == "load" and run is not None:
            yield from self._plate(run, gap)
        if task.machine is not None:
            yield self._machine(task, need, gap)
        if task.kind == "cut" and task.machine is not None:
            yield Block("unattended", task.machine, _blocked(self._nights[task.machine], need, gap))
        if task.kind == "place" and run is not None:
            # Where the spindle has no time for the cut, whether somebody could have placed the plate matters little.
            yield from self._ahead(task, run, gap)
        if task.kind in SKILL_OF:
            yield from self._people(task, need, gap, besides)
        if task.kind in ("load", "setup") and run is not None:
            yield from self._ahead(task, run, gap)

    def _material(self, run: Run) -> Block:
        """Raw stock of the orders in the run is not there before their release (F14)."""
        book = self._book
        first = [held for held in run.pieces if held.op == book.ops[held.part][0]]
        releases = sorted((book.orders[held.order].release or 0, held.order) for held in first)
        until, order = releases[-1] if releases else (0, "")
        return Block("material", order, [(book.request.now, until)] if until > book.request.now else [])

    def _articles(self, run: Run) -> Iterator[Block]:
        """No other run of an order and op cuts before its first article ends (F15)."""
        for held in run.pieces:
            article = self._book.articles.get((held.order, held.op))
            if article is not None and self._book.tasks[article].run != run.id:
                check = self._book.tasks[article]
                taken = (check.start, check.end, check.id)
                yield Block("first_article", f"op {held.op}", [(self._book.request.now, check.end)], [taken], "first_article")

    def _closed(self, task: Task, run: Run | None, need: int, gap: Span) -> Iterator[Block]:
        """F17."""
        if task.machine is not None:
            yield Block("closure", task.machine, _blocked(machine_closures(self._shop, task.machine), need, gap))
        plate = run.plate if run is not None and task.kind in CHAIN else task.plate
        if plate is not None and task.kind not in ("setup", "bench", "first_article"):
            yield Block("closure", plate, _blocked(plate_closures(self._shop, plate), need, gap))

    def _plate(self, run: Run, gap: Span) -> Iterator[Block]:
        """F4, F16: the whole trip must fit before the plate's next one."""
        need = sum(self._book.tasks[index].end - self._book.tasks[index].start for index in self._trip(run))
        others = [visit for visit in self._visits[run.plate] if _run_of(visit[2]) != run.id]
        built = [visit for visit in others if visit[2].endswith(".build")]
        yield _block("build", run.plate, built, need, gap)
        yield _block("plate", run.plate, [visit for visit in others if visit not in built], need, gap)

    def _machine(self, task: Task, need: int, gap: Span) -> Block:
        """F6, F7, F10: what the machine was doing; a plate is placed only where its whole stay fits before the next."""
        book, machine = self._book, task.machine or ""
        row = book.machines[machine]
        others = [book.tasks[index] for index in book.on_machine[machine] if book.tasks[index].run != task.run]
        kinds = {"place", "pull", "cut", "setup", "load", "unload"}
        if row.automatic:
            exchange = {"place", "pull"}
            kinds = exchange if task.kind in exchange else kinds - exchange
        lag = row.exchange_seconds if row.automatic and task.kind == "cut" else 0
        taken = [(t.start, t.end + (lag if t.kind == "cut" else 0), t.id) for t in others if t.kind in kinds]
        if task.kind in ("setup", "cut"):
            taken += [kept for t in others if t.kind == "setup" and (kept := self._kept_for(t, task)) is not None]
        block = _block("machine", machine, taken, need, gap)
        if task.kind != "place":
            return block
        stay = sum(book.tasks[index].end - book.tasks[index].start for index in self._trip(self._runs[task.run or ""])[1:-1])
        full = self._full_table(machine, task.run or "")
        ahead = _block("machine", machine, full, max(need, stay), gap)
        return Block("machine", machine, merge((*block.spans, *ahead.spans)), sorted((*block.taken, *ahead.taken)))

    def _kept_for(self, setup: Task, task: Task) -> Taken | None:
        """From another run's setup to its cut the machine is kept for it: a cut of another fixture would undo the setup (F8)."""
        run, own = self._runs.get(setup.run or ""), self._runs.get(task.run or "")
        if run is None or own is None or run.fixture == own.fixture:
            return None
        cut = self._book.of_run[run.id]["cut"]
        return setup.start, self._book.tasks[cut].start, self._book.tasks[cut].id

    def _ahead(self, task: Task, run: Run, gap: Span) -> Iterator[Block]:
        """A load, setup or place put off because what follows it in the run could not have been done earlier anyway."""
        steps, length = self._book.of_run[run.id], task.end - task.start
        automatic = run.machine is not None and self._book.machines[run.machine].automatic
        at_once = task.kind == "place" or (task.kind == "setup" and automatic)
        follower = steps.get("cut" if at_once else "place", steps.get("cut"))
        if follower is None:
            return
        for block in self.of(self._book.tasks[follower], (gap[0] + length, gap[1] + length), task.id):
            yield replace(block, spans=[(a - length, b - length) for a, b in block.spans])

    def _full_table(self, machine: str, run: str) -> list[Taken]:
        """When other plates fill every place on the machine (F6), with the task that frees one."""
        held = sum(plate.stays_in == machine for plate in self._shop.plates)
        others = [stay for stay in self._stays.get(machine, ()) if _run_of(stay[2]) != run]
        return _crowded(others, self._book.machines[machine].places - held)

    def _people(self, task: Task, need: int, gap: Span, besides: str) -> Iterator[Block]:
        """F11: all who have the skill are away, on a break, or busy."""
        skill = SKILL_OF[task.kind]
        able = [row.id for row in self._shop.operators if row.can(skill)]
        who = ", ".join(able)
        away = _common([_blocked(self._crew[name].off, need, gap) for name in able], gap)
        for name in able:
            yield Block("closure", name, _common([away, _blocked(self._crew[name].closed, need, gap)], gap), (), skill)
        breaks = merge(span for name in able for span in self._crew[name].breaks)
        yield Block("break", who, _common([away, breaks], gap), (), skill)
        yield Block("nobody", who, away, (), skill)
        busy = {name: _near(self._busy.get(name, ()), need, gap) for name in able}
        own = {name: [taken for taken in busy[name] if taken[2] not in (task.id, besides)] for name in able}
        blocked = [merge((*_blocked(self._crew[n].off, need, gap), *_blocked([(a, b) for a, b, _ in own[n]], need, gap))) for n in able]
        name = task.operator or who
        yield Block("operator", name, _common(blocked, gap), own.get(name, []), skill)

    def _trip(self, run: Run) -> list[int]:
        steps = self._book.of_run[run.id]
        return [steps[kind] for kind in CHAIN if kind in steps]

    def _plate_visits(self) -> dict[str, list[Taken]]:
        """When each plate is held, from the first task of a run or build to its last; a run from the floor holds it from `now`."""
        visits: dict[str, list[Taken]] = defaultdict(list)
        for run in self._runs.values():
            if trip := [self._book.tasks[index] for index in self._trip(run)]:
                start = trip[0].start if trip[0].kind == "load" else self._book.request.now
                visits[run.plate].append((start, trip[-1].end, trip[-1].id))
        for task in self._book.tasks:
            if task.kind == "build" and task.plate is not None:
                visits[task.plate].append((task.start, task.end, task.id))
        return {plate: sorted(found) for plate, found in visits.items()}

    def _machine_stays(self) -> dict[str, list[Taken]]:
        """When a plate that comes and goes stands on each machine, with the pull that ends it."""
        stays: dict[str, list[Taken]] = defaultdict(list)
        for run in self._runs.values():
            steps = {kind: self._book.tasks[index] for kind, index in self._book.of_run[run.id].items()}
            if run.machine is not None and "pull" in steps:
                entry = steps["place"].start if "place" in steps else self._book.request.now
                stays[run.machine].append((entry, steps["pull"].end, steps["pull"].id))
        return stays

    def pause_of(self, operator: str, span: Span) -> Cause:
        """Why work that may pause did so over `span`: the operator's break, closure, or the end of a shift."""
        hours = self._crew[operator]
        if _common([hours.breaks], span):
            return "break"
        return "closure" if _common([hours.closed], span) else "nobody"


class _Hours:
    """When one operator is off, why, and on a break; sorted disjoint spans of UTC seconds."""

    def __init__(self, book: PlanBook, operator: str) -> None:
        request = book.request
        self.off = subtract([(request.now, request.horizon_end)], book.presence[operator].here)
        days = [day for day in shift_days(request.shop, operator, request.now, request.horizon_end) if not day.overtime]
        on = merge(span for day in days for span in subtract([(day.start, day.end)], day.breaks))
        self.closed = _common([self.off, operator_closures(request.shop, operator), on], (request.now, request.horizon_end))
        whole = merge((day.start, day.end) for day in days)
        self.breaks = subtract(_common([self.off, whole], (request.now, request.horizon_end)), self.closed)


def _run_of(task: str) -> str:
    return task.split(".", 1)[0]


def _near(taken: Sequence[Taken], need: int, gap: Span) -> Sequence[Taken]:
    """The sorted, disjoint `taken` that matter for a task of `need` seconds beginning inside `gap`."""
    first = bisect_right(taken, gap[0], key=lambda span: span[1])
    return taken[first:bisect_left(taken, gap[1] + need, key=lambda span: span[0])]


def _blocked(spans: Sequence[Span], need: int, gap: Span) -> list[Span]:
    """The beginnings inside `gap` of a task of `need` seconds that sorted disjoint `spans` leave no time for."""
    first = bisect_right(spans, gap[0], key=lambda span: span[1])
    last = bisect_left(spans, gap[1] + need, key=lambda span: span[0])
    widened = ((max(gap[0], a - max(0, need - 1)), min(gap[1], b)) for a, b in spans[first:last])
    return merge(span for span in widened if span[0] < span[1])


def _block(cause: Cause, resource: str, taken: Sequence[Taken], need: int, gap: Span) -> Block:
    near = [span for span in taken if span[1] > gap[0] and span[0] < gap[1] + need]
    return Block(cause, resource, _blocked(merge((a, b) for a, b, _ in near), need, gap), near)


def _common(lists: Sequence[Sequence[Span]], gap: Span) -> list[Span]:
    """The instants of `gap` that lie in all of the lists of sorted disjoint spans."""
    left = [gap]
    for spans in lists:
        left = subtract(left, subtract(left, spans))
    return left


def _crowded(stays: Sequence[Taken], places: int) -> list[Taken]:
    """Where at least `places` of the stays overlap, with the task of the stay that ends there."""
    if places <= 1:
        return sorted(stays)
    edges = sorted([(a, 1, "") for a, _, _ in stays] + [(b, -1, name) for _, b, name in stays], key=lambda edge: edge[:2])
    found: list[Taken] = []
    level, since = 0, 0
    for instant, change, name in edges:
        if level >= places and since < instant:
            found.append((since, instant, name))
        level, since = level + change, instant
    return found
