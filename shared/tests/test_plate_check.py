"""A plate check worked out by hand.

The plate is 400 x 300 mm, 20 kg, with 6 kg of hardware. Pieces of 100 x 40 mm and 1.2 kg, 20 and 5 mm apart, 10 mm from the edges:
18 nests along (3 x 6), 16 turned (8 x 2), so 20 + 6 + 18 x 1.2 = 47.6 kg loaded.
"""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platerota_shared.lifting import CAUTION
from platerota_shared.plate_checks import PlateCheck, check_plate, read_plate_check

PLATE = {"size_x": 400, "size_y": 300, "mass": 20, "hardware_mass": 6}
PIECE = {"size_x": 100, "size_y": 40, "mass": 1.2}
LAYOUT = {"gap_x": 20, "gap_y": 5, "edge": 10}


def checked(**sections: Any) -> PlateCheck:
    return check_plate(read_plate_check({"plate": PLATE, **sections}))


def codes(answer: PlateCheck) -> list[str]:
    return [warning.code for warning in answer.warnings]


def test_a_plate_alone_is_weighed_and_nothing_else_is_made_up() -> None:
    answer = checked()
    assert (answer.mass.loaded_mass, answer.mass.pieces, answer.mass.piece_mass, answer.mass.solid_mass) == (26, 0, None, None)
    assert (answer.machines, answer.grids, answer.nests, answer.lift, answer.rhythm) == ((), (), None, None, ())
    assert codes(answer) == ["lift-needs-care"]  # 26 kg are more than the 23 kg of the best conditions
    assert answer.cautions == (CAUTION,)


def test_the_better_grid_gives_the_nests_and_the_loaded_mass() -> None:
    answer = checked(piece=PIECE, layout=LAYOUT)
    assert [(one.orientation, one.columns, one.rows, one.nests) for one in answer.grids] == [("along", 3, 6, 18), ("turned", 8, 2, 16)]
    assert (answer.nests, answer.mass.pieces, answer.mass.loaded_mass) == (18, 18, 47.6)


def test_nests_that_are_asked_count_and_too_many_are_told() -> None:
    few = checked(piece=PIECE, layout=LAYOUT, nests=4)
    assert (few.nests, few.mass.loaded_mass) == (4, 30.8)
    assert "more-nests-than-fit" not in codes(few)
    many = checked(piece=PIECE, layout=LAYOUT, nests=19)
    assert "more-nests-than-fit" in codes(many)
    assert many.mass.pieces == 19


def test_a_piece_that_does_not_fit_has_no_nest_and_no_rhythm() -> None:
    answer = checked(piece=PIECE | {"size_x": 500}, times={"cut_seconds": 60})
    assert (answer.nests, answer.rhythm, answer.mass.loaded_mass) == (0, (), 26)
    assert "no-nest-fits" in codes(answer)


def test_a_weighed_mass_counts_and_the_estimate_stands_beside_it() -> None:
    answer = check_plate(read_plate_check({"plate": PLATE | {"material": "aluminium", "thickness": 50}}))
    assert (answer.mass.plate_mass, answer.mass.solid_mass, answer.mass.loaded_mass) == (20, 16.2, 26)
    assert len(answer.mass.densities) == 1
    assert any("estimate" in caution for caution in answer.cautions)


def test_masses_follow_from_materials() -> None:
    plate = {"size_x": 300, "size_y": 300, "thickness": 25, "material": "aluminium"}
    piece = {"size_x": 100, "size_y": 100, "size_z": 10, "material": "steel"}
    answer = check_plate(read_plate_check({"plate": plate, "piece": piece, "nests": 2}))
    assert (answer.mass.plate_mass, answer.mass.piece_mass, answer.mass.loaded_mass) == (6.075, 0.785, 7.645)
    assert len(answer.mass.densities) == 2


def machine(**fields: Any) -> dict[str, Any]:
    return {"id": "M1", "travel_x": 760, "travel_y": 420} | fields


@pytest.mark.parametrize(
    ("mill", "fits", "why"),
    [
        (machine(), True, ()),
        (machine(travel_x=320, travel_y=400), True, ()),  # turned, 300 x 400
        (machine(travel_x=390, travel_y=390), False, ("travels",)),
        (machine(max_mass=47.6), True, ()),
        (machine(max_mass=47.5), False, ("carries at most 47.5 kg",)),
        (machine(mount="B"), False, ("M1 has 'B'",)),
        (machine(travel_x=10, max_mass=1, mount="B"), False, ("mount", "travels", "carries")),
    ],
)
def test_a_machine_fits_by_mount_travels_and_table_load(mill: dict[str, Any], fits: bool, why: tuple[str, ...]) -> None:
    plate = PLATE | {"mount": "A"}
    answer = check_plate(read_plate_check({"plate": plate, "machines": [mill], "piece": PIECE, "layout": LAYOUT}))
    (found,) = answer.machines
    assert (found.fits, len(found.reasons)) == (fits, len(why))
    assert all(word in reason for word, reason in zip(why, found.reasons, strict=True))
    assert ("fits-no-machine" in codes(answer)) is not fits


def test_what_is_spare_is_said_for_both_ways_round() -> None:
    (found,) = checked(machines=[machine(max_mass=30)]).machines
    assert [(one.spare_x, one.spare_y, one.fits) for one in found.placements] == [(360, 120, True), (460, 20, True)]
    assert found.spare_mass == 4
    (none,) = checked(machines=[machine(travel_x=350)]).machines
    assert [(one.spare_x, one.fits) for one in none.placements] == [(-50, False), (50, True)]
    assert none.spare_mass is None


def test_a_plate_as_wide_as_a_travel_has_no_margin() -> None:
    assert codes(checked(machines=[machine(travel_y=300)])) == ["no-travel-margin", "lift-needs-care"]
    # Turned it would have some.
    assert codes(checked(machines=[machine(travel_y=400)])) == ["lift-needs-care"]


# Spot values of the metric equation (DHHS (NIOSH) 94-110; computed by hand): H 25, V 75, D 25 and good grip 23.0 kg; H 50 11.5 kg.
def test_both_ends_of_the_lift_count_and_the_worse_one_decides() -> None:
    best = checked(lift={}).lift
    assert best is not None
    assert (best.pick_up.limit_mass, best.pick_up.index, best.index) == (23, pytest.approx(26 / 23, abs=1e-6), best.put_down.index)
    far = checked(lift={"to_reach": "50 cm"}).lift
    assert far is not None
    assert (far.pick_up.limit_mass, far.put_down.limit_mass, far.put_down.horizontal) == (23, 11.5, 0.5)
    assert far.index == far.put_down.index == pytest.approx(26 / 11.5, abs=1e-6)


def test_the_travel_is_the_difference_of_both_heights() -> None:
    lift = checked(lift={"height": 150, "to_height": 750}).lift
    assert lift is not None
    assert lift.pick_up.distance == lift.put_down.distance == pytest.approx(0.82 + 4.5 / 60)
    assert (lift.pick_up.vertical, lift.put_down.vertical) == (pytest.approx(1 - 0.003 * 60), 1)


def test_a_lift_that_the_equation_never_allows_has_no_index() -> None:
    answer = checked(lift={"to_reach": 700})
    assert answer.lift is not None
    assert (answer.lift.put_down.limit_mass, answer.lift.index, answer.lift.bare_index) == (0, None, None)
    (warning,) = answer.warnings
    assert (warning.code, warning.pointer) == ("lift-needs-care", "/lift")
    assert "never allows" in warning.detail
    assert CAUTION in warning.detail


def test_a_light_plate_needs_no_warning() -> None:
    answer = check_plate(read_plate_check({"plate": PLATE | {"mass": 10}, "lift": {}}))
    assert answer.warnings == ()
    assert answer.lift is not None
    assert answer.lift.index == answer.lift.bare_index == pytest.approx(16 / 23, abs=1e-6)


TIMES = {"cut_seconds": 100, "cycle_seconds": 20, "tool_changes": 5, "tool_change_seconds": 6, "load_seconds": 30, "unload_seconds": 10,
        "load_piece_seconds": 15, "unload_piece_seconds": 5, "place_seconds": 12, "pull_seconds": 8}


def test_the_rhythm_of_four_nests_by_hand() -> None:
    last = checked(piece=PIECE, layout=LAYOUT, nests=4, times=TIMES).rhythm[-1]
    # Cut 20 + 5 x 6 + 4 x 100 = 450, hand 30 + 10 + 4 x 20 = 120, exchange 20.
    assert (last.pieces, last.cut_seconds, last.hand_seconds, last.tool_change_seconds) == (4, 450, 120, 7.5)
    one, two = last.one_plate, last.two_plates
    assert (one.cycle_seconds, one.operator_free_seconds, one.mill_wait_seconds) == (450 + 20 + 120, 450, 0)
    assert (two.cycle_seconds, two.operator_free_seconds, two.mill_wait_seconds) == (450 + 20, 450 - 120, 0)
    assert (one.minutes_per_piece, two.minutes_per_piece) == (pytest.approx(590 / 240, abs=1e-6), pytest.approx(470 / 240, abs=1e-6))
    assert (one.spindle_share, one.piece_share) == (pytest.approx(450 / 590, abs=1e-6), pytest.approx(400 / 590, abs=1e-6))
    assert (one.mills_served, two.mills_served) == (pytest.approx(590 / 140, abs=1e-6), pytest.approx(470 / 140, abs=1e-6))


def test_more_nests_take_less_of_the_spindle_for_each_piece() -> None:
    rows = checked(piece=PIECE, layout=LAYOUT, times=TIMES).rhythm
    assert [row.pieces for row in rows] == [*range(1, 13), 18]
    minutes = [row.two_plates.minutes_per_piece for row in rows]
    assert minutes == sorted(minutes, reverse=True)
    assert all(row.two_plates.minutes_per_piece <= row.one_plate.minutes_per_piece for row in rows)
    assert [row.pieces for row in checked(piece=PIECE, nests=10_000, times=TIMES).rhythm][-3:] == [3_072, 6_144, 10_000]


def test_hand_work_that_outlasts_the_cut_keeps_even_two_plates_waiting() -> None:
    slow = checked(piece=PIECE, nests=1, times={"cut_seconds": 10, "load_seconds": 60, "unload_seconds": 30})
    assert slow.rhythm[-1].two_plates.mill_wait_seconds == 80
    assert "mills-wait-for-operator" in codes(slow)
    assert "mills-wait-for-operator" not in codes(checked(piece=PIECE, layout=LAYOUT, times=TIMES))
    crowded = checked(piece=PIECE, layout=LAYOUT, nests=4, times=TIMES | {"mills": 5})
    assert crowded.rhythm[-1].one_plate.cycle_seconds == 5 * 140
    assert "mills-wait-for-operator" in codes(crowded)


def test_free_time_comes_with_the_caution_against_leaving_a_machine_alone() -> None:
    assert any("unattended" in caution or "alone" in caution for caution in checked(piece=PIECE, nests=1, times=TIMES).cautions)


LENGTHS = st.floats(0.1, 100_000)
QUESTIONS = st.fixed_dictionaries({
    "plate": st.fixed_dictionaries({"size_x": LENGTHS, "size_y": LENGTHS, "mass": st.floats(0, 100_000)}),
    "machines": st.lists(st.builds(machine, travel_x=LENGTHS, travel_y=LENGTHS, max_mass=st.floats(0, 100_000)), max_size=1),
    "piece": st.fixed_dictionaries({"size_x": LENGTHS, "size_y": LENGTHS, "mass": st.floats(0, 100)}),
    "layout": st.fixed_dictionaries({"gap_x": st.floats(0, 500), "gap_y": st.floats(0, 500), "edge": st.floats(0, 500)}),
    "lift": st.fixed_dictionaries({
        "reach": st.floats(0, 1_000), "height": st.floats(0, 3_000), "to_height": st.floats(0, 3_000), "twist": st.floats(0, 180),
        "per_minute": st.floats(0, 20), "hours": st.floats(0.1, 24), "coupling": st.sampled_from(["good", "fair", "poor"]),
    }),
    "times": st.fixed_dictionaries({
        "cut_seconds": st.integers(0, 100_000), "load_piece_seconds": st.integers(0, 600), "mills": st.integers(1, 9),
    }),
})


@settings(max_examples=150, deadline=None, derandomize=True)
@given(question=QUESTIONS)
def test_whatever_is_asked_the_figures_hold_together(question: dict[str, Any]) -> None:
    answer = check_plate(read_plate_check(question))
    json.dumps(answer.model_dump(mode="json"), allow_nan=False)
    plate, piece, layout = question["plate"], question["piece"], question["layout"]
    for one in answer.grids:
        room = [plate[side] - 2 * layout["edge"] for side in ("size_x", "size_y")]
        assert one.nests == 0 or (one.used_x <= room[0] * (1 + 1e-6) + 1e-5 and one.used_y <= room[1] * (1 + 1e-6) + 1e-5)
    assert answer.nests == max(one.nests for one in answer.grids)
    assert answer.mass.loaded_mass == pytest.approx(plate["mass"] + answer.mass.pieces * piece["mass"], abs=1e-5)
    for mill in answer.machines:
        assert mill.fits == (any(one.fits for one in mill.placements) and (mill.spare_mass or 0) >= -1e-5)
    assert answer.lift is not None
    for end in (answer.lift.pick_up, answer.lift.put_down):
        assert 0 <= end.limit_mass <= 23
        assert end.index is None or end.index <= (answer.lift.index or math.inf)
    for row in answer.rhythm:
        assert row.two_plates.cycle_seconds <= row.one_plate.cycle_seconds
        assert 0 <= row.one_plate.spindle_share <= row.two_plates.spindle_share <= 1
