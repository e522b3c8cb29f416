"""The search over the dispatcher's choices: it keeps what fits, never loses what it had, and counts the points the plan counts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmarks.generator import FULL, make_request
from platerota_shared import read_request
from platerota_shared.tables import Settings
from platerota_solver.clock import Clock
from platerota_solver.constructing import (
    FINE_PORTIONS,
    FINE_TOKENS,
    NEAR_END,
    ONE_BY_ONE,
    both_ways,
    insertions,
    one_by_one,
    sequences,
    split_tokens,
)
from platerota_solver.decoding import Decoder, copy_choices, fitting
from platerota_solver.kernel.state import RUNS, Choices, new_state
from platerota_solver.listener import Listener
from platerota_solver.problem import Problem, build_problem
from platerota_solver.schedule import schedule_points
from platerota_solver.search import Annealing

from .shops import DAY, HOUR, add_part, order, tiny_shop


def small_full(seed: int) -> Problem:
    return build_problem(read_request(make_request("small", seed, FULL)))


def test_sequences_worth_starting_from() -> None:
    """A: due last, least work; B: due first, most work, weight 10; C between."""
    raw = tiny_shop()
    raw["orders"] = [order("A", 1, due=3 * DAY), order("B", 9, due=DAY, weight=10), order("C", 3, due=2 * DAY)]
    found = sequences(build_problem(read_request(raw)))
    assert found["due"] == [1, 2, 0]
    # Work is 3,300 s a piece: 3,300, 29,700 / 10, 9,900.
    assert found["work"] == [1, 0, 2]
    assert found["slack"] == [1, 2, 0]
    assert sorted(found["urgency"]) == [0, 1, 2]
    assert found["urgency"][0] == 1


def test_a_long_order_claims_in_four_portions() -> None:
    raw = tiny_shop()
    raw["orders"] = [order("A", 9), order("B", 2)]
    choices = split_tokens(build_problem(read_request(raw)), [1, 0])
    assert choices.tokens.tolist() == [1, 1, 0, 0, 0, 0]
    assert choices.quota.tolist() == [3, 1]


@pytest.mark.parametrize("features", ["plain", "routed", "mixed"])
def test_a_small_week_is_searched_run_by_run_too(features: str) -> None:
    """A start in finer portions is the same plan at first; then others may come between any two runs of an order."""
    problem = build_problem(read_request(make_request("small", 1, (features,))))
    decoder = Decoder(problem)
    starts = [fitting(decoder, split_tokens(problem, sequence)) for sequence in sequences(problem).values()]
    both = both_ways(problem, starts)
    assert [choices.tokens.tolist() for choices in both[::2]] == [choices.tokens.tolist() for choices in starts]
    assert [decoder.score(choices) for choices in both[1::2]] == pytest.approx([decoder.score(choices) for choices in starts])
    most = max(choices.tokens.tolist().count(order) for choices in both[1::2] for order in choices.tokens)
    assert 4 < most <= FINE_PORTIONS


def test_a_large_week_is_searched_in_few_portions() -> None:
    problem = build_problem(read_request(make_request("medium", 1)))
    start = split_tokens(problem, sequences(problem)["due"])
    assert len(split_tokens(problem, sequences(problem)["due"], FINE_PORTIONS).tokens) > FINE_TOKENS
    assert len(both_ways(problem, [start])) == 1


def test_a_mixed_week_is_not_left_to_whole_halves_of_orders() -> None:
    """Three orders, each of which asks for the mill in between runs of the others; in portions of two runs none has less than 47 points."""
    problem = build_problem(read_request(make_request("tiny", 1, ("mixed",))))
    decoder = Decoder(problem)
    starts = both_ways(problem, [fitting(decoder, split_tokens(problem, sequences(problem)["due"]))])
    walks = [Annealing(decoder, start, seed=1) for start in starts]
    for walk in walks:
        for part in range(20):
            walk.round(part / 20, 100)
    assert walks[1].best_points < 30 < 45 < walks[0].best_points


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_walk_never_loses_its_best(seed: int) -> None:
    problem = small_full(seed)
    decoder = Decoder(problem)
    start = fitting(decoder, split_tokens(problem, sequences(problem)["due"]))
    walk = Annealing(decoder, start, seed)
    before, kept = walk.best_points, copy_choices(start)
    for progress in (0.0, 0.5, 1.0):
        best = walk.best_points
        improved = walk.round(progress, 40)
        assert improved == (walk.best_points < best)
        assert decoder.score(walk.best) == pytest.approx(walk.best_points)
    assert math.isfinite(walk.best_points)
    assert walk.best_points <= before
    for array, copy in zip(start, kept, strict=True):
        assert array.tolist() == copy.tolist(), "the choices it began with are not touched"


def test_the_same_seed_walks_the_same_way() -> None:
    problem = small_full(4)
    decoder = Decoder(problem)
    start = fitting(decoder, split_tokens(problem, sequences(problem)["due"]))
    walks = [Annealing(Decoder(problem), start, 7) for _ in range(2)]
    for walk in walks:
        walk.round(0.3, 60)
    assert walks[0].best_points == walks[1].best_points
    assert [array.tolist() for array in walks[0].best] == [array.tolist() for array in walks[1].best]


def put_in(problem: Problem, number: int = len(ONE_BY_ONE), clock: Clock | None = None) -> list[Choices]:
    decoder = Decoder(problem)
    plain = fitting(decoder, split_tokens(problem, sequences(problem)["due"]))
    return one_by_one(problem, decoder, clock or Clock(Settings(), Listener()), plain, number)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_orders_are_put_in_one_by_one_where_that_costs_least(seed: int) -> None:
    """Every order has all its turns, and the last one stands where no other place near the end of the sequence costs less."""
    problem = small_full(seed)
    decoder = Decoder(problem)
    found = put_in(problem)
    assert len(found) == len(ONE_BY_ONE)
    for choices, (name, late) in zip(found, ONE_BY_ONE, strict=True):
        plain = split_tokens(problem, sequences(problem)[name])
        assert sorted(choices.tokens) == sorted(plain.tokens)
        assert set(choices.late) == {late}
        last = plain.tokens[-1]
        turns, others = choices.tokens[choices.tokens == last], choices.tokens[choices.tokens != last]
        places = [0, *(np.flatnonzero(np.diff(others)) + 1), len(others)][-NEAR_END:]
        costs = [decoder.score(choices._replace(tokens=np.insert(others, place, turns))) for place in places]
        assert decoder.score(choices) == pytest.approx(min(costs))


@pytest.mark.parametrize("seed", [1, 4, 8])
def test_orders_put_in_one_by_one_make_far_better_plans_of_a_busy_week_than_a_sort(seed: int) -> None:
    problem = build_problem(read_request(make_request("medium", seed)))
    decoder = Decoder(problem)
    plain = min(decoder.score(fitting(decoder, split_tokens(problem, sequence))) for sequence in sequences(problem).values())
    assert min(decoder.score(choices) for choices in put_in(problem)) < 0.7 * plain


def test_an_order_that_fits_nowhere_is_not_put_in_and_the_rest_is() -> None:
    raw = tiny_shop()
    raw["orders"] = [order("A", 40, due=HOUR), order("B", 2)]
    raw["settings"]["horizon_days"] = 1
    for choices in put_in(build_problem(read_request(raw))):
        assert choices.skip.tolist() == [1, 0]


def test_no_order_is_put_in_once_time_is_up() -> None:
    assert put_in(small_full(1), clock=Clock(Settings(solve_seconds=0.05), Listener(), began=-1.0)) == []


def test_how_many_decodes_it_takes_to_put_orders_in() -> None:
    assert [insertions(orders) for orders in (1, 4, 30, 500)] == [0, 8, 180, 3_000]


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_the_kernel_counts_what_the_rows_say(seed: int) -> None:
    """Points in the kernel hold a tie-break of a millionth of a point per run besides."""
    problem = small_full(seed)
    decoder = Decoder(problem)
    for sequence in sequences(problem).values():
        schedule = decoder.schedule(fitting(decoder, split_tokens(problem, sequence)))
        assert schedule.points == pytest.approx(schedule_points(problem, schedule), abs=1e-3)


def test_what_does_not_fit_is_left_out_and_the_rest_is_placed() -> None:
    raw = tiny_shop()
    raw["orders"] = [order("A", 40, due=HOUR), order("B", 2)]
    raw["settings"]["horizon_days"] = 1
    problem = build_problem(read_request(raw))
    decoder = Decoder(problem)
    choices = fitting(decoder, split_tokens(problem, [0, 1]))
    assert choices.skip.tolist() == [1, 0]
    schedule = decoder.schedule(choices)
    assert schedule.unplaced == (0,)
    assert len(schedule.runs) == 2


def test_the_decoder_makes_room_when_a_plan_needs_more() -> None:
    """Twelve pieces of op 10 one by one, then op 20, which takes twelve at once: where it does not wait it needs twelve runs, not one."""
    raw = tiny_shop(quantity=12)
    add_part(raw, "W", "G", op=20, count=12)
    problem = build_problem(read_request(raw))
    decoder = Decoder(problem)
    choices = split_tokens(problem, [0])
    choices.wait[:] = 0
    decoder.spare, decoder.state = 1, new_state(problem, 1)
    assert len(decoder.state.runs) == 13 + 8
    assert decoder.run(choices) == -1
    assert int(decoder.state.counts[RUNS]) == 24
