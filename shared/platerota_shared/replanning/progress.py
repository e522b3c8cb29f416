"""How far every run of a plan is at an instant, and what the floor holds then.

A task is done when it started before the instant and has ended by it; one that would start at the instant has not begun. The tables of
the floor know no half-loaded plate: work by hand that is under way is counted as done, and who and what it needs is closed until it
is; where somebody or something of that is out of work, it counts as not begun, and is planned again whole.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from platerota_shared.audit.book import Book
from platerota_shared.audit.trip import Piece, Trip
from platerota_shared.plan import Kind, Task
from platerota_shared.replanning.happened import Whereabouts

_AFTER: Final[dict[Kind, Whereabouts]] = {"load": "loaded", "place": "placed", "cut": "cut", "pull": "pulled", "unload": "unloaded"}
"""Kind of a task that is done -> where its run is then."""

_FROM_FLOOR: Final[dict[str, Whereabouts]] = {
    "running": "cutting", "loaded": "loaded", "placed": "placed", "cut": "cut", "pulled": "pulled",
}
BEGUN_TO_CUT: Final = ("cutting", "cut", "pulled", "unloaded")


@dataclass(slots=True)
class Progress:
    """A run at an instant; `said` is the row of what has happened that speaks of it, None where it went as planned; `finishing` is the
    work by hand under way that is counted as done.
    """

    trip: Trip
    stage: Whereabouts
    cut_end: int | None
    said: int | None = None
    finishing: Task | None = None

    def finish(self, task: Task) -> None:
        """Count work by hand that is under way as done."""
        self.finishing = task
        self.stage = _AFTER.get(task.kind, self.stage)

    @property
    def on_plate(self) -> bool:
        """Whether its pieces are on its plate."""
        return self.stage not in ("not_loaded", "unloaded")

    @property
    def machine(self) -> str | None:
        """The machine it is in, None at the bench."""
        return self.trip.run.machine if self.stage in ("placed", "cutting", "cut") else None


def begun(task: Task, now: int) -> bool:
    """Whether a task started before `now` and is not over."""
    return task.start < now < task.end


def done(task: Task, now: int) -> bool:
    """Whether a task is over at `now`."""
    return task.start < now and task.end <= now


def progress(trip: Trip, now: int) -> Progress:
    """How far a run is by the plan."""
    stage = _FROM_FLOOR[trip.floor.stage] if trip.floor is not None else "not_loaded"
    cut = trip.cut
    for task in trip.chain:
        if done(task, now):
            stage = _AFTER[task.kind]
    if cut is not None and begun(cut, now):
        stage = "cutting"
    return Progress(trip, stage, cut.end if stage == "cutting" and cut is not None else None)


def stock(book: Book, runs: Iterable[Progress]) -> Counter[Piece]:
    """Pieces done through each op and waiting, by order and op: what the runs so far brought and took (may be negative where corrected)."""
    found: Counter[Piece] = Counter(book.pieces_through)
    for run in runs:
        came_loaded = run.trip.floor is not None
        for row in run.trip.run.pieces:
            before = [op for op in book.ops[row.part] if op < row.op]
            taken = (run.stage != "not_loaded") - came_loaded
            if before:
                found[row.order, before[-1]] -= row.pieces * taken
            if run.stage == "unloaded":
                found[row.order, row.op] += row.pieces
    return found


def last_fixtures(book: Book, runs: Iterable[Progress], now: int) -> dict[str, str]:
    """The fixture whose tools each machine holds: that of the last cut begun or setup done there, else what the floor said before."""
    held: dict[str, tuple[int, str]] = {row.machine: (-1, row.fixture) for row in book.request.floor.last_fixtures}
    for run in runs:
        machine, fixture, cut, setup = run.trip.run.machine, run.trip.run.fixture, run.trip.cut, run.trip.setup
        if machine is None:
            continue
        cutting = cut is not None and (begun(cut, now) or done(cut, now) or cut.frozen)
        if cut is not None and (run.stage in BEGUN_TO_CUT or (cutting and run.said is None)):
            held[machine] = max(held.get(machine, (-1, "")), (cut.start, fixture))
        elif setup is not None and (done(setup, now) or run.finishing is setup) and run.said is None:
            held[machine] = max(held.get(machine, (-1, "")), (setup.end, fixture))
    return {machine: fixture for machine, (_, fixture) in held.items()}
