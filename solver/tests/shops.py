"""A tiny shop that a human can check by hand, as the raw request a caller would send; every test of the solver varies it.

One mill M1, one plate P1 with fixture F: one nest for op 10 of part W. Load 600 s, unload 300 s, place and pull 10 s each, a cut
2,400 s: a run of one piece takes 600 + 10 + 2,400 + 10 + 300 = 3,320 s. Ana is there day and night. Order O wants one W within a
day. `now` is Monday 2027-03-01 06:00 in a shop on UTC; times in the tests are seconds after it.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from platerota_shared import PlanRequest, read_request
from platerota_shared.audit import audit
from platerota_shared.plan import Plan, Task
from platerota_solver import solve

Raw = dict[str, Any]
Times = tuple[int, int]

START = datetime(2027, 3, 1, 6, tzinfo=UTC)
NOW = int(START.timestamp())
HOUR = 3_600
DAY = 24 * HOUR
WEEK = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
NOTHING = {
    "late_hour": 0, "finish_hour": 0, "overtime_hour": 0, "setup": 0, "makespan_hour": 0, "moved_task": 0, "unplaced_order": 1_000_000,
}


def at(seconds: int) -> str:
    """An instant as the contract writes it, `seconds` after `now`."""
    return (START + timedelta(seconds=seconds)).isoformat()


def tiny_shop(quantity: int = 1, due: int = DAY) -> Raw:
    """The raw request; a new one at each call."""
    return {
        "now": at(0),
        "shop": {
            "timezone": "UTC",
            "machines": [mill("M1")],
            "plates": [plate("P1")],
            "fixtures": [{"id": "F", "load_seconds": 600, "unload_seconds": 300}],
            "nests": [{"fixture": "F", "part": "W", "op": 10, "count": 1}],
            "operations": [{"part": "W", "op": 10, "cut_seconds": 2_400}],
            "operators": [{"id": "Ana"}],
            "shifts": [shift("Ana")],
            "closures": [],
        },
        "orders": [order("O", quantity, due)],
        "floor": {"pieces": [], "last_fixtures": [], "running": [], "waiting": []},
        "settings": {"horizon_days": 7, "solve_seconds": 0.5, "repeatable": True},
    }


def mill(name: str, **fields: Any) -> Raw:
    """A mill like M1."""
    return {"id": name, "mount": "A", "travel_x": 500, "travel_y": 400, **fields}


def plate(name: str, fixture: str | None = "F", **fields: Any) -> Raw:
    """A plate like P1."""
    return {"id": name, "mount": "A", "size_x": 300, "size_y": 300, "mass": 10, "fixture": fixture, **fields}


def order(name: str, quantity: int = 1, due: int = DAY, part: str = "W", **fields: Any) -> Raw:
    """An order due `due` seconds after `now`."""
    return {"id": name, "part": part, "quantity": quantity, "due": at(due), **fields}


def shift(operator: str, start: str = "00:00", end: str = "24:00", **fields: Any) -> Raw:
    """A shift on every day of the week."""
    return {"operator": operator, "days": WEEK, "start": start, "end": end, **fields}


def add_part(raw: Raw, part: str, fixture: str, *, op: int = 10, cut: int = 2_400, count: int = 1, **fields: Any) -> None:
    """A part or a further op of one, with a fixture of its own on a plate named after it; hand times like those of F."""
    shop = raw["shop"]
    shop["fixtures"].append({"id": fixture, "load_seconds": 600, "unload_seconds": 300})
    shop["plates"].append(plate(f"P-{fixture}", fixture))
    shop["nests"].append({"fixture": fixture, "part": part, "op": op, "count": count})
    shop["operations"].append({"part": part, "op": op, "cut_seconds": cut, **fields})


def rate(raw: Raw, **points: float) -> None:
    """Score only what is named, besides unplaced orders."""
    raw["settings"]["score"] = {**NOTHING, **points}


def solved(raw: Raw) -> Plan:
    """The plan, once the audit has passed it."""
    request: PlanRequest = read_request(raw)
    plan = solve(request)
    assert audit(request, plan) == []
    return plan


def tasks(plan: Plan, kind: str, **where: str) -> list[Task]:
    """The tasks of a kind by start, those whose fields are as in `where`."""
    found = [task for task in plan.tasks if task.kind == kind and all(getattr(task, name) == value for name, value in where.items())]
    return sorted(found, key=lambda task: (task.start, task.end, task.id))


def times(plan: Plan, kind: str, **where: str) -> list[Times]:
    """Start and end of the tasks of a kind, in seconds after `now`."""
    return [(task.start - NOW, task.end - NOW) for task in tasks(plan, kind, **where)]


def finish(plan: Plan, name: str = "O") -> int:
    """When an order finishes, in seconds after `now`."""
    found = next(result.finish for result in plan.orders if result.id == name)
    assert found is not None, f"{name} is not placed"
    return found - NOW
