"""Choices to points: the compiled kernel behind one class, with its arrays kept between decodes."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from platerota_solver.kernel.decode import decode
from platerota_solver.kernel.points import points
from platerota_solver.kernel.state import CARRIER, FIRST_PIECES, FULL, ITEM, LAST_PIECES, PIECES, Choices, Rates, State, new_state, rates
from platerota_solver.problem import Problem
from platerota_solver.schedule import Schedule


def copy_choices(choices: Choices) -> Choices:
    """A copy whose arrays may be changed."""
    return Choices(*(array.copy() for array in choices))


class Decoder:
    """Turns choices into points with one reusable state; its arrays grow when a schedule needs more room."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.rates: Rates = rates(problem)
        self.spare = 2
        self.state: State = new_state(problem, self.spare)
        self.decodes = 0
        self.holds, self.ragged = run_orders(problem)

    def run(self, choices: Choices) -> int:
        """Decode; the number of an order that does not fit the horizon, -1 where all do."""
        self.decodes += 1
        failed = decode(self.problem.arrays, self.state, choices)
        while self.state.counts[FULL]:
            self.spare *= 2
            self.state = new_state(self.problem, self.spare)
            failed = decode(self.problem.arrays, self.state, choices)
        return int(failed)

    def points(self, choices: Choices) -> float:
        """Points of the schedule that `run` left in the state."""
        return float(points(self.problem.arrays, self.state, choices, self.rates))

    def score(self, choices: Choices) -> float:
        """Points of `choices`, infinite where an order does not fit."""
        return math.inf if self.run(choices) >= 0 else self.points(choices)

    def schedule(self, choices: Choices) -> Schedule:
        """The schedule of choices that fit."""
        self.run(choices)
        unplaced = tuple(int(o) for o in np.flatnonzero(choices.skip))
        return Schedule.from_state(self.state, unplaced, self.points(choices))


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
