"""Which levers are worth more time, and which helps most: two rounds of successive halving beside a control.

Every lever, and the control, the week without any change, is solved from the same plan for the same short time. The better third is
solved again, each from what it found, for :data:`LONGER` times as long, and the control with them. A lever is only ever compared
with the control that had as much time, so that what mere searching gains is not taken for what the lever brings; and a lever's plan
that does not need the lever counts as found without it.

The scheme is that of Jamieson & Talwalkar 2016, "Non-stochastic best arm identification and hyperparameter optimization",
AISTATS, with two rounds (cited from memory); that a lever whose bound is above another's score is given up follows from the bound.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, inf
from typing import Final, Self

from platerota_shared.plan import Plan

LONGER: Final = 3
"""Times that the second round takes as long as the first, for each plan."""
KEPT: Final = 1 / 3
"""The share of the levers that goes into the second round."""
FIRST: Final = 1
SECOND: Final = 2
"""The two rounds by number."""
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
"""Number of a lever -> what it reached; levers without a plan are left out."""


def cannot_win(bound: float, best: float) -> bool:
    """Whether a lever whose plans all have `bound` points or more is beaten by a plan of `best` points."""
    return bound >= best


def most_again(levers: int) -> int:
    """How many of so many levers are solved again at most."""
    return ceil(levers * KEPT)


def again(first: Totals, levers: int) -> list[int]:
    """The levers that are solved again: the better third of all, by their points in the first round, then by their number.

    Parameters
    ----------
    first
        What each lever reached in the first round.
    levers
        How many were asked for.

    Notes
    -----
    One that is proved the best for its week cannot improve, and one that cannot win is given up; neither takes a place.
    """
    best = min((solved.total for solved in first.values()), default=inf)
    open_ = [number for number, solved in first.items() if not solved.proved and not cannot_win(solved.bound, best)]
    return sorted(open_, key=lambda number: (first[number].total, number))[: most_again(levers)]


@dataclass(frozen=True, slots=True)
class Standing:
    """How a lever stands after both rounds.

    Attributes
    ----------
    number
        Of the lever.
    round
        The last round in which it was solved, 1 or 2.
    against
        The round of the control that it is compared with.
    saved
        Points of that control, less points of the lever's better plan; negative where that is worse.
    helps
        Whether `saved` is more than the noise.
    certain
        Whether no plan without the lever can be as good: its points are below the control's bound.
    """

    number: int
    round: int
    against: int
    saved: float
    helps: bool
    certain: bool


def noise(controls: Mapping[int, Solved]) -> float:
    """Points by which a plan may be better than another for nothing: what the control gained by its second round, a little at least.

    Parameters
    ----------
    controls
        Round (1, 2) -> what the control reached in it.
    """
    totals = [solved.total for solved in controls.values()]
    return max(ALIKE * max(totals), max(totals) - min(totals))


def standings(first: Totals, second: Totals, controls: Mapping[int, Solved]) -> list[Standing]:
    """Every lever that has a plan, the one that saves most first; those with a place in the second round before the others.

    Parameters
    ----------
    first, second
        What each lever reached in each round.
    controls
        Round (1, 2) -> what the control reached in it; 2 may be missing where nothing was solved again.
    """
    found = [_standing(number, first, second, controls) for number in first]
    return sorted(found, key=lambda one: (-one.against, -one.saved, one.number))


def _standing(number: int, first: Totals, second: Totals, controls: Mapping[int, Solved]) -> Standing:
    # What is proved in the first round would be the same after the second: it is compared with the control that had more time.
    against = max(controls) if number in second or first[number].proved else FIRST
    total = min(one[number].total for one in (first, second) if number in one)
    saved = controls[against].total - total
    return Standing(
        number, SECOND if number in second else FIRST, against, saved, helps=saved > noise(controls),
        certain=total < max(control.bound for control in controls.values()) - 1e-6,
    )
