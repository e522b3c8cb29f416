"""The revised NIOSH lifting equation: the mass that a healthy person may lift under given conditions.

Source: Applications Manual for the Revised NIOSH Lifting Equation, DHHS (NIOSH) Publication 94-110, metric constants; the rows
of the frequency table above 8 lifts per minute are quoted from memory. It does not cover one-handed, seated or kneeling lifts,
slippery floors, unstable loads and more: local rules and a competent person decide, never this number alone.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import Final, Literal

LOAD_CONSTANT: Final = 23.0
"""kg: the limit under the best conditions."""

CAUTION: Final = (
    "The revised NIOSH lifting equation does not cover one-handed, seated or kneeling lifts, lifts in a cramped space or leaning into a"
    " machine, slippery floors, unstable or hot loads, and people who are not fit for it. Above an index of 1 some people are at increased"
    " risk, above 3 many. Use a hoist, a cart or a second person where in doubt; local rules and a competent person decide, never this"
    " number alone."
)
"""What must stand beside every index."""

Coupling = Literal["good", "fair", "poor"]

# Lifts per minute: limits for work of at most 1, 2 and 8 hours, with the hands below 75 cm and from 75 cm up at the origin.
_Row = tuple[float, float, float]
_FREQUENCY: Final[tuple[tuple[float, _Row, _Row], ...]] = (
    (0.2, (1.00, 0.95, 0.85), (1.00, 0.95, 0.85)), (0.5, (0.97, 0.92, 0.81), (0.97, 0.92, 0.81)),
    (1, (0.94, 0.88, 0.75), (0.94, 0.88, 0.75)), (2, (0.91, 0.84, 0.65), (0.91, 0.84, 0.65)),
    (3, (0.88, 0.79, 0.55), (0.88, 0.79, 0.55)), (4, (0.84, 0.72, 0.45), (0.84, 0.72, 0.45)),
    (5, (0.80, 0.60, 0.35), (0.80, 0.60, 0.35)), (6, (0.75, 0.50, 0.27), (0.75, 0.50, 0.27)),
    (7, (0.70, 0.42, 0.22), (0.70, 0.42, 0.22)), (8, (0.60, 0.35, 0.18), (0.60, 0.35, 0.18)),
    (9, (0.52, 0.30, 0.00), (0.52, 0.30, 0.15)), (10, (0.45, 0.26, 0.00), (0.45, 0.26, 0.13)),
    (11, (0.41, 0.00, 0.00), (0.41, 0.23, 0.00)), (12, (0.37, 0.00, 0.00), (0.37, 0.21, 0.00)),
    (13, (0.00, 0.00, 0.00), (0.34, 0.00, 0.00)), (14, (0.00, 0.00, 0.00), (0.31, 0.00, 0.00)),
    (15, (0.00, 0.00, 0.00), (0.28, 0.00, 0.00)),
)
_HOURS: Final = (1.0, 2.0, 8.0)
_COUPLING: Final[dict[Coupling, tuple[float, float]]] = {"good": (1.00, 1.00), "fair": (0.95, 1.00), "poor": (0.90, 0.90)}
_WAIST_CM: Final = 75.0


@dataclass(frozen=True, slots=True)
class Lift:
    """The conditions of a lift; the defaults are the best there are.

    Hands `reach` cm in front of the ankles and `height` cm above the floor, `travel` cm up or down, `twist` degrees,
    `per_minute` lifts per minute during `hours` a day, and the grip.
    """

    reach: float = 25.0
    height: float = 75.0
    travel: float = 25.0
    twist: float = 0.0
    per_minute: float = 0.2
    hours: float = 1.0
    coupling: Coupling = "good"


@dataclass(frozen=True, slots=True)
class Multipliers:
    """The six multipliers of the equation, each from 0 (no such lift is allowed) to 1 (no reduction)."""

    horizontal: float
    """HM = 25 / H, H the reach in cm; 1 below 25 cm, 0 above 63 cm."""
    vertical: float
    """VM = 1 - 0.003 |V - 75|, V the height of the hands in cm; 0 above 175 cm."""
    distance: float
    """DM = 0.82 + 4.5 / D, D the travel in cm; 1 below 25 cm, 0 above 175 cm."""
    asymmetry: float
    """AM = 1 - 0.0032 A, A the twist in degrees; 0 above 135 degrees."""
    frequency: float
    """FM, from the manual's table."""
    coupling: float
    """CM, from the manual's table: good, fair or poor grip, hands below 75 cm or from there up."""

    def product(self) -> float:
        """HM·VM·DM·AM·FM·CM."""
        return self.horizontal * self.vertical * self.distance * self.asymmetry * self.frequency * self.coupling


def multipliers(lift: Lift) -> Multipliers:
    """The multipliers of the equation for a lift, one end of it."""
    return Multipliers(
        horizontal=0.0 if lift.reach > 63 else 25 / max(lift.reach, 25.0),
        vertical=0.0 if not 0 <= lift.height <= 175 else 1 - 0.003 * abs(lift.height - _WAIST_CM),
        distance=0.0 if lift.travel > 175 else 0.82 + 4.5 / max(lift.travel, 25.0),
        asymmetry=0.0 if lift.twist > 135 else 1 - 0.0032 * lift.twist,
        frequency=frequency_multiplier(lift),
        coupling=_COUPLING[lift.coupling][lift.height >= _WAIST_CM],
    )


def recommended_limit(lift: Lift) -> float:
    """RWL = LC·HM·VM·DM·AM·FM·CM in kg; 0 where the equation allows no lift at all."""
    return LOAD_CONSTANT * multipliers(lift).product()


def frequency_multiplier(lift: Lift) -> float:
    """FM of the manual's table; between two rows the busier one, above 15 lifts per minute or 8 hours 0."""
    row = bisect_left(_FREQUENCY, lift.per_minute, key=lambda entry: entry[0])
    column = bisect_left(_HOURS, lift.hours)
    if row == len(_FREQUENCY) or column == len(_HOURS):
        return 0.0
    _, low, high = _FREQUENCY[row]
    return (high if lift.height >= _WAIST_CM else low)[column]


def lifting_index(mass: float, lift: Lift) -> float:
    """LI = mass ÷ RWL, `mass` in kg: above 1 some people are at increased risk, above 3 many; infinite where RWL is 0."""
    limit = recommended_limit(lift)
    return mass / limit if limit else float("inf")
