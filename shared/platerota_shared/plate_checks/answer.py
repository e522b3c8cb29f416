"""What a plate check answers; every figure says how it is worked out."""

from __future__ import annotations

from platerota_shared.plan import Out, Warning_
from platerota_shared.plate_checks.grid import Orientation


class CheckedMass(Out):
    """What the plate weighs, in kg."""

    plate_mass: float
    """The bare plate, kg: as given, else solid_mass."""
    solid_mass: float | None
    """A solid plate, kg: size_x × size_y × thickness × density; null where material and thickness are not given."""
    hardware_mass: float
    """Clamps, stops and pins, kg."""
    piece_mass: float | None
    """One piece as it is loaded, kg: as given, else of a solid block; null where no piece is asked."""
    pieces: int
    """Pieces on the loaded plate: one in each nest."""
    loaded_mass: float
    """plate_mass + hardware_mass + pieces × piece_mass, kg."""
    densities: tuple[str, ...]
    """The densities that were used, with their sources; empty where all masses were given."""


class Placement(Out):
    """The plate in the travels of a machine, one way round."""

    orientation: Orientation
    """`along`: the plate's X along the machine's X; `turned`: by 90 degrees."""
    spare_x: float
    """X travel less what the plate takes of it, mm; below 0: so much is missing."""
    spare_y: float
    """Y travel less what the plate takes of it, mm."""
    fits: bool
    """Whether neither is below 0."""


class MachineFit(Out):
    """Whether a machine takes the loaded plate."""

    id: str
    """The machine."""
    fits: bool
    """Whether mount, travels and table load all take it."""
    placements: tuple[Placement, ...]
    """The plate in its travels, both ways round."""
    spare_mass: float | None
    """max_mass less loaded_mass, kg; below 0: so much too heavy; null: the machine has no limit."""
    reasons: tuple[str, ...]
    """Why it does not fit, one sentence for each reason; empty where it does."""


class NestGrid(Out):
    """The most nests in a plain grid, the pieces one way round."""

    orientation: Orientation
    """`along`: the piece's X along the plate's X; `turned`: by 90 degrees, its gaps with it."""
    columns: int
    """Nests along the plate's X: ⌊(size − 2 × edge + gap) ÷ (piece + gap)⌋."""
    rows: int
    """Nests along the plate's Y, likewise."""
    nests: int
    """columns × rows."""
    used_x: float
    """What pieces and gaps take of the plate's X, mm."""
    used_y: float
    """What they take of its Y, mm."""


class LiftEnd(Out):
    """One end of the lift by the revised NIOSH lifting equation (DHHS (NIOSH) 94-110): RWL = 23 kg × HM × VM × DM × AM × FM × CM."""

    horizontal: float
    """HM = 25 ÷ H, H the reach in cm; 1 below 25, 0 above 63."""
    vertical: float
    """VM = 1 − 0.003 × |V − 75|, V the height of the hands in cm; 0 above 175."""
    distance: float
    """DM = 0.82 + 4.5 ÷ D, D the travel in cm; 1 below 25, 0 above 175."""
    asymmetry: float
    """AM = 1 − 0.0032 × A, A the twist in degrees; 0 above 135."""
    frequency: float
    """FM by lifts per minute, hours, and height, from the manual's table."""
    coupling: float
    """CM by grip and height, from the manual's table."""
    limit_mass: float
    """RWL, the recommended weight limit, kg; 0: the equation allows no such lift."""
    index: float | None
    """LI = loaded_mass ÷ RWL; null where RWL is 0."""


class LiftCheck(Out):
    """The lifting index of the loaded plate."""

    pick_up: LiftEnd
    """Where it is picked up."""
    put_down: LiftEnd
    """Where it is put down, with care."""
    index: float | None
    """The worse of both; above 1 some people are at increased risk, above 3 many; null: no such lift is allowed."""
    bare_index: float | None
    """The same for the bare plate with its hardware, loaded and unloaded where it stands; null as above."""


class Rhythm(Out):
    """The steady rhythm with one or two plates for each mill, exchange by hand; worker–machine chart."""

    cycle_seconds: float
    """From one cut's start to the next on the same mill, seconds: one plate max(cut + exchange + unload + load, mills × service), two
    plates max(cut + exchange, mills × service), where service = unload + load + exchange + walk; with one mill and no way to walk that
    is max(cut, unload + load) + exchange."""
    minutes_per_piece: float
    """cycle_seconds ÷ 60 ÷ pieces, of each mill."""
    spindle_share: float
    """Share of the cycle in which the spindle cuts, tool changes and probing among it, as in a plan: cut ÷ cycle."""
    piece_share: float
    """Share of the cycle in which pieces are cut: pieces × cut_seconds of one ÷ cycle."""
    operator_free_seconds: float
    """What is left to the operator in each cycle, seconds: cycle − mills × service. Free for other work, not away: see the cautions."""
    mill_wait_seconds: float
    """What each mill waits for the operator in each cycle, seconds."""
    mills_served: float | None
    """n′: like mills that one operator serves before mills wait. One plate: (l + m) ÷ (l + w), where l = unload + load + exchange, m = cut,
    w = walk; two plates: (cut + exchange) ÷ service. null: no hand work at all."""


class NestsRhythm(Out):
    """A run of so many pieces."""

    pieces: int
    """Pieces in each run."""
    cut_seconds: int
    """The cut, seconds: cycle_seconds + tool_changes × tool_change_seconds + pieces × cut_seconds of one."""
    hand_seconds: int
    """Unload and load, seconds."""
    tool_change_seconds: float
    """Tool changes for each piece, seconds: tool_changes × tool_change_seconds ÷ pieces."""
    one_plate: Rhythm
    """With one plate for each mill: spindle and operator take turns."""
    two_plates: Rhythm
    """With two plates for each mill: loads and unloads go on beside the cut."""


class PlateCheck(Out):
    """What can be said of a plate before a fixture is built on it."""

    mass: CheckedMass
    """What it weighs, in kg."""
    machines: tuple[MachineFit, ...]
    """Whether each machine takes it, in the order of the question."""
    grids: tuple[NestGrid, ...]
    """The nests of a plain grid, the pieces along and turned; empty where no piece is asked."""
    nests: int | None
    """Nests that the figures count with: as asked, else those of the better grid; null where no piece is asked."""
    lift: LiftCheck | None
    """The lifting index; null where it is not asked."""
    rhythm: tuple[NestsRhythm, ...]
    """The rhythm as nests grow: 1 to 12, then doubled, up to `nests`; empty where it is not asked."""
    warnings: tuple[Warning_, ...]
    """What speaks against it; never a refusal."""
    cautions: tuple[str, ...]
    """What to keep in mind with every figure."""
