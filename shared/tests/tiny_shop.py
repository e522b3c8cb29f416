"""One tiny shop that a human can check by hand, as the raw request a caller would send; every test derives from it.

One mill M1 (500 x 400 mm, 100 kg, mount A), two plates of 400 x 300 mm and 20 kg on it: P1 carries fixture F10 (4 nests for part
A op 10), P2 carries F20 (2 nests for op 20). Ann works Monday to Friday 06:00-14:00 with a break 10:00-10:15. Order O1 wants 8
pieces of A by Wednesday noon: 2 runs of op 10, 4 runs of op 20. Load 120 s, unload 60 s, exchange 10 s + 10 s, cuts 4 x 600 s
and 2 x 300 s. `now` is Monday 2027-03-01 06:00 in Lisbon (UTC in winter).

`whole_floor` is the same shop using every feature of the contract.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

from platerota_shared import Fault, PlanRequest, RequestRefused, read_request

Document = dict[str, Any]


def tiny_shop() -> Document:
    """The raw request; a new one at each call."""
    return {
        "now": "2027-03-01T06:00:00",
        "shop": {
            "timezone": "Europe/Lisbon",
            "machines": [{"id": "M1", "mount": "A", "travel_x": 500, "travel_y": 400, "max_mass": 100}],
            "plates": [
                {"id": "P1", "mount": "A", "size_x": 400, "size_y": 300, "mass": 20, "fixture": "F10"},
                {"id": "P2", "mount": "A", "size_x": 400, "size_y": 300, "mass": 20, "fixture": "F20"},
            ],
            "fixtures": [
                {"id": "F10", "load_seconds": 120, "unload_seconds": 60, "mass": 10},
                {"id": "F20", "load_seconds": 120, "unload_seconds": 60, "mass": 10},
            ],
            "nests": [
                {"fixture": "F10", "part": "A", "op": 10, "count": 4},
                {"fixture": "F20", "part": "A", "op": 20, "count": 2},
            ],
            "operations": [
                {"part": "A", "op": 10, "cut_seconds": 600, "stock_mass": 2},
                {"part": "A", "op": 20, "cut_seconds": 300, "stock_mass": 1},
            ],
            "operators": [{"id": "Ann"}],
            "shifts": [
                {
                    "operator": "Ann", "days": ["mon", "tue", "wed", "thu", "fri"], "start": "06:00", "end": "14:00",
                    "breaks": ["10:00-10:15"],
                },
            ],
            "closures": [],
        },
        "orders": [{"id": "O1", "part": "A", "quantity": 8, "due": "2027-03-03T12:00:00"}],
    }


def row(table: str, index: int = 0, **fields: Any) -> Callable[[Document], None]:
    """A change: set `fields` of one row of `table` (``machines``, ``orders``, ``floor.running`` …); ``...`` removes a field."""

    def change(document: Document) -> None:
        target = rows(document, table)[index]
        for name, value in fields.items():
            if value is ...:
                del target[name.removesuffix("_")]
            else:
                target[name.removesuffix("_")] = value

    return change


def add(table: str, **fields: Any) -> Callable[[Document], None]:
    """A change: one more row of `table`."""
    return lambda document: rows(document, table).append({name.removesuffix("_"): value for name, value in fields.items()})


def drop(table: str, index: int) -> Callable[[Document], None]:
    """A change: one row of `table` less."""
    return lambda document: rows(document, table).__delitem__(index)


def rows(document: Document, table: str) -> list[Any]:
    """The rows of a table of a raw request, made where there are none."""
    if table == "orders":
        return document["orders"]  # type: ignore[no-any-return]
    holder = document.setdefault("floor", {}) if table.startswith("floor.") else document["shop"]
    return holder.setdefault(table.removeprefix("floor."), [])  # type: ignore[no-any-return]


def changed(*changes: Callable[[Document], None], base: Callable[[], Document] = tiny_shop) -> Document:
    """The tiny shop (or `base`) with `changes` made."""
    document = copy.deepcopy(base())
    for change in changes:
        change(document)
    return document


def faults(data: Any) -> tuple[Fault, ...]:
    """The faults of a request; none where it is accepted."""
    try:
        read_request(data)
    except RequestRefused as refused:
        return refused.faults
    return ()


def found(data: Any) -> list[tuple[str, str]]:
    """Pointer and code of each fault of a request."""
    return [(fault.pointer, fault.code) for fault in faults(data)]


def request(*changes: Callable[[Document], None]) -> PlanRequest:
    """The tiny shop with `changes`, read."""
    return read_request(changed(*changes))


def whole_floor() -> Document:
    """The tiny shop with every feature of the contract in use at least once, still a valid request."""
    document = changed(
        row("machines", setup_seconds=300, tool_slots=20, tools=["T1", "T2"], unattended_minutes=240, hour_cost=60, cut_factor=1.2),
        add("machines", id="M2", mount="B", travel_x=800, travel_y=500, positions=3, exchange="automatic", exchange_seconds=25),
        add("plates", id="P3", mount="B", size_x="16 in", size_y=300, mass="24 lb", stays_in="M2", fixture="F20"),
        add("plates", id="P4", mount="B", size_x=400, size_y=300, mass=15),
        add("plates", id="P5", mount="A", size_x=400, size_y=300, mass=15, fixture="F10"),
        add("fixtures", id="FB", load_seconds=60, build_seconds=7200, mount="B", min_size_x=200, min_size_y=350, machines=["M2"]),
        add("nests", fixture="FB", part="B", op=10, count=6),
        add("nests", fixture="FB", part="A", op=10, count=2),
        add("operations", part="B", op=10, cut_seconds=200, tools=["T3"], first_article_seconds=600, bench_seconds=30, after_seconds=3600),
        add("operators", id="Bob", skills=["load", "unload", "exchange", "setup", "first_article", "bench", "build"], hour_cost=40),
        add("shifts", operator="Bob", days=["mon"], start="22:00", end="06:00", breaks=["02:00-02:30"], overtime=True, from_="2027-03-01"),
        add("closures", machine="M1", start="2027-03-02T06:00:00", end="2027-03-02T08:00:00", reason="service"),
        add("orders", id="O2", part="B", quantity=12, due="2027-03-05T12:00:00+01:00", release="2027-03-02T06:00:00", weight=2.5),
        add("floor.pieces", order="O1", op=10, pieces=1),
        add("floor.last_fixtures", machine="M2", fixture="F20"),
        add("floor.running", plate="P1", machine="M1", order="O1", op=10, pieces=2, cut_end="2027-03-01T06:20:00"),
        add("floor.waiting", plate="P2", order="O1", op=20, pieces=2, stage="loaded"),
    )
    document["settings"] = {"horizon_days": 14, "solve_seconds": 5, "seed": 3, "repeatable": True, "score": {"late_hour": 50, "setup": 1}}
    return document
