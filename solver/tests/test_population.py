"""Searches side by side: what a child has of its two parents, and that the population only gets better."""

from __future__ import annotations

import random
from collections import Counter

import numpy as np
import pytest

from benchmarks.generator import make_request
from platerota_shared import read_request
from platerota_solver import population
from platerota_solver.constructing import sequences, split_tokens
from platerota_solver.decoding import Decoder, copy_choices, fitting
from platerota_solver.kernel.state import Choices, first_choices
from platerota_solver.population import MOST_STARTS, OF_AN_ORDER, Population, crossed, starts_for
from platerota_solver.problem import Problem, build_problem


@pytest.fixture(scope="module")
def problem() -> Problem:
    return build_problem(read_request(make_request("small", 1, ("plain",))))


def starts(problem: Problem, decoder: Decoder) -> list[Choices]:
    return [fitting(decoder, split_tokens(problem, sequence)) for sequence in sequences(problem).values()]


def searched(problem: Problem, number: int, seed: int = 7) -> list[float]:
    """The best points after each step of a search of so many walks."""
    decoder = Decoder(problem)
    walks = Population(decoder, starts(problem, decoder), seed, number)
    found: list[float] = []
    for step in range(60):
        walks.step(step / 60, 5)
        found.append(walks.best_points)
    assert walks.tried == 300
    assert decoder.score(walks.best) == pytest.approx(walks.best_points)
    return found


def test_a_child_has_the_turns_of_one_and_in_between_those_of_the_other(problem: Problem) -> None:
    one, other = first_choices(problem, list(range(8))), first_choices(problem, list(reversed(range(8))))
    for name in OF_AN_ORDER:
        getattr(other, name)[...] = 9
    lengths: Counter[int] = Counter()
    for seed in range(200):
        child = crossed(one, other, random.Random(seed))
        assert child is not None
        turns = child.tokens.tolist()
        taken = [k for k, order in enumerate(turns) if child.late[order] == 9]
        lengths[len(taken)] += 1
        assert taken == list(range(taken[0], taken[-1] + 1)) if taken else turns == list(range(8))
        middle = {turns[k] for k in taken}
        assert [order for order in turns if order in middle] == sorted(middle, reverse=True)
        assert [order for order in turns if order not in middle] == sorted(set(range(8)) - middle)
        for name in OF_AN_ORDER:
            for order in range(8):
                assert (getattr(child, name)[order] == getattr(other if order in middle else one, name)[order]).all()
    assert set(lengths) == set(range(9))


def test_a_child_has_as_many_turns_of_each_order(problem: Problem) -> None:
    one, other = first_choices(problem, [0, 1, 2, 0, 1, 3, 0]), first_choices(problem, [3, 0, 0, 0, 2, 1, 1])
    found = {tuple(child.tokens.tolist()) for seed in range(99) if (child := crossed(one, other, random.Random(seed))) is not None}
    assert len(found) > 9
    assert {tuple(sorted(turns)) for turns in found} == {(0, 0, 0, 1, 1, 2, 3)}


def test_two_of_a_kind_have_a_child_of_that_kind_and_two_with_other_turns_none(problem: Problem) -> None:
    one = first_choices(problem, [0, 1, 2, 3, 4, 5, 6, 7])
    child = crossed(one, copy_choices(one), random.Random(1))
    assert child is not None
    assert all(np.array_equal(mine, theirs) for mine, theirs in zip(child, one, strict=True))
    assert crossed(one, first_choices(problem, [0, 1, 2, 3, 4, 5, 6, 7, 7]), random.Random(1)) is None
    portions = copy_choices(one)
    portions.quota[0] = 1
    assert crossed(one, portions, random.Random(1)) is None


@pytest.mark.parametrize("number", [1, 2, 3, 8, MOST_STARTS])
def test_a_search_only_gets_better_and_is_the_same_with_the_same_seed(problem: Problem, number: int) -> None:
    found = searched(problem, number)
    assert found == sorted(found, reverse=True)
    assert found[-1] < found[0]
    assert searched(problem, number) == found


def test_few_walks_are_not_crossed(problem: Problem, monkeypatch: pytest.MonkeyPatch) -> None:
    crossings: list[int] = []

    def counted(one: Choices, other: Choices, chance: random.Random) -> Choices | None:
        crossings.append(1)
        return crossed(one, other, chance)

    monkeypatch.setattr(population, "crossed", counted)
    searched(problem, 2)
    assert not crossings
    searched(problem, 8)
    assert crossings


def test_a_search_begins_with_as_many_starts_as_there_is_time_for() -> None:
    assert [starts_for(tries) for tries in (1, 1_000, 6_000, 10**6)] == [1, 1, 10, MOST_STARTS]
