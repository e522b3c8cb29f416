"""A rush order asked and answered: what can be done for it, and who pays.

Each choice is a plan of the week with the order in it. What it costs the others is counted against the plan that was there before: an
order pays where it gets later beyond its due date, or is no longer planned; one that only finishes later, and is on time still, does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Self

from platerota_shared.effects import Effect, Payer
from platerota_shared.fields import Instant
from platerota_shared.plan import Out

GRAIN_SECONDS: Final = 900
"""Finishes nearer than this are one choice: a load takes about that long, and dates are promised by the quarter of an hour at best."""
GRAIN_PAIN: Final = 0.25
"""weight × hours that two choices must cost the others more or less to be two: a quarter of an hour of one order of weight 1."""


class RushChoice(Out):
    """What can be done, and its price."""

    name: str
    """`harmless`: nobody pays; `soonest`: at any price; others lie between."""
    plan: str
    """The id of its plan, at `/v1/plans/{id}`."""
    finish: Instant | None
    """When the rush order finishes; null where it has no place."""
    late_seconds: int | None
    """How late that is against its due date, seconds; null where it has no place."""
    harmless: bool
    """Whether no other order pays, by planned times: `POST /v1/plans/{id}/risks` of its plan says how sure the others still are."""
    pays: tuple[Payer, ...]
    """The orders that pay, the worst first."""
    pain: float
    """What the others pay, the sum of weight × hours; orders that lose their place come upon it."""
    effect: Effect
    """What the plan does differently from the one that was there before; its score holds the rush order too."""


class RushAnswer(Out):
    """The choices for a rush order, none of which is worse than another one in every respect.

    Of choices that differ by less than a quarter of an hour the one that costs the others less is told.
    """

    order: str
    """The rush order."""
    due: Instant
    """When it is due."""
    choices: tuple[RushChoice, ...]
    """At most five, the earliest finish first and the cheapest last."""
    harmless: str | None
    """The plan with the earliest finish that was found without making any other order later; null where none was."""
    soonest: str | None
    """The plan with the earliest finish that was found at any price, to a quarter of an hour; null where the order has no place at all."""
    why: str | None
    """Why there is none that harms nobody, in words; null where there is one."""
    caution: str | None
    """That the plan had begun more than an hour before this was asked, so that hours that are gone count as free; null otherwise."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How a plan stands for a rush order.

    Attributes
    ----------
    plan
        Its id.
    finish
        UTC seconds at which the rush order finishes; None where it has no place.
    lost, payers
        Other orders that lose their place, and all that pay.
    pain
        What those pay that get later, weight × hours.
    score
        Points of the plan.
    """

    plan: str
    finish: int | None
    lost: int
    payers: int
    pain: float
    score: float

    @classmethod
    def of(cls, plan: str, finish: int | None, found: Effect) -> Self:
        """The standing of a plan with that effect."""
        return cls(plan, finish, found.lost, len(found.pays), found.pain, found.score.plan)

    @property
    def harmless(self) -> bool:
        """Whether no other order pays."""
        return self.payers == 0

    def dominates(self, other: Standing) -> bool:
        """Whether it is nowhere worse, and somewhere better: in the rush order's finish or in what the others pay; at a tie in points."""
        if self._finish() > other._finish() or self._harm() > other._harm():
            return False
        return (self._finish(), self._harm()) != (other._finish(), other._harm()) or self.score < other.score

    def _finish(self) -> float:
        return float("inf") if self.finish is None else self.finish

    def _harm(self) -> tuple[int, float, int]:
        return self.lost, self.pain, self.payers


def front(standings: Sequence[Standing]) -> list[Standing]:
    """Those that no other one dominates, by finish; of several that are alike in all, the first. Without a place for the order: none."""
    placed = [one for one in standings if one.finish is not None]
    kept = [
        one for index, one in enumerate(placed)
        if not any(other.dominates(one) for other in placed) and not any(_alike(other, one) for other in placed[:index])
    ]
    return sorted(kept, key=lambda one: one.finish or 0)


def worth_telling(found: Sequence[Standing]) -> list[Standing]:
    """Of choices as :func:`front` gives them, those that a planner would tell apart, by finish.

    A choice that finishes less than :data:`GRAIN_SECONDS` later than another one, and costs the others less, stands for both. One that
    finishes later than that and spares the others less than :data:`GRAIN_PAIN`, with as many orders lost, is not told, unless nobody pays
    for it: that is what was asked for.
    """
    told: list[Standing] = []
    since = 0
    for one in found:
        finish = one.finish or 0
        if told and finish - since < GRAIN_SECONDS:
            told[-1] = one
            continue
        if told and not one.harmless and told[-1].lost == one.lost and told[-1].pain - one.pain < GRAIN_PAIN:
            continue
        told.append(one)
        since = finish
    return told


def _alike(one: Standing, other: Standing) -> bool:
    return replace(one, plan=other.plan) == other
