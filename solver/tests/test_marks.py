"""Choices that begin like others are decoded from a mark on the way: the schedule must be the one that is made from nothing."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmarks.generator import FULL, make_request
from platerota_shared import read_request
from platerota_solver import decoding
from platerota_solver.constructing import sequences, split_tokens
from platerota_solver.decoding import Decoder, copy_choices, fitting
from platerota_solver.kernel.state import ITEM, RUNS, first_choices
from platerota_solver.problem import build_problem
from platerota_solver.search import Annealing, Walks

from .shops import DAY, order, shift, tiny_shop

MIXES = [("plain",), ("routed",), ("mixed",), FULL]


@pytest.mark.parametrize("features", MIXES, ids=lambda features: features[0] if len(features) == 1 else "full")
@pytest.mark.parametrize("seed", [1, 2])
def test_what_is_gone_on_from_a_mark_is_what_is_decoded_from_nothing(features: tuple[str, ...], seed: int) -> None:
    """Along a search: the same points and the same runs to the second, and nothing is given up that would have been accepted."""
    problem = build_problem(read_request(make_request("small", seed, features)))
    decoder, plain = Decoder(problem), Decoder(problem)
    start = fitting(decoder, split_tokens(problem, sequences(problem)["due"]))
    walk = Annealing(decoder, start, seed)
    followed = decoder.track(start)
    seen = {"marks": 0, "given up": 0, "better": 0}
    for number in range(250):
        trial = copy_choices(followed.choices)
        for _ in range(1 + number % 2):
            walk.steps[walk.random.randrange(len(walk.steps))](trial)
        limit = followed.points * (1.0 if number % 3 else 1.05)
        found, wanted = followed.try_out(trial, limit), plain.score(trial)
        if math.isinf(found):
            nothing_new = all(np.array_equal(one, other) for one, other in zip(trial, followed.choices, strict=True))
            assert wanted > limit or nothing_new
            seen["given up"] += not math.isinf(wanted)
            continue
        assert found == wanted
        runs = int(plain.state.counts[RUNS])
        assert decoder.state.counts[RUNS] == runs
        assert np.array_equal(decoder.state.runs[:runs], plain.state.runs[:runs])
        seen["marks"] += int(followed.went_on_from > 0)
        if found <= limit:
            seen["better"] += found < followed.points
            followed.accept(trial, found)
    assert all(seen.values()), seen


def test_marks_hold_where_one_order_fills_the_nests_of_another() -> None:
    """A's run is filled with what of B or C has its turn first: when these change places behind A's turn, A's run is another one."""
    raw = tiny_shop()
    raw["shop"]["nests"][0]["count"] = 6
    raw["orders"] = [order("A", 1, due=2 * DAY), order("B", 5, due=3 * DAY), order("C", 5, due=3 * DAY)]
    problem = build_problem(read_request(raw))
    decoder, plain = Decoder(problem), Decoder(problem)
    followed = decoder.track(first_choices(problem, [0, 1, 2]))
    trial = first_choices(problem, [0, 2, 1])
    assert followed.try_out(trial) == plain.score(trial)
    filled = [plain.state.pieces[k, ITEM] for k in range(2)]
    assert filled == [0, 2]
    assert [decoder.state.pieces[k, ITEM] for k in range(2)] == filled
    assert followed.went_on_from == 0


def test_a_decode_begins_anew_where_a_shift_of_overtime_opens() -> None:
    """What is booked before all turns, and who works when, is the same only where those choices are."""
    raw = tiny_shop()
    raw["orders"] = [order("A", 3), order("B", 3)]
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "08:00"), shift("Ana", "08:00", "12:00", overtime=True)]
    problem = build_problem(read_request(raw))
    decoder = Decoder(problem)
    followed = decoder.track(first_choices(problem, [0, 1]))
    trial = copy_choices(followed.choices)
    rows = problem.arrays.list_from[problem.arrays.l_overtime[0]:problem.arrays.l_overtime[0] + 2]
    trial.overtime[rows[0]:rows[1]] = 1
    assert followed.try_out(trial) == Decoder(problem).score(trial)
    assert followed.went_on_from == -1


def test_marks_are_made_again_after_the_arrays_have_grown() -> None:
    """A track from before does not write past its own room, and goes on without marks."""
    raw = tiny_shop()
    raw["orders"] = [order(name, 6) for name in "ABCD"]
    problem = build_problem(read_request(raw))
    decoder = Decoder(problem)
    followed = decoder.track(first_choices(problem, [0]))  # one order: little room
    whole = first_choices(problem, [0, 1, 2, 3])
    assert followed.try_out(whole) == Decoder(problem).score(whole)
    followed.accept(whole, followed.points)
    trial = first_choices(problem, [0, 1, 3, 2])
    assert followed.try_out(trial) == Decoder(problem).score(trial)


def test_many_walks_of_a_large_week_have_fewer_marks(monkeypatch: pytest.MonkeyPatch) -> None:
    """The marks of all walks of a thread take no more room than is set, one mark each excepted; the search is the same."""
    problem = build_problem(read_request(make_request("small", 1, ("plain",))))
    start = fitting(Decoder(problem), split_tokens(problem, sequences(problem)["due"]))
    found = []
    for room in (decoding.MARK_BYTES, 400_000, 1):
        monkeypatch.setattr(decoding, "MARK_BYTES", room)
        decoder = Decoder(problem)
        walks = Walks(decoder, [start], 7, 4)
        for step in range(12):
            walks.step(step / 12, 0.5, 20)
        followed = decoder.track(start)
        found.append((followed.marks, walks.best_points))
    (most, points), (some, same), (one, also) = found
    assert most == decoding.MARKS
    assert 1 < some < most
    assert one == 1
    assert points == same == also
