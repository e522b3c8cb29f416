"""The plate check itself: one question answered, from pure functions."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from platerota_shared.checks.fit import MASS_SLACK
from platerota_shared.lifting import CAUTION, LOAD_CONSTANT, Lift, lifting_index, multipliers, recommended_limit
from platerota_shared.plan import Warning_
from platerota_shared.plate_checks.answer import (
    CheckedMass,
    LiftCheck,
    LiftEnd,
    MachineFit,
    NestGrid,
    NestsRhythm,
    Placement,
    PlateCheck,
    Rhythm,
)
from platerota_shared.plate_checks.asked import CheckedMachine, CheckedPlate, LiftAsked, PlateCheckRequest, TimesAsked
from platerota_shared.plate_checks.grid import Orientation, grid
from platerota_shared.plate_checks.materials import MATERIALS, MaterialName
from platerota_shared.plate_checks.rhythm import Cycle, one_plate, spread, two_plates

_ORIENTATIONS: Final[tuple[Orientation, ...]] = ("along", "turned")
_EVERY: Final = 12
"""Nests up to which every number is shown; past it they double."""

_WEIGH: Final = "A mass from a density is an estimate of a solid block: weigh the loaded plate before somebody lifts it."
_ALONE: Final = (
    "Free time of the operator is time for other work near by. Whether a machine may cut alone (fire, coolant, chips, broken tools) is for"
    " local codes, the insurer and a competent person to decide; nobody leans into a machine that can start."
)


def check_plate(request: PlateCheckRequest) -> PlateCheck:
    """Everything that can be said of the plate that is asked about."""
    grids = _grids(request)
    nests = request.nests if request.nests is not None else max((one.nests for one in grids), default=None)
    mass = _mass(request, nests or 0)
    machines = tuple(_machine(request.plate, machine, mass.loaded_mass) for machine in request.machines)
    lift = _lift(request.lift, mass) if request.lift is not None else None
    rhythm = tuple(_nests_rhythm(request.times, pieces) for pieces in _counts(nests or 0)) if request.times is not None else ()
    cautions = [CAUTION, *([_WEIGH] if mass.densities else []), *([_ALONE] if rhythm else [])]
    answer = PlateCheck(
        mass=mass, machines=machines, grids=grids, nests=nests, lift=lift, rhythm=rhythm, warnings=(), cautions=tuple(cautions),
    )
    return answer.model_copy(update={"warnings": tuple(_warnings(request, answer))})


def _grids(request: PlateCheckRequest) -> tuple[NestGrid, ...]:
    plate, piece, layout = request.plate, request.piece, request.layout
    if piece is None:
        return ()
    gaps = (layout.gap_x, layout.gap_y)
    found = [grid((plate.size_x, plate.size_y), layout.edge, (piece.size_x, piece.size_y), gaps, way) for way in _ORIENTATIONS]
    return tuple(
        NestGrid(
            orientation=one.orientation, columns=one.columns, rows=one.rows, nests=one.nests,
            used_x=_rounded(one.used_x), used_y=_rounded(one.used_y),
        )
        for one in found
    )


def _mass(request: PlateCheckRequest, pieces: int) -> CheckedMass:
    plate, piece = request.plate, request.piece
    solid, block = plate.solid(), piece.solid() if piece is not None else None
    plate_mass = plate.mass if plate.mass is not None else solid
    piece_mass = piece.mass if piece is not None and piece.mass is not None else block
    assert plate_mass is not None, "reading a plate check asks for a mass"
    used: list[MaterialName | None] = [plate.material, piece.material if piece is not None else None]
    loaded = plate_mass + plate.hardware_mass + pieces * (piece_mass or 0.0)
    return CheckedMass(
        plate_mass=_rounded(plate_mass), solid_mass=_rounded(solid) if solid is not None else None,
        hardware_mass=_rounded(plate.hardware_mass), piece_mass=_rounded(piece_mass) if piece_mass is not None else None,
        pieces=pieces, loaded_mass=_rounded(loaded),
        densities=tuple(MATERIALS[name].words for name in dict.fromkeys(used) if name is not None),
    )


def _machine(plate: CheckedPlate, machine: CheckedMachine, loaded: float) -> MachineFit:
    """Fit by mount, travels in either orientation, and table load (the floor's rule F5, without tools)."""
    placements = tuple(_placement(plate, machine, way) for way in _ORIENTATIONS)
    spare = machine.max_mass - loaded if machine.max_mass is not None else None
    reasons: list[str] = []
    if None not in (plate.mount, machine.mount) and plate.mount != machine.mount:
        reasons.append(f"the plate has mount '{plate.mount}', machine {machine.id} has '{machine.mount}'")
    if not any(one.fits for one in placements):
        reasons.append(
            f"{plate.size_x:g} x {plate.size_y:g} mm do not lie within the travels {machine.travel_x:g} x {machine.travel_y:g} mm"
            f" of machine {machine.id}, either way round"
        )
    if spare is not None and spare < -MASS_SLACK:
        reasons.append(f"the loaded plate weighs {loaded:.1f} kg, machine {machine.id} carries at most {machine.max_mass:g} kg")
    return MachineFit(
        id=machine.id, fits=not reasons, placements=placements, spare_mass=_rounded(spare) if spare is not None else None,
        reasons=tuple(reasons),
    )


def _placement(plate: CheckedPlate, machine: CheckedMachine, way: Orientation) -> Placement:
    size_x, size_y = (plate.size_x, plate.size_y) if way == "along" else (plate.size_y, plate.size_x)
    spare_x, spare_y = machine.travel_x - size_x, machine.travel_y - size_y
    return Placement(orientation=way, spare_x=_rounded(spare_x), spare_y=_rounded(spare_y), fits=spare_x >= 0 and spare_y >= 0)


def _lift(asked: LiftAsked, mass: CheckedMass) -> LiftCheck:
    """Both ends of the lift; the recommended limit is the lower one, the index the higher."""
    travel = abs(asked.to_height - asked.height) / 10
    ends = [
        Lift(reach / 10, height / 10, travel, twist, asked.per_minute, asked.hours, asked.coupling)
        for reach, height, twist in ((asked.reach, asked.height, asked.twist), (asked.to_reach, asked.to_height, asked.to_twist))
    ]
    bare = mass.plate_mass + mass.hardware_mass
    return LiftCheck(
        pick_up=_lift_end(ends[0], mass.loaded_mass), put_down=_lift_end(ends[1], mass.loaded_mass),
        index=_index(max(lifting_index(mass.loaded_mass, end) for end in ends)),
        bare_index=_index(max(lifting_index(bare, end) for end in ends)),
    )


def _lift_end(lift: Lift, loaded: float) -> LiftEnd:
    each = multipliers(lift)
    return LiftEnd(
        horizontal=_rounded(each.horizontal), vertical=_rounded(each.vertical), distance=_rounded(each.distance),
        asymmetry=_rounded(each.asymmetry), frequency=each.frequency, coupling=each.coupling,
        limit_mass=_rounded(recommended_limit(lift)), index=_index(lifting_index(loaded, lift)),
    )


def _index(value: float) -> float | None:
    return _rounded(value) if value != float("inf") else None


def _counts(nests: int) -> list[int]:
    """The numbers of nests that are shown: every one to twelve, then doubled, and the last."""
    counts = list(range(1, min(nests, _EVERY) + 1))
    while counts and counts[-1] < nests:
        counts.append(min(2 * counts[-1], nests))
    return counts


def _nests_rhythm(times: TimesAsked, pieces: int) -> NestsRhythm:
    cut = times.cycle_seconds + times.tool_changes * times.tool_change_seconds + pieces * times.cut_seconds
    hand = times.load_seconds + times.unload_seconds + pieces * (times.load_piece_seconds + times.unload_piece_seconds)
    exchange = times.place_seconds + times.pull_seconds
    one, two = (made(cut, hand, exchange, times.walk_seconds) for made in (one_plate, two_plates))
    return NestsRhythm(
        pieces=pieces, cut_seconds=cut, hand_seconds=hand,
        tool_change_seconds=_rounded(spread(times.tool_changes, times.tool_change_seconds, pieces)),
        one_plate=_rhythm(one, times, pieces, cut), two_plates=_rhythm(two, times, pieces, cut),
    )


def _rhythm(cycle: Cycle, times: TimesAsked, pieces: int, cut: int) -> Rhythm:
    length = cycle.length(times.mills)
    shares = [_rounded(cutting / length) if length else 0.0 for cutting in (cut, pieces * times.cut_seconds)]
    return Rhythm(
        cycle_seconds=length, minutes_per_piece=_rounded(length / 60 / pieces), spindle_share=shares[0], piece_share=shares[1],
        operator_free_seconds=cycle.operator_free(times.mills), mill_wait_seconds=cycle.mill_waits(times.mills),
        mills_served=_index(cycle.served),
    )


def _warnings(request: PlateCheckRequest, answer: PlateCheck) -> Iterator[Warning_]:
    """What speaks against the plate, in the order of the answer."""
    yield from _fit_warnings(answer)
    best = max((one.nests for one in answer.grids), default=0)
    if answer.grids and not best:
        words = "no piece fits on the plate with these gaps and edges, either way round"
        yield Warning_(code="no-nest-fits", detail=words, pointer="/layout")
    if request.nests is not None and request.nests > best:
        words = f"{request.nests} nests are asked, but a plain grid with these gaps and edges holds {best}"
        yield Warning_(code="more-nests-than-fit", detail=words, pointer="/nests")
    yield from _lift_warnings(answer)
    if request.times is not None and answer.rhythm and answer.rhythm[-1].two_plates.mill_wait_seconds:
        waits, mills = answer.rhythm[-1].two_plates.mill_wait_seconds, request.times.mills
        who = "the mill" if mills == 1 else f"each of the {mills} mills"
        words = (
            f"even with two plates {who} waits {waits:g} s in each cycle for the operator: quicker clamping, longer cuts or a second person"
            " gain more than a third plate"
        )
        yield Warning_(code="mills-wait-for-operator", detail=words, pointer="/times")


def _fit_warnings(answer: PlateCheck) -> Iterator[Warning_]:
    if answer.machines and not any(machine.fits for machine in answer.machines):
        yield Warning_(code="fits-no-machine", detail="none of the machines takes the loaded plate", pointer="/machines")
    for number, machine in enumerate(answer.machines):
        margin = max((min(one.spare_x, one.spare_y) for one in machine.placements if one.fits), default=None)
        if machine.fits and margin == 0:
            words = f"the plate is as wide as a travel of machine {machine.id}: it fits with no margin, so no tool can pass its edge there"
            yield Warning_(code="no-travel-margin", detail=words, pointer=f"/machines/{number}")


def _lift_warnings(answer: PlateCheck) -> Iterator[Warning_]:
    loaded, lift = answer.mass.loaded_mass, answer.lift
    if lift is not None and (lift.index is None or lift.index > 1):
        index = f"a lifting index of {lift.index:.2f}" if lift.index is not None else "a lift that the equation never allows"
        words = f"the loaded plate weighs {loaded:.1f} kg, which makes {index}. {CAUTION}"
        yield Warning_(code="lift-needs-care", detail=words, pointer="/lift")
    elif lift is None and loaded > LOAD_CONSTANT:
        words = (
            f"the loaded plate weighs {loaded:.1f} kg; the revised NIOSH lifting equation allows one person {LOAD_CONSTANT:.0f} kg under"
            f" the best conditions. {CAUTION}"
        )
        yield Warning_(code="lift-needs-care", detail=words, pointer="/plate")


def _rounded(value: float) -> float:
    """Six decimals: a milligram, a nanometre; keeps sums of decimal fractions readable."""
    return round(value, 6)
