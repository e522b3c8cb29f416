"""Which levers are worth more time, and which helps most: rounds of successive halving beside a control.

Every lever, and the control, the week without any change, is solved from the same plan for the same short time. The better third is
solved once more, for longer, and the best few of those for longer still, and the control with them. Each begins at the best plan without
a change that is known by then, with another seed, not at what was found for the lever: where a search is far from its end, it seldom
leaves what it has found. Levers are compared with that best plan, so that what mere searching gains is not taken for what a lever brings;
and a lever's plan that does not need the lever counts as found without it.

The scheme is that of Jamieson & Talwalkar 2016, "Non-stochastic best arm identification and hyperparameter optimization",
AISTATS (cited from memory); that a lever whose bound is above another's score is given up follows from the bound.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, inf
from typing import Final, Self

from platerota_shared.plan import Plan


@dataclass(frozen=True, slots=True)
class Round:
    """How many levers a round solves, as a share of all and at least, and for how many times as long as the first round each."""

    kept: float
    least: int
    longer: int

    def most(self, levers: int) -> int:
        """How many of so many levers it solves at most; 0 where that is fewer than it is worth."""
        most = ceil(levers * self.kept)
        return most if most >= self.least else 0


ROUNDS: Final = {1: Round(1.0, 1, 1), 2: Round(1 / 3, 1, 3), 3: Round(1 / 7, 2, 5)}
"""The rounds by number. The last one tells the best apart, so it is none for one lever."""
FIRST: Final = min(ROUNDS)
ALIKE: Final = 0.001
"""Part of the control's points below which two plans are as good as each other, whatever else is known."""


@dataclass(frozen=True, slots=True)
class Solved:
    """What a lever, or the control, reached: points, points that none of its plans can beat, and whether its plan is proved the best."""

    total: float
    bound: float
    proved: bool = False

    @classmethod
    def of(cls, plan: Plan) -> Self:
        """What a ready plan says of itself."""
        return cls(plan.score.total, plan.score.bound, plan.quality == "optimal")


Totals = Mapping[int, Solved]
"""Number of a lever -> what it reached in a round; levers without a plan are left out."""
Reached = Mapping[int, Totals]
"""Round -> what each lever that has a plan of it reached; a round that is not there has not begun."""


def cannot_win(bound: float, best: float) -> bool:
    """Whether a lever whose plans all have `bound` points or more is beaten by a plan of `best` points."""
    return bound >= best


def further_times(levers: int) -> int:
    """Times of the first round's for one plan that the rounds after it take at most, all plans together, the control's too."""
    further = [(place.most(levers), place.longer) for number, place in ROUNDS.items() if number != FIRST]
    return sum(longer * (1 + most) for most, longer in further if most)


def again(reached: Reached, levers: int) -> list[int]:
    """The levers that the next round solves: of those in the last one the best, by their points so far, then by their number.

    Parameters
    ----------
    reached
        What each lever reached in each round.
    levers
        How many were asked for.

    Notes
    -----
    Empty where none is to follow. One that is proved the best for its week cannot improve, and one that cannot win is given up; neither
    takes a place.
    """
    last = max(reached)
    if last + 1 not in ROUNDS:
        return []
    known = {number: _known(reached, number) for number in {number for totals in reached.values() for number in totals}}
    best = min((solved.total for solved in known.values()), default=inf)
    open_ = [number for number in reached[last] if not known[number].proved and not cannot_win(known[number].bound, best)]
    return sorted(open_, key=lambda number: (known[number].total, number))[: ROUNDS[last + 1].most(levers)]


def _known(reached: Reached, number: int) -> Solved:
    """What is known of a lever after all its rounds: the least points and the best bound."""
    own = [totals[number] for totals in reached.values() if number in totals]
    return Solved(min(one.total for one in own), max(one.bound for one in own), any(one.proved for one in own))


@dataclass(frozen=True, slots=True)
class Standing:
    """How a lever stands after the rounds.

    Attributes
    ----------
    number
        Of the lever.
    round
        The last round in which it was solved.
    saved
        Points of the best plan without a change that is known, less points of the lever's best plan; negative where that is worse.
    helps
        Whether `saved` is more than the noise.
    near_best
        Whether it helps and may be as good as the one that saves most: it lacks no more than the margin.
    certain
        Whether no plan without the lever can be as good: its points are below the control's bound.
    """

    number: int
    round: int
    saved: float
    helps: bool
    near_best: bool
    certain: bool


def noise(controls: Mapping[int, Solved]) -> float:
    """Points by which a plan may be better than another for nothing: what the control gained after its first round, a little at least.

    Parameters
    ----------
    controls
        Round -> the best that is known of the control after it.
    """
    totals = [solved.total for solved in controls.values()]
    return max(ALIKE * max(totals), max(totals) - min(totals))


def margin(reached: Reached, controls: Mapping[int, Solved]) -> float:
    """Points by which one lever may stand above another for nothing: the most that the last round brought to one of them, or the noise.

    Parameters
    ----------
    reached, controls
        As for :func:`standings`.
    """
    last = max(reached)
    earlier = {place: totals for place, totals in reached.items() if place < last}
    gains = [_known(earlier, number).total - _known(reached, number).total for number in reached[last]] if earlier else []
    return max(noise(controls), *gains, 0.0)


def standings(reached: Reached, controls: Mapping[int, Solved]) -> list[Standing]:
    """Every lever that has a plan, the one that saves most first.

    Parameters
    ----------
    reached
        What each lever reached in each round.
    controls
        Round -> the best that is known of the control after it; later ones may be missing where nothing was solved again.
    """
    control, bound = min(one.total for one in controls.values()), max(one.bound for one in controls.values())
    known = {number: _known(reached, number) for number in {number for totals in reached.values() for number in totals}}
    luck, near = noise(controls), min((one.total for one in known.values()), default=inf) + margin(reached, controls)
    found: list[Standing] = []
    for number, one in known.items():
        last, saved = max(place for place, totals in reached.items() if number in totals), control - one.total
        helps = saved > luck
        found.append(Standing(number, last, saved, helps, near_best=helps and one.total <= near, certain=one.total < bound - 1e-6))
    return sorted(found, key=lambda one: (-one.saved, one.number))
