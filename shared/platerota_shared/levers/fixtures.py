"""What a fixture may do more: run on another machine, or hold more pieces."""

from __future__ import annotations

from collections.abc import Iterator
from math import isqrt
from typing import Any

from platerota_shared.audit.spans import common, without
from platerota_shared.levers.lever import Lever
from platerota_shared.levers.week import Stake, Week, all_at_once
from platerota_shared.tables import Fixture, Machine, Nest

MOST_NESTS = 10_000
"""The most nests of one row."""


def machines(week: Week) -> Iterator[Lever]:
    """For each fixture that is bound to some machines: each other one that would take it and stands while those are taken.

    A plate of it must be free then, or wait loaded: where all are in a machine, another machine helps nobody.
    """
    for fixture in week.request.shop.fixtures:
        plates = week.plates_of.get(fixture.id, [])
        if not fixture.machines or not plates:
            continue
        taken = all_at_once([week.spindle_taken(machine) for machine in fixture.machines])
        queue = without(taken, all_at_once([week.plate_in_machine(plate.id) for plate in plates]))
        for machine in week.request.shop.machines:
            if machine.id not in fixture.machines and _would_take(week, fixture, machine):
                stands = common(without(queue, week.spindle_taken(machine.id)), week.attended)
                promise = week.worth_of_places(fixture.id, stands, 1 / (len(fixture.machines) + 1))
                if promise > 0:
                    change = {"kind": "allow_machine", "fixture": fixture.id, "machine": machine.id}
                    yield Lever("machine", f"fixture {fixture.id} allowed on {machine.id} too", (change,), promise)


def _would_take(week: Week, fixture: Fixture, machine: Machine) -> bool:
    """Whether a machine takes each plate of a fixture, were it not for the machines that the fixture names."""
    free = fixture.model_copy(update={"machines": ()})
    lightest = week.fits.lightest(fixture.id)
    return all(week.fits.misfit(plate, machine, free, lightest) is None for plate in week.plates_of[fixture.id])


def nests(week: Week) -> Iterator[Lever]:
    """For each fixture that orders still need: one more row of nests for what they have in it, where fewer runs would do then.

    Whether the plate has the room is for the planner to see; that it stays light enough for its machines is looked at here.
    """
    for fixture in week.request.shop.fixtures:
        filled = week.filled.get(fixture.id, set())
        held = week.tables.nests_by_fixture.get(fixture.id, ()) if filled else ()
        rows = [nest for nest in held if (nest.part, nest.op) in filled and more(nest.count) <= MOST_NESTS]
        if not rows or not _bears(week, fixture, rows):
            continue
        promise = sum(_fewer(week, fixture, stake, rows) for stake in week.stakes)
        if promise > 0:
            counts = [{"part": row.part, "op": row.op, "count": more(row.count)} for row in rows]
            said = ", ".join(f"{more(row.count)} instead of {row.count} nests for {row.part} op {row.op}" for row in rows)
            change: dict[str, Any] = {"kind": "change_fixture", "fixture": fixture.id, "nests": counts}
            yield Lever("nests", f"fixture {fixture.id} with {said}, if its plate has the room", (change,), promise)


def more(count: int) -> int:
    """Nests with one more row, where they stand in as square a grid as their number allows: 4 become 6, 6 become 8, 9 become 12."""
    across = next(width for width in range(isqrt(count), 0, -1) if count % width == 0)
    return count + across


def _bears(week: Week, fixture: Fixture, rows: list[Nest]) -> bool:
    """Whether each plate of a fixture, full, still fits every machine that it fits with a full load now."""
    full = sum(week.fits.stock(nest.part, nest.op) * nest.count for nest in week.tables.nests_by_fixture.get(fixture.id, ()))
    heavier = full + sum(week.fits.stock(row.part, row.op) * (more(row.count) - row.count) for row in rows)
    plates = week.tables.plates_by_fixture.get(fixture.id) or week.plates_of.get(fixture.id, [])
    return bool(plates) and all(
        week.fits.misfit(plate, machine, fixture, heavier) is None
        for plate in plates for machine in week.fits.machines_for(plate, fixture, full)
    )


def _fewer(week: Week, fixture: Fixture, stake: Stake, rows: list[Nest]) -> float:
    """Points where an order gains what each run less saves: loading, unloading and the fixed part of a cut."""
    saved = 0
    for row in rows:
        if row.part == stake.order.part and fixture.id in stake.places:
            pieces = week.tables.left(stake.order, row.op)
            saved = max(saved, -(-pieces // row.count) + pieces // -more(row.count))
    each = fixture.load_seconds + fixture.unload_seconds + fixture.clamps * (fixture.clamp_seconds + fixture.release_seconds)
    plates = max(1, len(week.plates_of.get(fixture.id, [])))
    return stake.points(week.request.settings.score, saved * (each + fixture.cycle_seconds) / plates)
