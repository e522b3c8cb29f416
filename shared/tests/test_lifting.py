"""The revised NIOSH lifting equation against its published examples."""

from __future__ import annotations

import pytest

from platerota_shared.lifting import Coupling, Lift, frequency_multiplier, lifting_index, multipliers, recommended_limit
from proof_tools.outside import Outside

CM = 2.54
LB = 0.45359237


# Applications Manual for the Revised NIOSH Lifting Equation, DHHS (NIOSH) 94-110. Package inspection: pp. 44-46 (the destination's H is
# inferred there); punch press stock: pp. 33-37, quoted from memory. Inputs in inches, limits in pounds at full precision. The manual
# works these in US units, whose constants are rounded (51 lb = 23.13 kg, 10 in = 25.4 cm): the metric form lands up to 3.2 % lower.
@pytest.mark.parametrize(
    ("example", "reach", "height", "travel", "per_minute", "coupling", "pounds"),
    [
        ("package inspection, origin", 10, 22, 37, 3, "fair", 34.81),
        ("package inspection, destination", 20, 59, 37, 3, "fair", 15.25),
        ("punch press stock, origin", 23, 15, 49, 0.2, "fair", 16.02),
        ("punch press stock, destination", 23, 64, 49, 0.2, "fair", 14.15),
    ],
)
def test_examples_of_the_manual(
    outside: Outside, example: str, reach: float, height: float, travel: float, per_minute: float, coupling: Coupling, pounds: float,
) -> None:
    lift = Lift(reach=reach * CM, height=height * CM, travel=travel * CM, per_minute=per_minute, coupling=coupling)
    outside(
        f"recommended limit, lb, at full precision: {example}", recommended_limit(lift) / LB, pounds, "NIOSH 94-110", "worked out",
        off=0.035 * pounds,
    )


# Computed by hand from the metric constants of the same manual.
@pytest.mark.parametrize(
    ("lift", "kilograms"),
    [
        (Lift(), 23.0),
        (Lift(reach=38), 15.13),  # 23 x 25/38
        (Lift(reach=50), 11.5),
        (Lift(reach=40, height=90, twist=30, coupling="fair"), 12.41),  # 23 x .625 x .955 x 1 x .904 x 1 x 1
        (Lift(height=30, coupling="poor"), 17.91),  # 23 x .865 x .9
        (Lift(travel=60), 20.59),  # 23 x (.82 + 4.5/60)
    ],
)
def test_metric_spot_values(outside: Outside, lift: Lift, kilograms: float) -> None:
    what = f"recommended limit, kg: H {lift.reach:g} V {lift.height:g} D {lift.travel:g} cm, A {lift.twist:g}°, {lift.coupling} grip"
    outside(what, recommended_limit(lift), kilograms, "NIOSH 94-110", "worked out", off=0.006)


@pytest.mark.parametrize(
    "lift", [Lift(reach=63.1), Lift(height=175.1), Lift(height=-1), Lift(travel=175.1), Lift(twist=136), Lift(per_minute=15.1),
    Lift(hours=9)],
)
def test_past_a_limit_no_lift_is_allowed(outside: Outside, lift: Lift) -> None:
    what = f"recommended limit, kg, past a limit: H {lift.reach:g} V {lift.height:g} D {lift.travel:g} cm, A {lift.twist:g}°, "
    outside(f"{what}{lift.per_minute:g} lifts a minute for {lift.hours:g} h", recommended_limit(lift), 0, "NIOSH 94-110", "seen")
    assert lifting_index(1, lift) == float("inf")


@pytest.mark.parametrize("lift", [Lift(reach=10), Lift(travel=5), Lift(per_minute=0.01)])
def test_better_than_the_best_counts_as_the_best(lift: Lift) -> None:
    assert recommended_limit(lift) == pytest.approx(23)


@pytest.mark.parametrize(
    ("per_minute", "hours", "height", "multiplier"),
    [
        (0.2, 8, 75, 0.85), (3, 2, 75, 0.79), (2.5, 2, 75, 0.79), (8, 1, 75, 0.60), (1, 1.5, 75, 0.88),
        (9, 8, 75, 0.15), (9, 8, 74, 0.0), (15, 1, 75, 0.28),
    ],
)
def test_frequency_multiplier_takes_the_busier_row(per_minute: float, hours: float, height: float, multiplier: float) -> None:
    assert frequency_multiplier(Lift(per_minute=per_minute, hours=hours, height=height)) == multiplier


# Table 5 of the manual, for heights of 75 cm and more, which up to 8 lifts a minute holds below too (seen).
@pytest.mark.parametrize(
    ("per_minute", "row"),
    [
        (0.2, (1.00, 0.95, 0.85)), (0.5, (0.97, 0.92, 0.81)), (1, (0.94, 0.88, 0.75)), (2, (0.91, 0.84, 0.65)), (3, (0.88, 0.79, 0.55)),
        (4, (0.84, 0.72, 0.45)), (5, (0.80, 0.60, 0.35)), (6, (0.75, 0.50, 0.27)), (7, (0.70, 0.42, 0.22)), (8, (0.60, 0.35, 0.18)),
    ],
)
def test_frequency_multipliers_are_those_of_the_manuals_table(outside: Outside, per_minute: float, row: tuple[float, ...]) -> None:
    for height in (0, 75):
        found = tuple(frequency_multiplier(Lift(per_minute=per_minute, hours=hours, height=height)) for hours in (1, 2, 8))
        outside(f"frequency multiplier for 1, 2 and 8 h: {per_minute:g} lifts a minute", found, row, "NIOSH 94-110", "seen")


def test_lifting_index_is_load_over_limit() -> None:
    assert lifting_index(34.5, Lift()) == pytest.approx(1.5)


# The manual's package inspection (DHHS (NIOSH) 94-110, pp. 44-46): its printed limits 34.9 lb and 15.2 lb (seen), and the multipliers of
# the US form to two digits, worked out here: HM 10/H, VM 1 - .0075|V - 30|, DM .82 + 1.8/D.
@pytest.mark.parametrize(
    ("reach", "height", "digits", "pounds"),
    [(10, 22, (1.0, 0.94, 0.87, 1.0, 0.88, 0.95), 34.9), (20, 59, (0.5, 0.78, 0.87, 1.0, 0.88, 1.0), 15.2)], ids=["origin", "destination"],
)
def test_each_multiplier_of_the_manuals_package_inspection(
    outside: Outside, reach: float, height: float, digits: tuple[float, ...], pounds: float,
) -> None:
    found = multipliers(Lift(reach=reach * CM, height=height * CM, travel=37 * CM, per_minute=3, coupling="fair"))
    each = (found.horizontal, found.vertical, found.distance, found.asymmetry, found.frequency, found.coupling)
    # The metric form has 25 cm for 10 in: HM is 1.6 % lower, VM and DM agree within the rounding of the printed tables.
    assert each == pytest.approx(digits, abs=0.017)
    what = f"recommended limit, lb, as printed: package inspection, H {reach:g} V {height:g} in"
    outside(what, 51 * found.product(), pounds, "NIOSH 94-110", "seen", off=0.035 * pounds)
