"""Requests out of a seed: a shop of one family with the features asked for, as the contract's JSON values.

The same family, seed and features always give the same request. Every aspect draws from a stream of its own, so
switching a feature on leaves the rest of the shop as it was.
"""

from __future__ import annotations

from collections.abc import Iterable
from random import Random
from typing import Any, NamedTuple

from benchmarks.due_dates import date_orders
from benchmarks.families import FAMILIES, Family
from benchmarks.switches import SWITCHES

Request = dict[str, Any]

STRUCTURES = ("plain", "routed", "mixed")
"""How a part is made: one op; op 10 and op 20 on fixtures of their own; both on one plate."""

BASIC = (*STRUCTURES, "unattended", "closures", "positions", "release", "skills", "weights", "pieces")
FULL = (*BASIC, *(name for name in SWITCHES if name not in BASIC))
GROUPS = {"basic": BASIC, "full": FULL}
FEATURES = FULL


class Mount(NamedTuple):
    """A size of mill with its size of plate: mm and kg."""

    travel: tuple[int, int]
    max_mass: int
    plate: tuple[int, int]
    plate_mass: int


NOW = "2027-03-01T06:00:00"
_MOUNTS = {
    "A": Mount(travel=(600, 400), max_mass=150, plate=(400, 300), plate_mass=12),
    "B": Mount(travel=(1000, 500), max_mass=300, plate=(600, 400), plate_mass=24),
}
_SHIFTS = (
    ("06:00", "14:30", ["09:30-09:45", "12:00-12:30"]),
    ("08:00", "16:30", ["10:15-10:30", "12:45-13:15"]),
    ("13:30", "22:00", ["16:00-16:15", "18:30-19:00"]),
)
_WEEK = ["mon", "tue", "wed", "thu", "fri"]


def read_features(text: str) -> tuple[str, ...]:
    """Feature names from ``"plain"``, ``"routed,closures"``, ``"basic"`` or ``"full"``.

    Raises
    ------
    ValueError
        For a name that is no feature.
    """
    names: list[str] = []
    for word in text.split(","):
        names.extend(GROUPS.get(word, (word,)))
    unknown = sorted(set(names) - set(FEATURES))
    if unknown:
        raise ValueError(f"no such feature: {', '.join(unknown)}; there are {', '.join((*GROUPS, *FEATURES))}")
    return tuple(dict.fromkeys(names))


def make_request(family: str, seed: int, features: Iterable[str] = ("plain",), solve_seconds: float | None = None) -> Request:
    """A valid request of one family.

    Parameters
    ----------
    family
        A name of :data:`~benchmarks.families.FAMILIES`.
    features
        Names of :data:`FEATURES`; where none of :data:`STRUCTURES` is among them every part is plain.
    solve_seconds
        The optimiser's budget; the family's where None.
    """
    size, chosen = FAMILIES[family], tuple(features)
    request = _empty_request(size, seed, solve_seconds)
    _add_machines(request, size)
    _add_operators(request, size)
    structures = [name for name in STRUCTURES if name in chosen] or ["plain"]
    _add_parts(request, size, _stream(size, seed, "parts"), structures)
    _add_orders(request, size, _stream(size, seed, "orders"))
    for name, switch in SWITCHES.items():
        if name in chosen:
            switch(request, _stream(size, seed, name))
    shift = size.due_shift[STRUCTURES.index(structures[0]) if len(structures) == 1 else -1]
    date_orders(request, _stream(size, seed, "due"), shift, released="release" in chosen)
    return request


def _stream(size: Family, seed: int, aspect: str) -> Random:
    return Random(f"{size.name}/{seed}/{aspect}")


def _empty_request(size: Family, seed: int, solve_seconds: float | None) -> Request:
    tables = ("machines", "plates", "fixtures", "nests", "operations", "operators", "shifts", "closures")
    return {
        "now": NOW,
        "shop": {"timezone": "Europe/Lisbon", **{table: [] for table in tables}},
        "orders": [],
        "floor": {"pieces": [], "last_fixtures": [], "running": [], "waiting": []},
        "settings": {"solve_seconds": size.solve_seconds if solve_seconds is None else solve_seconds, "seed": seed},
    }


def _add_machines(request: Request, size: Family) -> None:
    """Mills of two mounts in turn, every fourth older and slower."""
    for index in range(size.machines):
        mount = "AB"[index % 2]
        travel_x, travel_y = _MOUNTS[mount].travel
        request["shop"]["machines"].append({
            "id": f"M{index + 1}", "mount": mount, "travel_x": travel_x, "travel_y": travel_y,
            "max_mass": _MOUNTS[mount].max_mass, "cut_factor": 1.15 if index % 4 == 3 else 1,
        })


def _add_operators(request: Request, size: Family) -> None:
    """Operators in staggered shifts, Monday to Friday."""
    for index in range(size.operators):
        start, end, breaks = _SHIFTS[index % len(_SHIFTS)]
        request["shop"]["operators"].append({"id": f"O{index + 1}"})
        request["shop"]["shifts"].append({"operator": f"O{index + 1}", "days": _WEEK, "start": start, "end": end, "breaks": breaks})


def _add_parts(request: Request, size: Family, random: Random, structures: list[str]) -> None:
    """Parts, their ops, and the fixtures and plates that hold them."""
    mounts = [machine["mount"] for machine in request["shop"]["machines"]]
    for index in range(size.parts):
        structure, part, mount = structures[index % len(structures)], f"P{index + 1}", mounts[index % len(mounts)]
        nests = random.choice((1, 2, 3, 4, 4, 6, 8))
        minutes = random.uniform(*size.cut_minutes)
        if structure == "mixed":
            _add_fixture(request, size, random, mount, part, [(10, nests, minutes * 0.6), (20, nests, minutes * 0.4)])
            continue
        _add_fixture(request, size, random, mount, part, [(10, nests, minutes)])
        if structure == "routed":
            second = max(1, nests - random.choice((0, 0, 1)))
            _add_fixture(request, size, random, mount, part, [(20, second, random.uniform(*size.cut_minutes))])


def _add_fixture(request: Request, size: Family, random: Random, mount: str, part: str, ops: list[tuple[int, int, float]]) -> None:
    """One fixture on one to three plates; `ops` lists op, nests and minutes of cutting in a full run."""
    shop = request["shop"]
    name = f"F{len(shop['fixtures']) + 1}"
    cycle = random.randrange(60, 241, 30)
    pieces = sum(nests for _, nests, _ in ops)
    load = random.uniform(*size.load_minutes) * 60
    clamps = random.choice((4, 6, 8))
    load_piece = int(0.4 * load / pieces)
    fixture: dict[str, Any] = {
        "id": name, "clamps": clamps, "clamp_seconds": 10, "release_seconds": 5, "cycle_seconds": cycle,
        "load_seconds": max(0, round(load) - clamps * 10 - pieces * load_piece), "load_piece_seconds": load_piece,
        "unload_seconds": int(0.3 * load), "unload_piece_seconds": int(0.6 * load_piece), "mass": random.randint(3, 8),
    }
    fits = [machine["id"] for machine in shop["machines"] if machine["mount"] == mount]
    if len(fits) > 2 and random.random() < 0.15:
        fixture["machines"] = sorted(random.sample(fits, len(fits) // 2), key=fits.index)
    shop["fixtures"].append(fixture)
    for op, nests, minutes in ops:
        cut = (minutes * 60 - cycle / len(ops)) / nests
        shop["nests"].append({"fixture": name, "part": part, "op": op, "count": nests})
        shop["operations"].append({
            "part": part, "op": op, "cut_seconds": max(30, round(cut)), "stock_mass": round(random.uniform(0.3, 1.5), 2),
        })
    size_x, size_y = _MOUNTS[mount].plate
    for _ in range(random.choice((1, 1, 2, 2, 3))):
        shop["plates"].append({
            "id": f"L{len(shop['plates']) + 1}", "mount": mount, "size_x": size_x, "size_y": size_y,
            "mass": _MOUNTS[mount].plate_mass, "fixture": name,
        })


def _add_orders(request: Request, size: Family, random: Random) -> None:
    """Orders spread evenly over the parts; their due dates come last, from the work there is."""
    shop = request["shop"]
    parts = [f"P{index % size.parts + 1}" for index in range(size.orders)]
    random.shuffle(parts)
    for index, part in enumerate(parts):
        rows = [row for row in shop["nests"] if row["part"] == part]
        nests, fixtures = rows[0]["count"], {row["fixture"] for row in rows}
        runs = random.randint(*size.runs)
        full = max(1, runs // 2) if len(fixtures) > 1 else runs - (len(rows) - 1)
        spare = random.choice((0, 0, random.randrange(nests)))
        request["orders"].append({"id": f"A{index + 1}", "part": part, "quantity": max(1, full * nests - spare)})
