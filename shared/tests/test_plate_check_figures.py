"""The pure functions of the plate check: densities, grids of nests, the worker-machine chart, tool changes."""

from __future__ import annotations

import pytest

from platerota_shared.plate_checks.grid import grid, in_a_row
from platerota_shared.plate_checks.materials import MATERIALS, MaterialName, solid_mass
from platerota_shared.plate_checks.rhythm import Cycle, one_plate, spread, two_plates
from platerota_shared.units import read_length, read_mass
from proof_tools.outside import Outside


# Densities as in handbooks: aluminium 6061 2700 kg/m3 (seen), carbon steel 7850 (seen), grey cast iron 7200 (6600-7400, seen), stainless
# 7900; a plain plate of 300 x 300 x 25 mm is 0.00225 m3.
@pytest.mark.parametrize(
    ("material", "kilograms", "known"),
    [("aluminium", 6.075, "seen"), ("steel", 17.6625, "seen"), ("cast_iron", 16.20, "seen"), ("stainless", 17.775, "memory")],
)
def test_a_plain_plate_weighs_what_handbook_densities_say(
    outside: Outside, material: MaterialName, kilograms: float, known: str,
) -> None:
    what = f"mass of a plain plate 300 x 300 x 25 mm of {material.replace('_', ' ')}, kg"
    outside(what, solid_mass(300, 300, 25, material), kilograms, "handbook densities", known, off=1e-6)


def test_every_material_names_its_density_and_where_it_is_from() -> None:
    for material in MATERIALS.values():
        assert f"{material.density:g} kg/m³" in material.words
        assert "handbooks" in material.words or "data sheets" in material.words


# Common practice, no published source: a bare aluminium fixture plate of 10 x 16 in, about 1.5 in thick, weighs about 24 lb.
def test_a_bare_fixture_plate_weighs_what_shops_know(outside: Outside) -> None:
    sides = [float(read_length(text)) for text in ("10 in", "16 in", "1.5 in")]
    found, shops = solid_mass(sides[0], sides[1], sides[2], "aluminium"), float(read_mass("24 lb"))
    outside("mass of a bare aluminium plate 10 x 16 x 1.5 in, kg (24 lb)", found, shops, "common practice", "memory", off=0.05 * shops)


@pytest.mark.parametrize(
    ("room", "size", "gap", "pieces"),
    [(100, 50, 0, 2), (100, 50, 1, 1), (101, 50, 1, 2), (49, 50, 0, 0), (-10, 50, 0, 0), (50, 50, 500, 1), (304.8, 25.4, 25.4, 6)],
)
def test_pieces_in_a_row(room: float, size: float, gap: float, pieces: int) -> None:
    assert in_a_row(room, size, gap) == pieces
    assert pieces == 0 or pieces * size + (pieces - 1) * gap <= room + 1e-6


@pytest.mark.parametrize(("count", "inch"), [(3, 25.4 / 3), (7, 0.1), (11, 2.54)])
def test_a_row_that_fits_exactly_fits(count: int, inch: float) -> None:
    assert in_a_row(sum([inch] * count), inch, 0) == count


def test_a_grid_turned_turns_piece_and_gaps_together() -> None:
    # 400 x 300 mm with 10 mm edges leaves 380 x 280. Along: 380 -> (380 + 20) // (100 + 20) = 3, 280 -> (280 + 5) // (40 + 5) = 6.
    along = grid((400, 300), 10, (100, 40), (20, 5), "along")
    assert (along.columns, along.rows, along.nests, along.used_x, along.used_y) == (3, 6, 18, 340, 265)
    # Turned: 380 -> 385 // 45 = 8, 280 -> 300 // 120 = 2.
    turned = grid((400, 300), 10, (100, 40), (20, 5), "turned")
    assert (turned.columns, turned.rows, turned.nests, turned.used_x, turned.used_y) == (8, 2, 16, 355, 220)


def test_a_piece_larger_than_the_plate_has_no_nest() -> None:
    none = grid((400, 300), 0, (500, 100), (0, 0), "along")
    assert (none.nests, none.used_x, none.used_y) == (0, 0, 0)
    assert grid((400, 300), 0, (350, 100), (0, 0), "turned").nests == 0


# Worker-machine chart, n' = (l + m) / (l + w). Groover, Automation, Production Systems and CIM: machine 2.75 min, service 25 s, walk 20 s
# (memory); its problems with 3.2 min, 30 s, 12 s and 3.6 min, 40 s, 20 s (problem seen, answer ours). Niebel & Freivalds, Methods,
# Standards and Work Design: l 1.41, m 4.34, w 0.08 min (memory).
@pytest.mark.parametrize(
    ("machine", "service", "walk", "served", "mills", "minutes", "operator_idle", "machine_idle"),
    [
        (165, 25, 20, 4.22, 4, 3.167, 10, 0),
        (165, 25, 20, 4.22, 5, 3.75, 0, 35),
        (192, 30, 12, 5.286, 5, 3.70, 12, 0),
        (216, 40, 20, 4.267, 4, 4.267, 16, 0),
        (216, 40, 20, 4.267, 5, 5.0, 0, 44),
        (260.4, 84.6, 4.8, 3.86, 3, 5.75, 76.8, 0),
        (260.4, 84.6, 4.8, 3.86, 4, 5.96, 0, 12.6),
    ],
)
def test_published_worker_machine_charts(
    outside: Outside, machine: float, service: float, walk: float, served: float, mills: int, minutes: float, operator_idle: float,
    machine_idle: float,
) -> None:
    cycle = one_plate(cut=machine, hand=service, exchange=0, walk=walk)
    source = "Niebel & Freivalds" if walk == 4.8 else "Groover"
    known = "worked out" if machine in (192, 216) else "memory"  # of those only the problem was seen
    case = f"machine {machine / 60:.4g} min, service {service:.3g} s, walk {walk:.3g} s"
    outside(f"machines that one person can serve: {case}", cycle.served, served, source, known, off=0.005)
    outside(f"cycle of {mills} machines, min: {case}", cycle.length(mills) / 60, minutes, source, known, off=0.0005)
    assert cycle.operator_free(mills) == pytest.approx(operator_idle)
    assert cycle.mill_waits(mills) == pytest.approx(machine_idle)


# Niebel's chart goes on with 10 money an hour for the operator and 20 for a machine: 2.236 and 2.235 a piece (memory).
@pytest.mark.parametrize(("mills", "money"), [(3, 2.236), (4, 2.235)])
def test_the_published_chart_costs_what_its_cycle_says(outside: Outside, mills: int, money: float) -> None:
    hours = one_plate(cut=260.4, hand=84.6, exchange=0, walk=4.8).length(mills) / 3_600
    what = f"money a piece with {mills} machines, at 10 an hour for a person and 20 for a machine"
    outside(what, hours * (10 + mills * 20) / mills, money, "Niebel & Freivalds", "memory", off=0.0006)


# The floor's steady cycle, N like mills, L 10, U 5, place + pull 2: one plate max(C + h, N·h), two plates max(C + exchange, N·h) (computed
# by two routes, an exact algorithm or a CP model against the formula).
@pytest.mark.parametrize(
    ("plates", "mills", "cut", "seconds"), [(1, 1, 40, 57), (1, 2, 10, 34), (2, 1, 40, 42), (2, 1, 12, 17), (2, 2, 20, 34)],
)
def test_steady_cycles_of_one_and_two_plates(plates: int, mills: int, cut: int, seconds: int) -> None:
    made: Cycle = (one_plate if plates == 1 else two_plates)(cut, 15, 2)
    assert made.length(mills) == seconds


@pytest.mark.parametrize("cut", [1, 14, 15, 16, 400])
@pytest.mark.parametrize("hand", [0, 15, 90])
def test_two_plates_on_one_mill_hide_hand_work_behind_the_cut(cut: int, hand: int) -> None:
    exchange = 20
    assert two_plates(cut, hand, exchange).length(1) == max(cut, hand) + exchange
    assert one_plate(cut, hand, exchange).length(1) == cut + exchange + hand
    assert one_plate(cut, hand, exchange).operator_free(1) == cut


def test_mills_without_hand_work_need_nobody() -> None:
    assert one_plate(100, 0, 0).served == float("inf")


# Tool changes over a plate of k pieces, M tools, t each: M·t per piece one by one, M·t/k over the plate (Machinery's Handbook has the
# machining-time side of it; this one is arithmetic): k 8, M 5, t 6 s: 30 s down to 3.75 s.
def test_tool_changes_spread_over_the_plate() -> None:
    assert spread(5, 6, 1) == 30
    assert spread(5, 6, 8) == 3.75
