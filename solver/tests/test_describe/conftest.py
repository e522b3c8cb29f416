"""A tiny shop that a human can check by hand; every test of the description varies it.

Instants in the tests are seconds after `now`, which is Monday 2027-03-01 06:00 in a shop on UTC. One mill M1, two plates P1 and P2 that
carry fixture F, four nests for op 10 of part W; a load takes 600 s, an unload 300 s, place and pull 60 s each, a cut of four pieces
2,400 s. Operator A works Monday to Friday 06:00 to 14:00 with a break 10:00 to 10:30.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from platerota_shared.plan import Plan, Run, RunPieces, SolverReport, Task, TaskSpan
from platerota_shared.tables import PlanRequest
from platerota_solver.describe import describe

NOW = 1_803_880_800  # 2027-03-01T06:00:00Z

Times = tuple[int, int]


class Week:
    """A request in the making, with the runs and tasks of a plan for it; plan times in seconds after `now`."""

    def __init__(self) -> None:
        self.machines: list[dict[str, Any]] = [
            {"id": "M1", "mount": "A", "travel_x": 500, "travel_y": 400, "place_seconds": 60, "pull_seconds": 60},
        ]
        self.plates: list[dict[str, Any]] = [
            {"id": name, "mount": "A", "size_x": 300, "size_y": 300, "mass": 8, "fixture": "F"} for name in ("P1", "P2")
        ]
        self.fixtures: list[dict[str, Any]] = [{"id": "F", "load_seconds": 600, "unload_seconds": 300, "mass": 2}]
        self.nests: list[dict[str, Any]] = [{"fixture": "F", "part": "W", "op": 10, "count": 4}]
        self.operations: list[dict[str, Any]] = [{"part": "W", "op": 10, "cut_seconds": 600, "stock_mass": 0.5}]
        self.operators: list[dict[str, Any]] = [{"id": "A"}]
        self.shifts: list[dict[str, Any]] = [
            {"operator": "A", "days": ["mon", "tue", "wed", "thu", "fri"], "start": "06:00", "end": "14:00", "breaks": ["10:00-10:30"]},
        ]
        self.closures: list[dict[str, Any]] = []
        self.orders: list[dict[str, Any]] = []
        self.floor: dict[str, Any] = {}
        self.settings: dict[str, Any] = {"horizon_days": 7}
        self.runs: list[Run] = []
        self.tasks: list[Task] = []
        self.unplaced: dict[str, str] = {}

    def order(self, name: str, quantity: int, due: int, part: str = "W", **fields: Any) -> None:
        """An order due `due` seconds after `now`; an instant among `fields` is in those seconds too."""
        if "release" in fields:
            fields["release"] = at(fields["release"])
        self.orders.append({"id": name, "part": part, "quantity": quantity, "due": at(due), **fields})

    def close(self, start: int, end: int, **what: str) -> None:
        """A closure."""
        self.closures.append({"start": at(start), "end": at(end), **what})

    def run(
        self, name: str, plate: str, pieces: dict[tuple[str, int], int], *, machine: str | None = "M1", fixture: str = "F", who: str = "A",
        stays: bool = False, frozen_cut: bool = False, **times: Times,
    ) -> None:
        """A run with its tasks, one keyword per kind; bench and first article by :meth:`task`."""
        parts = {order["id"]: order["part"] for order in self.orders}
        held = tuple(RunPieces(order=order, part=parts[order], op=op, pieces=count) for (order, op), count in pieces.items())
        self.runs.append(Run(id=name, plate=plate, fixture=fixture, machine=machine, pieces=held))
        for kind, (start, end) in times.items():
            in_machine = kind in ("place", "setup", "cut", "pull") or stays
            self.task(
                f"{name}.{kind}", kind, start, end, run=name, plate=None if kind == "setup" else plate,
                machine=machine if in_machine else None, operator=None if kind == "cut" else who,
                fixture=fixture if kind == "setup" else None, frozen=kind == "cut" and frozen_cut,
            )

    def task(self, name: str, kind: Any, start: int, end: int, *, spans: list[Times] | None = None, **fields: Any) -> None:
        """Any task."""
        pauses = tuple(TaskSpan(start=NOW + a, end=NOW + b) for a, b in spans) if spans else None
        self.tasks.append(Task(id=name, kind=kind, start=NOW + start, end=NOW + end, spans=pauses, **fields))

    def move(self, seconds: int, *names: str) -> None:
        """Put tasks later by `seconds`."""
        for index, task in enumerate(self.tasks):
            if task.id in names:
                self.tasks[index] = task.model_copy(update={"start": task.start + seconds, "end": task.end + seconds})

    def request(self) -> PlanRequest:
        """The request as the contract's model."""
        tables = ("machines", "plates", "fixtures", "nests", "operations", "operators", "shifts", "closures")
        document = {
            "now": at(0), "orders": self.orders, "floor": self.floor, "settings": self.settings,
            "shop": {"timezone": "UTC", **{table: getattr(self, table) for table in tables}},
        }
        return PlanRequest.model_validate(document, context={"zone": ZoneInfo("UTC")})

    def plan(self, bound: float = 0.0, quality: Any = "feasible", why: dict[str, str] | None = None) -> Plan:
        """The plan described."""
        return describe(
            self.request(), self.runs, self.tasks, bound=bound, quality=quality, unplaced=self.unplaced,
            solver=SolverReport(seconds=0.0, seed=1), why=why or {},
        )


def at(seconds: int) -> str:
    """RFC 3339 text of an instant `seconds` after `now`."""
    return datetime.fromtimestamp(NOW + seconds, UTC).isoformat()


@pytest.fixture
def week() -> Week:
    """The tiny shop without orders or tasks."""
    return Week()


@pytest.fixture
def two_plates(week: Week) -> Week:
    """One order of eight pieces on two plates: the hand work for the second hides behind the cut of the first.

    A: R1.load 0-600, R1.place 600-660, R2.load 660-1260, R1.pull 3060-3120, R2.place 3120-3180, R1.unload 3180-3480,
    R2.pull 5580-5640, R2.unload 5640-5940. M1 cuts 660-3060 and 3180-5580. The order finishes at 5940.
    """
    week.order("O", 8, due=10_800)
    week.run("R1", "P1", {("O", 10): 4}, load=(0, 600), place=(600, 660), cut=(660, 3_060), pull=(3_060, 3_120), unload=(3_180, 3_480))
    week.run(
        "R2", "P2", {("O", 10): 4}, load=(660, 1_260), place=(3_120, 3_180), cut=(3_180, 5_580), pull=(5_580, 5_640), unload=(5_640, 5_940),
    )
    return week


@pytest.fixture
def floats() -> Callable[[Plan], dict[str, int]]:
    """Float of each task of a plan by id, in seconds."""
    return lambda plan: {task.id: task.float_seconds for task in plan.tasks}


@pytest.fixture
def windows() -> Callable[[Plan], dict[str, Times]]:
    """Earliest start and latest end of each load by run, in seconds after `now`."""
    return lambda plan: {row.run: (row.earliest_start - NOW, row.latest_end - NOW) for row in plan.load_windows}


@pytest.fixture
def spindle() -> Callable[..., dict[str, int]]:
    """Where a machine's time goes, uses of 0 seconds left out."""

    def read(plan: Plan, machine: str = "M1") -> dict[str, int]:
        row = next(row for row in plan.kpis.machines if row.id == machine)
        assert plan.kpis.shop is not None
        assert sum(row.seconds.values()) == plan.kpis.shop.seconds
        return {use: seconds for use, seconds in row.seconds.items() if seconds}

    return read
