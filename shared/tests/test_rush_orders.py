"""The choices for a rush order: every one that no other dominates, and no other one."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from platerota_shared.rush_orders import GRAIN_SECONDS, Standing, front, worth_telling


def standing(finish: int | None, pain: float = 0.0, score: float = 0.0, lost: int = 0) -> Standing:
    return Standing(f"{finish}/{lost}/{pain}/{score}", finish, lost, int(pain > 0) + lost, pain, score)


def test_a_choice_that_is_worse_in_every_respect_is_left_out() -> None:
    soon, cheap, worse = standing(10, 5.0), standing(30), standing(31, 5.0)
    assert front([worse, cheap, soon]) == [soon, cheap]


def test_points_decide_only_between_choices_that_are_alike() -> None:
    dear, cheap = standing(10, 5.0, 900.0), standing(10, 5.0, 100.0)
    assert front([dear, cheap]) == [cheap]
    assert front([dear, standing(20, 4.0, 100.0)]) == [dear, standing(20, 4.0, 100.0)]


def test_of_two_that_are_alike_in_all_the_first_is_shown() -> None:
    assert front([standing(10), replace(standing(10), plan="other")]) == [standing(10)]


def test_no_pain_of_others_outweighs_an_order_that_loses_its_place() -> None:
    lost, pain = standing(10, lost=1), standing(10, 1e6)
    assert front([lost, pain]) == [pain]
    assert (lost.harmless, pain.harmless, standing(10).harmless) == (False, False, True)


def test_an_order_of_no_weight_pays_too() -> None:
    free = replace(standing(10), payers=1)
    assert not free.harmless
    assert front([free, standing(20)]) == [free, standing(20)]


def test_a_plan_without_a_place_for_the_order_is_no_choice() -> None:
    assert front([standing(None)]) == []


def test_choices_that_are_minutes_apart_are_told_as_the_one_that_costs_the_others_less() -> None:
    soon, seconds_later, hours_later = standing(1_000, 5.0), standing(1_012, 4.0), standing(9_000, 1.0)
    assert worth_telling([soon, seconds_later, hours_later]) == [seconds_later, hours_later]
    chain = [standing(1_000 + number * (GRAIN_SECONDS - 1), 9.0 - number) for number in range(4)]
    assert worth_telling(chain) == [chain[1], chain[3]], "minutes do not add up to hours"


def test_a_later_finish_that_spares_the_others_nothing_worth_naming_is_not_told() -> None:
    soon, later = standing(1_000, 5.0), standing(9_000, 4.9)
    assert worth_telling([soon, later]) == [soon]
    assert worth_telling([standing(1_000, 5.0, lost=1), later]) == [standing(1_000, 5.0, lost=1), later]


def test_what_harms_nobody_is_always_told() -> None:
    soon, free = standing(1_000, 0.1), standing(9_000)
    assert worth_telling([soon, free]) == [soon, free]
    assert worth_telling([soon, standing(1_010)]) == [standing(1_010)]
    assert worth_telling([]) == []


GRID = [standing(finish, pain, score) for finish, pain, score in itertools.product((10, 20), (0.0, 1.0, 2.0), (1.0, 2.0))]


@pytest.mark.parametrize("size", [1, 2, 3, 4])
def test_by_exhaustion_the_front_is_what_a_planner_could_want(size: int) -> None:
    """Every set of up to four standings on a small grid: whoever weighs an hour sooner against pain at any rate finds a best one in it."""
    for chosen in itertools.combinations(GRID, size):
        found = front(chosen)
        assert found
        assert [one.finish for one in found] == sorted(one.finish or 0 for one in found)
        for rate in (0.0, 0.01, 0.05, 0.1, 0.15, 1.0, 100.0):  # pain that an earlier second is worth
            prices = {one: (round(one.pain + rate * (one.finish or 0), 9), one.score) for one in chosen}
            assert min(prices[one][0] for one in found) == min(price for price, _ in prices.values())
        for one, other in itertools.permutations(found, 2):
            assert one.finish is not None
            assert other.finish is not None
            assert one.finish < other.finish or one.pain < other.pain
