"""Where a solve starts from, and what it is after: the plan that a what-if varies, that a replan keeps, that a rush order is put into."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Final, Self

from platerota_shared.document import is_object
from platerota_shared.plan import Plan

FROZEN_MINUTES: Final = 60
"""What starts within so many minutes stays where it is, where nothing else is said: people are on their way to it."""


@dataclass(frozen=True, slots=True)
class Aim:
    """What a solve is after besides the score: one order finished early.

    The points of the plan stay those of the contract; the aim only says which plan is looked for.

    Attributes
    ----------
    order
        Id of the order.
    finish_hour
        Points for each hour from now to that order's finish, upon those of the score, >= 0. So many that nothing else counts: the
        earliest finish at any price.
    harmless
        Whether no other order may be later than in the plan that is started from: none that was on time becomes late, none that was
        late becomes later.
    """

    order: str
    finish_hour: float
    harmless: bool = False


@dataclass(frozen=True, slots=True)
class Start:
    """What a solve starts from.

    Attributes
    ----------
    plan
        The plan that is varied or replanned. What of it the request still allows is the first plan that is looked at.
    counts_moves
        Whether the score counts the tasks moved against it (`moved_task`), as in a replan.
    frozen_until
        UTC seconds: what the plan starts before stays as it is where it can; None: all may move.
    aim
        What the solve is after besides the score.
    """

    plan: Plan
    counts_moves: bool = False
    frozen_until: int | None = None
    aim: Aim | None = None

    @property
    def replanned(self) -> Plan | None:
        """The plan of which the score counts the tasks moved; None where it counts none."""
        return self.plan if self.counts_moves else None

    def text(self) -> str:
        """The start as JSON text in one line."""
        return json.dumps(self.document(), ensure_ascii=False, allow_nan=False, separators=(",", ":"))

    def document(self) -> dict[str, Any]:
        """The start as JSON values."""
        aim = self.aim and {"order": self.aim.order, "finish_hour": self.aim.finish_hour, "harmless": self.aim.harmless}
        return {"plan": self.plan.document(), "counts_moves": self.counts_moves, "frozen_until": self.frozen_until, "aim": aim}

    @classmethod
    def from_document(cls, document: Any) -> Self:
        """Read what :meth:`document` wrote.

        Raises
        ------
        TypeError, pydantic.ValidationError
            Where it is something else.
        """
        if not is_object(document):
            raise TypeError("a start is an object")
        given = dict(document)
        aim = given.pop("aim")
        return cls(plan=Plan.from_document(given.pop("plan")), aim=None if aim is None else Aim(**aim), **given)
