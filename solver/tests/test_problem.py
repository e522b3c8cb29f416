"""The request as arrays: each number worked out by hand from the tiny shop."""

from __future__ import annotations

import pytest

from platerota_shared import read_request
from platerota_solver.calendar_lists import unattended_forbidden
from platerota_solver.kernel.state import first_choices
from platerota_solver.problem import LOAD, NO_LIMIT, Problem, build_problem, fits_travels, takes_build

from .shops import DAY, HOUR, NOW, Raw, add_part, at, mill, order, plate, shift, tiny_shop


def problem_of(raw: Raw) -> Problem:
    return build_problem(read_request(raw))


def test_clamps_count_once_per_run() -> None:
    raw = tiny_shop()
    raw["shop"]["fixtures"][0].update(clamps=6, clamp_seconds=12, release_seconds=8)
    arrays = problem_of(raw).arrays
    assert (int(arrays.f_load[0]), int(arrays.f_unload[0])) == (600 + 72, 300 + 48)


def test_pieces_still_to_cut() -> None:
    """10 ordered; 4 through op 10 and waiting, 1 finished, 2 of op 20 being cut: op 10 lacks 10 - 5 - 2, op 20 lacks 10 - 1 - 2 (F13)."""
    raw = tiny_shop(quantity=10)
    raw["shop"]["nests"][0]["count"] = 2
    add_part(raw, "W", "G", op=20, count=2)
    raw["floor"]["pieces"] = [{"order": "O", "op": 10, "pieces": 4}, {"order": "O", "op": 20, "pieces": 1}]
    raw["floor"]["running"] = [{"plate": "P-G", "machine": "M1", "order": "O", "op": 20, "pieces": 2, "cut_end": at(60)}]
    arrays = problem_of(raw).arrays
    assert arrays.i_need.tolist() == [3, 7]
    assert arrays.i_ready.tolist() == [-1, 4]


def test_a_first_article_is_due_until_pieces_are_through() -> None:
    raw = tiny_shop(quantity=3)
    raw["shop"]["operations"][0]["first_article_seconds"] = 60
    assert problem_of(raw).arrays.i_first.tolist() == [1]
    raw["floor"]["pieces"] = [{"order": "O", "op": 10, "pieces": 1}]
    assert problem_of(raw).arrays.i_first.tolist() == [0]


def test_setup_seconds_by_what_was_cut_before() -> None:
    """F needs a b, G needs b c d; c is resident. 30 s and a minute per missing tool."""
    raw = tiny_shop()
    raw["shop"]["machines"] = [mill("M1", setup_seconds=30, tools=["c"])]
    raw["shop"]["operations"][0]["tools"] = ["a", "b"]
    add_part(raw, "V", "G", tools=["b", "c", "d"])
    raw["orders"].append(order("V", part="V"))
    # Rows: unknown, F, G before; columns F, G.
    assert problem_of(raw).arrays.setup[0].tolist() == [[150, 150], [0, 90], [90, 0]]


def test_stock_that_the_table_can_still_bear_in_milligrams() -> None:
    raw = tiny_shop()
    raw["shop"]["machines"] = [mill("M1", max_mass=12.5), mill("M2")]
    raw["shop"]["fixtures"][0]["mass"] = 0.1
    assert problem_of(raw).arrays.room.tolist() == [[2_400_000, NO_LIMIT]]


@pytest.mark.parametrize(("size", "fits"), [((500, 400), True), ((400, 500), True), ((401, 401), False), ((500.1, 10), False)])
def test_a_plate_fits_in_either_orientation(size: tuple[float, float], fits: bool) -> None:
    machine = read_request(tiny_shop()).shop.machines[0]
    assert fits_travels(machine, *size) is fits


@pytest.mark.parametrize(("least", "mount", "takes"), [
    ((None, None), None, True), ((300, 300), "A", True), ((301, None), None, False), ((250, 300), None, True), ((None, None), "B", False),
])
def test_a_blank_takes_a_build_of_its_mount_and_size(least: tuple[float | None, float | None], mount: str | None, takes: bool) -> None:
    request = read_request(tiny_shop())
    fixture = request.shop.fixtures[0].model_copy(update={"mount": mount, "min_size_x": least[0], "min_size_y": least[1]})
    assert takes_build(request.shop.plates[0], fixture) is takes


def test_carriers_are_plates_with_fixtures_then_possible_builds() -> None:
    raw = tiny_shop()
    raw["shop"]["plates"] = [plate("P1", None), plate("P2"), plate("P3", None, size_x=150, size_y=100)]
    raw["shop"]["fixtures"][0].update(build_seconds=60, min_size_x=200)
    problem = problem_of(raw)
    assert [(carrier.id, fixture.id) for carrier, fixture in problem.carriers] == [("P2", "F"), ("P1", "F")]
    assert problem.arrays.c_build.tolist() == [0, 60]
    assert first_choices(problem, []).build.tolist() == [0, 0], "a second copy is built only where the search finds that it pays"


def test_working_time_in_seconds_from_now() -> None:
    raw = tiny_shop()
    raw["shop"]["shifts"] = [shift("Ana", "05:00", "14:00", breaks=["10:00-10:30"]), shift("Ana", "14:00", "16:00", overtime=True)]
    raw["settings"]["horizon_days"] = 1
    problem = problem_of(raw)
    arrays = problem.arrays

    def spans(number: int) -> list[list[int]]:
        return arrays.lists[arrays.list_from[number]:arrays.list_from[number + 1]].tolist()

    # The next day's shift begins at 05:00, an hour before the horizon's end.
    assert spans(int(arrays.l_operator[0])) == [[0, 4 * HOUR], [16_200, 8 * HOUR], [23 * HOUR, DAY]]
    assert spans(int(arrays.l_overtime[0])) == [[8 * HOUR, 10 * HOUR]]
    assert arrays.can[LOAD].tolist() == [1]


def test_the_night_limit_counts_from_the_last_shift() -> None:
    """Attended 06:00-14:00 yesterday and today: with 60 minutes no cut from 15:00 to 06:00, the night before included."""
    raw = tiny_shop()
    raw["shop"]["machines"] = [mill("M1", unattended_minutes=60)]
    machine = read_request(raw).shop.machines[0]
    attended = [(NOW - DAY, NOW - DAY + 8 * HOUR), (NOW + HOUR, NOW + 8 * HOUR)]
    forbidden = unattended_forbidden(machine, attended, NOW, NOW + DAY)
    assert forbidden[-2:] == [(NOW - DAY + 9 * HOUR, NOW + HOUR), (NOW + 9 * HOUR, NOW + DAY)]
