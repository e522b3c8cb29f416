"""One run of the plan with its tasks, and the run the floor already has under way."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from platerota_shared.calendars import Span
from platerota_shared.plan import Kind, Run, Task
from platerota_shared.tables import Floor

CHAIN: tuple[Kind, ...] = ("load", "place", "cut", "pull", "unload")
"""The five tasks of a run, in order."""

Stage = Literal["running", "loaded", "placed", "cut", "pulled"]
Piece = tuple[str, int]
"""An order's id and an op."""

_DONE: dict[Stage, int] = {"loaded": 1, "placed": 2, "running": 2, "cut": 3, "pulled": 4}


@dataclass(slots=True)
class FloorRun:
    """A run part-way at `now`: its pieces by order and op, its machine, and the end of a running cut (UTC seconds)."""

    plate: str
    stage: Stage
    machine: str | None
    cut_end: int | None
    pieces: dict[Piece, int] = field(default_factory=dict[Piece, int])

    @property
    def left(self) -> tuple[Kind, ...]:
        """The tasks still to come, a running cut among them."""
        return CHAIN[_DONE[self.stage] :]

    @property
    def on_machine(self) -> bool:
        """Whether its plate stands in a machine at `now`."""
        return self.stage in ("running", "placed", "cut")


@dataclass(slots=True)
class Trip:
    """A run and its tasks; bench work and first articles by order and op."""

    run: Run
    stays: bool
    load: Task | None = None
    place: Task | None = None
    cut: Task | None = None
    pull: Task | None = None
    unload: Task | None = None
    setup: Task | None = None
    benches: dict[Piece, Task] = field(default_factory=dict[Piece, Task])
    articles: dict[Piece, Task] = field(default_factory=dict[Piece, Task])
    floor: FloorRun | None = None

    def put(self, task: Task) -> None:
        """File one of its tasks."""
        if task.kind in ("bench", "first_article"):
            assert task.order is not None
            assert task.op is not None
            (self.benches if task.kind == "bench" else self.articles)[task.order, task.op] = task
        else:
            setattr(self, task.kind, task)

    @property
    def chain(self) -> list[Task]:
        """Those of the five tasks that it has, in the order of a run."""
        return [task for task in (self.load, self.place, self.cut, self.pull, self.unload) if task is not None]

    @property
    def orders(self) -> set[str]:
        """The orders it holds pieces of."""
        return {row.order for row in self.run.pieces}

    @property
    def cut_before(self) -> bool:
        """Whether it was cut, or its cut began, before `now`."""
        return self.floor is not None and self.floor.stage in ("running", "cut", "pulled")


def floor_runs(floor: Floor) -> dict[str, FloorRun]:
    """The runs under way, by plate."""
    found: dict[str, FloorRun] = {}
    for cut in floor.running:
        run = found.setdefault(cut.plate, FloorRun(cut.plate, "running", cut.machine, cut.cut_end))
        run.pieces[cut.order, cut.op] = run.pieces.get((cut.order, cut.op), 0) + cut.pieces
    for row in floor.waiting:
        machine = row.machine if row.stage in ("placed", "cut") else None
        run = found.setdefault(row.plate, FloorRun(row.plate, row.stage, machine, None))
        run.pieces[row.order, row.op] = run.pieces.get((row.order, row.op), 0) + row.pieces
    return found


def spans_of(task: Task) -> list[Span]:
    """The stretches in which a task is worked on (UTC seconds)."""
    if task.spans is None:
        return [(task.start, task.end)]
    return [(span.start, span.end) for span in task.spans]


def ids(tasks: Iterable[Task | None]) -> tuple[str, ...]:
    """The ids of those tasks that exist."""
    return tuple(task.id for task in tasks if task is not None)
