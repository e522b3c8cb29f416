"""What a plate check is asked: a plate that is thought of, the mills, the piece, the lift, the times."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field, WithJsonSchema

from platerota_shared.fields import Id, Length, Mass, Number, Seconds, Whole
from platerota_shared.lifting import Coupling
from platerota_shared.plate_checks.materials import MaterialName, solid_mass
from platerota_shared.tables import Row
from platerota_shared.units import read_length

Distance = Annotated[
    float,
    BeforeValidator(read_length),
    Field(ge=0.0, le=100_000.0),
    WithJsonSchema({
        "anyOf": [{"type": "number", "minimum": 0, "maximum": 100_000}, {"type": "string", "examples": ["30 in"]}],
        "description": "millimetres, or text with a unit such as '30 in'",
    }),
]
"""A length in millimetres that may be 0."""

PieceSize = Annotated[
    float,
    BeforeValidator(read_length),
    Field(ge=0.1, le=100_000.0),
    WithJsonSchema({
        "anyOf": [{"type": "number", "minimum": 0.1, "maximum": 100_000}, {"type": "string", "examples": ["3.5 in"]}],
        "description": "millimetres, or text with a unit such as '3.5 in'",
    }),
]
"""A side of a piece in millimetres; below a tenth of one a grid has no end."""

Twist = Annotated[Number, Field(ge=0.0, le=180.0)]
"""Degrees."""

Nests = Annotated[Whole, Field(ge=1, le=10_000)]
"""Nests of a fixture."""

MAX_MACHINES = 500
"""The most machines of one question."""


class CheckedPlate(Row):
    """The plate that is thought of; its mass is given, or follows from material and thickness."""

    size_x: Length
    """Size in X, mm."""
    size_y: Length
    """Size in Y, mm."""
    mass: Mass | None = None
    """Mass of the bare plate, kg; null: worked out from material and thickness."""
    material: MaterialName | None = None
    """What the plate is made of."""
    thickness: Length | None = None
    """Thickness, mm."""
    hardware_mass: Mass = 0.0
    """Mass of clamps, stops and pins on it, kg."""
    mount: Id | None = None
    """The interface to machines; null: not decided, any machine's mount will do."""

    def solid(self) -> float | None:
        """The mass in kg of a solid plate of its size and material; None where one of these is not given."""
        if self.material is None or self.thickness is None:
            return None
        return solid_mass(self.size_x, self.size_y, self.thickness, self.material)


class CheckedMachine(Row):
    """A mill that the plate might go into."""

    id: Id
    """The machine."""
    travel_x: Length
    """X travel, mm; the plate lies within the travels in either orientation."""
    travel_y: Length
    """Y travel, mm."""
    max_mass: Mass | None = None
    """Most mass of a loaded plate, kg; null: no limit."""
    mount: Id | None = None
    """The interface to plates; null: not decided, any plate's mount will do."""


class CheckedPiece(Row):
    """One piece as it is loaded; its mass is given, or follows from material and size_z."""

    size_x: PieceSize
    """Size in the piece's own X, with what jaws or clamps need beside it left out, mm."""
    size_y: PieceSize
    """Size in the piece's own Y, mm."""
    size_z: Length | None = None
    """Height, mm; only for its mass."""
    mass: Mass | None = None
    """Mass of one piece as it is loaded, kg; null: worked out from material and size_z."""
    material: MaterialName | None = None
    """What it is made of."""

    def solid(self) -> float | None:
        """The mass in kg of a solid block of its size and material; None where one of these is not given."""
        if self.material is None or self.size_z is None:
            return None
        return solid_mass(self.size_x, self.size_y, self.size_z, self.material)


class Layout(Row):
    """The room between nests of a plain grid."""

    gap_x: Distance = 0.0
    """Between neighbours in the piece's own X, for clamps, stops and the tool, mm; it turns with the piece."""
    gap_y: Distance = 0.0
    """Between neighbours in the piece's own Y, mm."""
    edge: Distance = 0.0
    """What stays free along each edge of the plate, mm."""


class LiftAsked(Row):
    """How a person lifts the loaded plate; what is not given counts as the best there is.

    Both ends count, because a plate is put down with care onto its mount.
    """

    reach: Distance = 250.0
    """Where it is picked up: how far the hands are in front of the ankles, mm."""
    height: Distance = 750.0
    """Where it is picked up: the hands above the floor, mm."""
    twist: Twist = 0.0
    """Where it is picked up: how far the trunk turns from straight ahead, degrees."""
    to_reach: Distance = 250.0
    """Where it is put down: how far the hands are in front of the ankles, mm."""
    to_height: Distance = 750.0
    """Where it is put down: the hands above the floor, mm; the travel is the difference of both heights."""
    to_twist: Twist = 0.0
    """Where it is put down: how far the trunk turns from straight ahead, degrees."""
    coupling: Coupling = "good"
    """The grip: `good` handles, `fair`, or `poor` edges."""
    per_minute: Annotated[Number, Field(ge=0.0, le=100.0)] = 0.2
    """Lifts per minute; 0.2 or less counts as 0.2."""
    hours: Annotated[Number, Field(gt=0.0, le=24.0)] = 1.0
    """Hours a day of such lifting without a longer rest; the equation goes to 8."""


class TimesAsked(Row):
    """Times of one run by hand exchange, in seconds."""

    cut_seconds: Seconds
    """Cutting time of one piece, tool changes left out, seconds."""
    cycle_seconds: Seconds = 0
    """Fixed part of each cut besides tool changes: probing, rapids, seconds."""
    tool_changes: Annotated[Whole, Field(ge=0, le=10_000)] = 0
    """Tool changes in a cut, M: the program cuts all pieces with a tool before it takes the next one."""
    tool_change_seconds: Seconds = 0
    """One tool change, t, seconds."""
    load_seconds: Seconds = 0
    """Hand work of each load, whatever the pieces, seconds."""
    unload_seconds: Seconds = 0
    """Hand work of each unload, whatever the pieces, seconds."""
    load_piece_seconds: Seconds = 0
    """Hand work of a load for each piece, its clamps tightened, seconds."""
    unload_piece_seconds: Seconds = 0
    """Hand work of an unload for each piece, its clamps released, seconds."""
    place_seconds: Seconds = 10
    """Hand work to put a plate into the machine, seconds."""
    pull_seconds: Seconds = 10
    """Hand work to take a plate out, seconds."""
    walk_seconds: Seconds = 0
    """The operator's ways in each run, seconds."""
    mills: Annotated[Whole, Field(ge=1, le=500)] = 1
    """Like mills that one operator serves."""


class PlateCheckRequest(Row):
    """A plate that is thought of, before anybody builds a fixture on it: `POST /v1/plate-checks`."""

    plate: CheckedPlate
    """The plate."""
    machines: Annotated[tuple[CheckedMachine, ...], Field(max_length=MAX_MACHINES)] = ()
    """The mills it might go into, at most 500."""
    piece: CheckedPiece | None = None
    """The piece it is to hold; null: only the plate is checked."""
    layout: Layout = Layout()
    """The room between the pieces; without it they lie side by side."""
    nests: Nests | None = None
    """Nests of the fixture; null: as many as the better grid has."""
    lift: LiftAsked | None = None
    """How a person lifts the loaded plate; null: not asked."""
    times: TimesAsked | None = None
    """Times of a run; null: not asked."""
