"""One more copy of a plate that orders queue for."""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.audit.spans import common, seconds_in, without
from platerota_shared.calendars import merge
from platerota_shared.levers.lever import Lever
from platerota_shared.levers.week import Week, all_at_once
from platerota_shared.tables import Plate


def copies(week: Week) -> Iterator[Lever]:
    """A lever for each fixture whose plates are all taken at some time while orders still need it, and a spindle is free.

    A plate that stays in its machine is not copied: a second one that large needs a machine, too.
    """
    for fixture, plates in week.plates_of.items():
        machines = week.machines_for(fixture)
        taken = all_at_once([week.plate_taken(plate.id) for plate in plates])
        # A plate that nobody is there to exchange stands; one in a pool is exchanged by the machine, night or day.
        useful = taken if any(machine.automatic for machine in machines) else common(taken, week.attended)
        idle = merge(span for machine in machines for span in without(useful, week.spindle_taken(machine.id)))
        # With n plates of n + 1 the work of one is done n / (n + 1) sooner, but no sooner than spindles have time for it.
        promise = min(week.worth_of_loads(fixture, useful, 1 / (len(plates) + 1)), week.worth_of_loads(fixture, idle, 1.0))
        if promise > 0:
            plate = max(plates, key=lambda plate: seconds_in(week.plate_taken(plate.id)))
            change = {"kind": "copy_plate", "plate": plate.id, "id": new_id(plate.id, set(week.book.plates))}
            yield Lever("plate", _words(plate, fixture, len(plates)), (change,), promise)


def _words(plate: Plate, fixture: str, plates: int) -> str:
    if plate.fixture is None:
        return f"a second blank plate like {plate.id}, so that fixture {fixture} can be built twice"
    if plates == 1:
        return f"a second copy of plate {plate.id} (fixture {fixture})"
    return f"one more copy of plate {plate.id} (fixture {fixture}, on {plates} plates now)"


def new_id(model: str, taken: set[str]) -> str:
    """An id for a copy of `model` that is not `taken`: ``P4-second``, else ``P4-3`` and so on; no longer than an id may be."""
    stem = model[:180]
    names = [f"{stem}-second", *(f"{stem}-{number}" for number in range(3, len(taken) + 4))]
    return next(name for name in names if name not in taken)


