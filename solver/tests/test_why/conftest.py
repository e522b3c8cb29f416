"""A tiny shop with room to spare; every test takes one thing away and asks why.

`now` is Monday 2027-03-01 06:00 on UTC; instants in the tests are hours after it (Tuesday 06:00 is 24). Mill M1; plate P1 with
fixture F, four nests for op 10 of part W. Load and unload take 600 s, place and pull 60 s, a cut of four pieces 2 h. Ana works
every day 06:00 to 14:00 without a break. Plans are made by the due-date dispatch of the solver itself.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from platerota_shared.plan import Run, Task
from platerota_shared.tables import PlanRequest
from platerota_solver.constructing import sequences
from platerota_solver.decoding import Decoder, fitting
from platerota_solver.kernel.state import first_choices
from platerota_solver.problem import Problem, build_problem
from platerota_solver.schedule import runs_and_tasks, tidied
from platerota_solver.why import Obstacle, Obstacles, Wait, late_reasons, order_waits, unplaced_reasons
from platerota_solver.why.waits import summed

NOW = 1_803_880_800  # 2027-03-01T06:00:00Z
DAILY = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


def at(hours: float) -> str:
    """RFC 3339 text of an instant some hours after `now`."""
    return datetime.fromtimestamp(NOW + round(hours * 3_600), UTC).isoformat()


@dataclass
class Planned:
    """A plan of the shop, and the questions asked of it."""

    problem: Problem
    runs: list[Run]
    tasks: list[Task]
    unplaced: list[str]

    def waits(self, order: str = "O") -> list[Wait]:
        """The order's time from `now` to its finish."""
        return order_waits(self.problem.request, self.runs, self.tasks, order)

    def hours(self, order: str = "O") -> dict[tuple[str, str], float]:
        """Hours waited by cause and resource."""
        return {(wait.cause, wait.resource): round(wait.seconds / 3_600, 2) for wait in summed(self.waits(order))}

    def late(self, order: str = "O") -> str:
        """The sentence for a late order."""
        return late_reasons(self.problem.request, self.runs, self.tasks, [order], problem=self.problem)[order]

    def obstacle(self, order: str = "O") -> Obstacle:
        """What stands in the way of an order that is not placed."""
        assert order in self.unplaced
        return Obstacles(self.problem, self.runs, self.tasks).of(order)

    def left_out(self, order: str = "O") -> str:
        """The sentence for an order that is not placed."""
        return unplaced_reasons(self.problem, self.runs, self.tasks, self.unplaced)[order]


def _machines() -> list[dict[str, Any]]:
    return [{"id": "M1", "mount": "A", "travel_x": 500, "travel_y": 400, "place_seconds": 60, "pull_seconds": 60}]


@dataclass
class Shop:
    """A request in the making."""

    machines: list[dict[str, Any]] = field(default_factory=_machines)
    plates: list[dict[str, Any]] = field(default_factory=lambda: [plate("P1", "F")])
    fixtures: list[dict[str, Any]] = field(default_factory=lambda: [{"id": "F", "load_seconds": 600, "unload_seconds": 600}])
    nests: list[dict[str, Any]] = field(default_factory=lambda: [{"fixture": "F", "part": "W", "op": 10, "count": 4}])
    operations: list[dict[str, Any]] = field(default_factory=lambda: [{"part": "W", "op": 10, "cut_seconds": 1_800}])
    operators: list[dict[str, Any]] = field(default_factory=lambda: [{"id": "Ana"}])
    shifts: list[dict[str, Any]] = field(default_factory=lambda: [shift("Ana", "06:00", "14:00")])
    closures: list[dict[str, Any]] = field(default_factory=list)
    orders: list[dict[str, Any]] = field(default_factory=list)
    floor: dict[str, Any] = field(default_factory=dict)
    days: int = 7

    def order(self, name: str = "O", quantity: int = 4, due: float = 1, part: str = "W", **fields: Any) -> None:
        """An order due some hours after `now`."""
        self.orders.append({"id": name, "part": part, "quantity": quantity, "due": at(due), **fields})

    def close(self, start: float, end: float, **what: str) -> None:
        """A closure between two instants in hours after `now`."""
        self.closures.append({"start": at(start), "end": at(end), **what})

    def second_op(self, **fields: Any) -> None:
        """Op 20 of part W on plate P2 with fixture G, half an hour of cutting for four pieces."""
        self.plates.append(plate("P2", "G"))
        self.fixtures.append({"id": "G", "load_seconds": 600, "unload_seconds": 600})
        self.nests.append({"fixture": "G", "part": "W", "op": 20, "count": 4})
        self.operations.append({"part": "W", "op": 20, "cut_seconds": 450, **fields})

    def request(self, **settings: Any) -> PlanRequest:
        """The request, with settings beside the horizon."""
        tables = ("machines", "plates", "fixtures", "nests", "operations", "operators", "shifts", "closures")
        document = {
            "now": at(0), "orders": self.orders, "floor": self.floor, "settings": {"horizon_days": self.days, **settings},
            "shop": {"timezone": "UTC", **{table: getattr(self, table) for table in tables}},
        }
        return PlanRequest.model_validate(document, context={"zone": ZoneInfo("UTC")})

    def planned(self) -> Planned:
        """The shop's plan, earliest due date first; orders that do not fit are left out."""
        problem = build_problem(self.request())
        decoder = Decoder(problem)
        choices = first_choices(problem, sequences(problem)["due"])
        choices.build[:] = 1
        fits = fitting(decoder, choices)
        schedule = tidied(problem, decoder.state, fits, decoder.schedule(fits))
        runs, tasks = runs_and_tasks(problem, schedule)
        return Planned(problem, runs, tasks, [problem.request.orders[row].id for row in schedule.unplaced])


def plate(name: str, fixture: str | None, **fields: Any) -> dict[str, Any]:
    """A plate that fits every machine of mount A."""
    return {"id": name, "mount": "A", "size_x": 300, "size_y": 300, "mass": 8, "fixture": fixture, **fields}


def shift(operator: str, start: str, end: str, **fields: Any) -> dict[str, Any]:
    """A shift on every day."""
    return {"operator": operator, "days": DAILY, "start": start, "end": end, **fields}


@pytest.fixture
def shop() -> Shop:
    """The tiny shop without orders."""
    return Shop()


@pytest.fixture
def new_plate():
    """A row of the plate table: name, fixture, further fields."""
    return plate


@pytest.fixture
def new_shift():
    """A row of the shift table for every day: operator, start, end, further fields."""
    return shift


@pytest.fixture
def when():
    """RFC 3339 text of an instant in hours after `now`."""
    return at
