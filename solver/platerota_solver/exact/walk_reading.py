"""From the steps of a walk to a schedule: which plate, and whose pieces."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from platerota_solver.exact.walk_steps import AT, CUT, CUT_AT, CUT_END, END, FILL, FINISHED, KIND, LOAD, MACHINE, PLACE, PLATE, PULL
from platerota_solver.exact.walk_tables import WalkShop
from platerota_solver.kernel import state as col
from platerota_solver.problem import Ints, Problem
from platerota_solver.schedule import Schedule, schedule_points


@dataclass
class _Trip:
    """One run as the steps tell it: the times of its row, and pieces by (kind, order)."""

    fill: int
    row: Ints
    pieces: dict[tuple[int, int], int] = field(default_factory=dict[tuple[int, int], int])

    @property
    def loaded(self) -> int:
        """Load start."""
        return int(self.row[col.LOAD_AT])

    @property
    def unloaded(self) -> int:
        """Unload end."""
        return int(self.row[col.UNLOAD_END])


def read_schedule(problem: Problem, shop: WalkShop, steps: Ints) -> Schedule:
    """The kernel's rows of a walk's steps."""
    trips, finished = _trips(shop, steps)
    _credit(problem, shop, trips, finished)
    rows, pieces = list[Ints](), list[list[int]]()
    for number, trip in enumerate(trips):
        trip.row[col.FIRST_PIECES] = len(pieces)
        for (kind, order), count in sorted(trip.pieces.items()):
            item = int(problem.arrays.o_items[order, 0]) + shop.kinds[kind][1]
            pieces.append([item, count, -1, 0, 0, -1, 0, 0, number])
        trip.row[col.LAST_PIECES] = len(pieces)
        rows.append(trip.row)
    built = np.zeros((len(problem.arrays.c_plate), 3), dtype=np.int64)
    built[:, 0] = -1
    schedule = Schedule(np.array(rows), np.array(pieces, dtype=np.int64).reshape(-1, col.PIECE_COLUMNS), built, (), 0.0)
    return replace(schedule, points=schedule_points(problem, schedule))


def _trips(shop: WalkShop, steps: Ints) -> tuple[list[_Trip], list[int]]:
    """Runs in the sequence of their loads, and orders (rows of the walk) in the sequence in which they finish."""
    w = shop.walk
    trips, finished = list[_Trip](), list[int]()
    held: dict[int, tuple[int, int, int, _Trip]] = {}  # plate: next step, fill, machine, run
    for step in steps:
        kind, fill, machine, at, end = (int(step[c]) for c in (KIND, FILL, MACHINE, AT, END))
        family = [c for c in range(len(shop.carriers)) if w.plate_family[c] == w.plate_family[step[PLATE]]]
        if kind == LOAD:
            plate = next(c for c in family if c not in held)
            trip = _Trip(fill, np.full(col.RUN_COLUMNS, -1, dtype=np.int64))
            trip.row[[col.CARRIER, col.LOAD_BY, col.LOAD_AT, col.LOAD_END]] = shop.carriers[plate], shop.operator, at, end
            trip.row[[col.STAGE, col.FLOOR]] = col.AT_BENCH, 0
            trips.append(trip)
            held[plate] = (PLACE, fill, -1, trip)
            continue
        wanted = (kind, fill, machine if kind in (CUT, PULL) else -1)
        plate = next(c for c in family if c in held and held[c][:3] == wanted)
        trip = held.pop(plate)[3]
        if kind == PLACE:
            trip.row[[col.MACHINE, col.PLACE_BY, col.PLACE_AT, col.PLACE_END]] = machine, shop.operator, at, end
            trip.row[[col.CUT_AT, col.CUT_END]] = step[CUT_AT], step[CUT_END]
            held[plate] = (PULL if step[CUT_AT] >= 0 else CUT, fill, machine, trip)
        elif kind == CUT:
            trip.row[[col.CUT_AT, col.CUT_END]] = at, end
            held[plate] = (PULL, fill, machine, trip)
        elif kind == PULL:
            trip.row[[col.PULL_BY, col.PULL_AT, col.PULL_END]] = shop.operator, at, end
            held[plate] = (kind + 1, fill, -1, trip)
        else:
            trip.row[[col.UNLOAD_BY, col.UNLOAD_AT, col.UNLOAD_END]] = shop.operator, at, end
            finished.extend(o for o in range(len(shop.orders)) if int(step[FINISHED]) >> o & 1)
    return trips, finished


def _credit(problem: Problem, shop: WalkShop, trips: list[_Trip], finished: list[int]) -> None:
    """Give the pieces of every run to orders: of a last op the first unloaded to the first finished; of an op before it the first
    unloaded to whoever the runs of the next op, in the sequence of their loads, hold pieces of.
    """
    w = shop.walk
    for kind in reversed(range(len(shop.kinds))):
        group = shop.kinds[kind][0]
        if w.ends[kind]:
            wanted = [(o, int(w.kinds.order_need[o, kind])) for o in finished if w.order_group[o] == group]
            wanted = [(shop.orders[o], pieces) for o, pieces in wanted]
        elif len(shop.groups[group]) == 1:
            wanted = [(shop.groups[group][0], int(w.kinds.need[kind]))]
        else:
            later = sorted((t for t in trips if any(k == kind + 1 for k, _ in t.pieces)), key=lambda t: t.loaded)
            wanted = [(o, pieces) for t in later for (k, o), pieces in sorted(t.pieces.items()) if k == kind + 1]
        made = sorted((t for t in trips if w.fill_pieces[t.fill, kind]), key=lambda t: t.unloaded)
        _share_out(kind, [(trip, int(w.fill_pieces[trip.fill, kind])) for trip in made], wanted)


def _share_out(kind: int, stock: list[tuple[_Trip, int]], wanted: list[tuple[int, int]]) -> None:
    """Pieces of `stock` in sequence to the orders that want them in sequence."""
    queue = [[order, pieces] for order, pieces in wanted]
    at = 0
    for trip, pieces in stock:
        left = pieces
        while left:
            used = min(left, queue[at][1])
            key = (kind, queue[at][0])
            trip.pieces[key] = trip.pieces.get(key, 0) + used
            queue[at][1] -= used
            left -= used
            at += queue[at][1] == 0
