"""The tiny shop with one thing wrong, once for every code of the catalogue."""

from __future__ import annotations

import json
from typing import Any, Final

from .tiny_shop import add, changed, drop, row, rows, tiny_shop, whole_floor


def _text(**fields: str) -> str:
    """The tiny shop as JSON text with raw text in place of some top-level values."""
    document = json.dumps(tiny_shop())
    return document[:-1] + "".join(f', "{name}": {value}' for name, value in fields.items()) + "}"


def _deep() -> dict[str, Any]:
    document = tiny_shop()
    nest: list[Any] = []
    for _ in range(20):
        nest = [nest]
    document["settings"] = {"seed": nest}
    return document


SINGLE_FAULTS: Final[dict[str, tuple[Any, str]]] = {
    "too-large": (b" " * (16 * 1024 * 1024 + 1), ""),
    "not-utf-8": ('{"now": "früh"}'.encode("latin-1"), ""),
    "not-json": (b"id;part;quantity", ""),
    "not-finite": (_text(settings='{"solve_seconds": NaN}'), "/settings/solve_seconds"),
    "too-deep": (_deep(), "/settings/seed" + "/0" * 14),
    "duplicate-key": (_text(now='"2027-03-01T06:00:00"'), "/now"),
    "missing-field": (changed(row("orders", quantity=...)), "/orders/0/quantity"),
    "unknown-field": (changed(row("orders", colour="red")), "/orders/0/colour"),
    "wrong-type": (changed(row("orders", quantity="8")), "/orders/0/quantity"),
    "out-of-range": (changed(row("orders", quantity=0)), "/orders/0/quantity"),
    "unknown-choice": (changed(row("machines", exchange="robot")), "/shop/machines/0/exchange"),
    "bad-text": (changed(row("machines", name="x" * 2_001)), "/shop/machines/0/name"),
    "bad-unit": (changed(row("plates", mass="5 furlongs")), "/shop/plates/0/mass"),
    "bad-instant": (changed(row("orders", due="Wednesday")), "/orders/0/due"),
    "bare-number-instant": (changed(row("orders", due=46_449.5)), "/orders/0/due"),
    "skipped-hour": (changed(row("orders", due="2027-03-28T01:30:00")), "/orders/0/due"),
    "doubled-hour": (changed(row("orders", due="2027-10-31T01:30:00")), "/orders/0/due"),
    "bad-time-of-day": (changed(row("shifts", start="6:00")), "/shop/shifts/0/start"),
    "bad-date": (changed(row("shifts", from_="03/04/2027")), "/shop/shifts/0/from"),
    "unknown-timezone": (changed(lambda document: document["shop"].update(timezone="Europe/Lisboa")), "/shop/timezone"),
    "too-many-rows": (changed(lambda document: document["shop"].update(closures=[{}] * 5_001)), "/shop/closures"),
    "unknown-id": (changed(
        add("closures", machine="M9", start="2027-03-02T06:00:00", end="2027-03-02T08:00:00")), "/shop/closures/0/machine"),
    "unknown-part": (changed(row("orders", part="B")), "/orders/0/part"),
    "unknown-op": (changed(row("nests", 1, op=30)), "/shop/nests/1/op"),
    "unknown-mount": (changed(add("fixtures", id="F30", build_seconds=600, mount="C")), "/shop/fixtures/2/mount"),
    "duplicate-row": (changed(add("plates", id="P1", mount="A", size_x=1, size_y=1, mass=1)), "/shop/plates/2/id"),
    "ends-before-start": (
        changed(add("closures", start="2027-03-02T08:00:00", end="2027-03-02T06:00:00")), "/shop/closures/0/end",
    ),
    "break-outside-shift": (changed(row("shifts", breaks=["13:45-14:15"])), "/shop/shifts/0/breaks/0"),
    "shift-all-breaks": (changed(row("shifts", breaks=["06:00-10:00", "09:00-14:00"])), "/shop/shifts/0/breaks"),
    "shift-never-falls": (
        changed(add("shifts", operator="Ann", days=["mon"], start="06:00", end="14:00", from_="2027-03-02", to="2027-03-07")),
        "/shop/shifts/1/days",
    ),
    "closure-names-several": (
        changed(add("closures", machine="M1", plate="P1", start="2027-03-02T06:00:00", end="2027-03-02T08:00:00")), "/shop/closures/0",
    ),
    "present-names-nobody": (
        changed(add("closures", machine="M1", start="2027-03-02T06:00:00", end="2027-03-02T08:00:00", present=True)),
        "/shop/closures/0/present",
    ),
    "too-few-positions": (changed(row("machines", exchange="automatic", positions=1)), "/shop/machines/0/positions"),
    "too-many-tools": (
        changed(add("machines", id="M2", mount="Z", travel_x=1, travel_y=1, tool_slots=1, tools=["T1", "T2"])), "/shop/machines/1/tools",
    ),
    "too-many-runs": (changed(row("orders", quantity=999_999)), "/orders"),
    "no-nest": (changed(drop("nests", 1)), "/shop/operations/1"),
    "no-plate": (changed(row("plates", 1, fixture=None)), "/shop/fixtures/1"),
    "no-blank-plate": (changed(row("plates", 1, fixture="F10"), row("fixtures", 1, build_seconds=600)), "/shop/fixtures/1"),
    "no-machine": (changed(row("plates", 1, mount="B")), "/shop/plates/1/mount"),
    "stays-misfit": (changed(row("plates", 1, stays_in="M1", size_x=600), row("machines", positions=2)), "/shop/plates/1/stays_in"),
    "too-many-plates": (changed(row("plates", 0, stays_in="M1"), row("plates", 1, stays_in="M1")), "/shop/machines/0/positions"),
    "nobody": (changed(drop("shifts", 0)), "/shop/shifts"),
    "too-many-pieces": (changed(add("floor.pieces", order="O1", op=10, pieces=9)), "/floor/pieces/0/pieces"),
    "plate-without-fixture": (
        changed(add("floor.waiting", plate="P4", order="O1", op=10, pieces=1, stage="loaded"), base=whole_floor), "/floor/waiting/1/plate",
    ),
    "nest-missing": (changed(row("floor.waiting", op=10), base=whole_floor), "/floor/waiting/0/op"),
    "nests-overfilled": (changed(row("floor.waiting", pieces=3), base=whole_floor), "/floor/waiting/0/pieces"),
    "run-disagrees": (
        changed(add("floor.waiting", plate="P2", order="O1", op=20, pieces=1, stage="pulled"),
                row("floor.waiting", 0, pieces=1, order="O3"), add("orders", id="O3", part="A", quantity=4, due="2027-03-05T12:00:00"),
                base=whole_floor),
        "/floor/waiting/1/stage",
    ),
    "plate-twice": (changed(add("floor.waiting", plate="P1", order="O1", op=10, pieces=1, stage="cut", machine="M1"), base=whole_floor),
                    "/floor/waiting/1/plate"),
    "two-cuts": (
        changed(add("floor.running", plate="P5", machine="M1", order="O1", op=10, pieces=1, cut_end="2027-03-01T06:30:00"),
                row("machines", positions=2), base=whole_floor),
        "/floor/running/1/machine",
    ),
    "cut-end-past": (changed(row("floor.running", cut_end="2027-03-01T06:00:00"), base=whole_floor), "/floor/running/0/cut_end"),
    "cut-end-beyond": (changed(row("floor.running", cut_end="2027-04-01T06:00:00"), base=whole_floor), "/floor/running/0/cut_end"),
    "machine-missing": (changed(row("floor.waiting", stage="placed"), base=whole_floor), "/floor/waiting/0/machine"),
    "machine-not-due": (changed(row("floor.waiting", machine="M1"), base=whole_floor), "/floor/waiting/0/machine"),
    "stays-elsewhere": (
        changed(row("floor.waiting", plate="P3", stage="cut", machine="M1"), row("machines", positions=2), base=whole_floor),
        "/floor/waiting/0/machine",
    ),
    "stage-never": (changed(row("floor.waiting", plate="P3", stage="pulled"), base=whole_floor), "/floor/waiting/0/stage"),
    "run-misfit": (changed(row("floor.waiting", stage="placed", machine="M2"), base=whole_floor), "/floor/waiting/0/machine"),
    "more-faults": (changed(lambda document: rows(document, "orders").extend([{}] * 3_400)), ""),
}
"""Code → the request and the pointer of its one fault."""
