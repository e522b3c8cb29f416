"""Choices to points: the compiled kernel behind one class, with its arrays kept between decodes."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from platerota_solver.kernel.decode import decode, keep_marks, mark_size
from platerota_solver.kernel.state import (
    CARRIER,
    FIRST_PIECES,
    FULL,
    ITEM,
    LAST_PIECES,
    PIECES,
    Choices,
    Rates,
    State,
    Track,
    new_state,
    rates,
)
from platerota_solver.problem import Problem
from platerota_solver.schedule import Schedule


def copy_choices(choices: Choices) -> Choices:
    """A copy whose arrays may be changed."""
    return Choices(*(array.copy() for array in choices))


MARKS = 16
"""Places of a sequence at which a search notes the schedule, so that a change behind one needs no decode of what is before."""
MARK_BYTES = 128 * 2**20
"""Room for the marks of all walks of a thread; where there are many in a large week, each has fewer marks."""


class Decoder:
    """Turns choices into points with one reusable state; its arrays grow when a schedule needs more room.

    `points` are those of the schedule decoded last, infinite where an order did not fit the horizon, or the decode was given up.
    """

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.rates: Rates = rates(problem)
        self.spare = 2
        self.state: State = new_state(problem, self.spare)
        self.decodes = 0
        self.points = math.inf
        self.holds, self.ragged = run_orders(problem)
        self.fellows = fellows(problem)
        self.walks = 1  # that share it
        self._fresh = np.zeros((MARKS, 0), dtype=np.int64)
        self._no_track = self._new_track(0)

    def run(self, choices: Choices) -> int:
        """Decode; the number of an order that does not fit the horizon, -1 where all do."""
        return self.follow(choices, choices, self._no_track)

    def follow(self, choices: Choices, known: Choices, track: Track) -> int:
        """Decode, going on from where `known` is marked; as :meth:`run`, and GIVEN_UP above the track's limit."""
        self.decodes += 1
        failed = decode(self.problem.arrays, self.state, choices, known, track)
        while self.state.counts[FULL]:
            self.spare *= 2
            self.state = new_state(self.problem, self.spare)
            failed = decode(self.problem.arrays, self.state, choices, known, track)
        self.points = float(track.points[0])
        return int(failed)

    def _new_track(self, most: int) -> Track:
        """An empty track with so many marks or fewer; each has room for a schedule half as full again as the one decoded last."""
        room = 3 * int(mark_size(self.state)) // 2 if most else 0
        marks = max(1, min(most, MARK_BYTES // (8 * self.walks * room))) if most else 0
        if self._fresh.shape[1] < room:
            self._fresh = np.zeros((MARKS, room), dtype=np.int64)
        return Track(
            marks=np.zeros((marks, room), dtype=np.int64), size=np.full(marks, -1, dtype=np.int64), fresh=self._fresh[:marks],
            fresh_size=np.full(marks, -1, dtype=np.int64), from_mark=np.full(1, -1, dtype=np.int64), fellows=self.fellows,
            rates=self.rates, limit=np.full(1, np.inf), points=np.full(1, np.inf),
        )

    def track(self, choices: Choices) -> Following:
        """A search that begins at choices, which are decoded."""
        self.run(choices)
        return Following(self, choices, self._new_track(max(1, min(MARKS, len(choices.tokens)))))

    def score(self, choices: Choices) -> float:
        """Points of `choices`, infinite where an order does not fit."""
        self.run(choices)
        return self.points

    def schedule(self, choices: Choices) -> Schedule:
        """The schedule of choices that fit."""
        self.run(choices)
        unplaced = tuple(int(o) for o in np.flatnonzero(choices.skip))
        return Schedule.from_state(self.state, unplaced, self.points)


class Following:
    """The choices a search stands at, with marks along their decode; others are decoded from the last mark at which they are alike.

    `points` are those of the choices; `try_out` leaves the schedule of what it was given in the decoder's state, the part up to where it
    was given up.
    """

    def __init__(self, decoder: Decoder, choices: Choices, track: Track) -> None:
        self.decoder, self.choices, self._track = decoder, choices, track
        self.points = self.try_out(choices)
        self.accept(choices, self.points)

    @property
    def marks(self) -> int:
        """How many marks there are."""
        return len(self._track.marks)

    @property
    def went_on_from(self) -> int:
        """The mark from which the last decode went on, -1 where it began anew."""
        return int(self._track.from_mark[0])

    def try_out(self, choices: Choices, limit: float = math.inf) -> float:
        """Points of other choices; infinite where an order does not fit, where they cannot be `limit` or fewer, or nothing is new."""
        self._track.limit[0] = limit
        self.decoder.follow(choices, self.choices, self._track)
        return self.decoder.points

    def accept(self, choices: Choices, points: float) -> None:
        """Go on from the choices tried out last."""
        keep_marks(self._track)
        self.choices, self.points = choices, points


def fellows(problem: Problem) -> npt.NDArray[np.int64]:
    """``[order, order]`` 1 where two orders have ops that find nests on one fixture, 0 on the diagonal."""
    p = problem.arrays
    on = np.zeros((len(p.o_due), len(p.nests)), dtype=np.bool_)
    for order, step in zip(p.i_order, p.i_step, strict=True):
        on[order] |= p.nests[:, step] > 0
    together = on.astype(np.int64) @ on.T.astype(np.int64)
    return (together > 0).astype(np.int64) * (1 - np.eye(len(on), dtype=np.int64))


def run_orders(problem: Problem) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """``[order, run]`` whether a run of the plan that is kept holds pieces of an order; ``[order]`` whether one leaves nests empty."""
    p = problem.arrays
    holds = np.zeros((len(p.o_due), len(p.k_runs)), dtype=np.bool_)
    ragged = np.zeros(len(p.o_due), dtype=np.bool_)
    for k, run in enumerate(p.k_runs):
        held = p.k_pieces[run[FIRST_PIECES]:run[LAST_PIECES]]
        orders = p.i_order[held[:, ITEM]]
        holds[orders, k] = True
        ragged[orders[held[:, PIECES] < p.nests[p.c_fixture[run[CARRIER]], p.i_step[held[:, ITEM]]]]] = True
    return holds, ragged


def fitting(decoder: Decoder, choices: Choices) -> Choices:
    """The same choices with every order left out that does not fit the horizon, in the sequence in which they fail."""
    choices = copy_choices(choices)
    failed = decoder.run(choices)
    while failed >= 0:
        choices.skip[failed] = 1
        failed = decoder.run(choices)
    return choices
