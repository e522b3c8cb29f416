"""What a kind of question says of itself: how its plans are judged, whether others are needed, and what the answer is."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final, Literal, Protocol

from platerota_service.bases import Base
from platerota_service.engine import Submission
from platerota_service.shops.book import written
from platerota_service.solve_settings import with_settings
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest

Facts = Mapping[str, Any]
"""JSON values by name."""
BEGUN: Final = "begun"
"""Where among the facts of a question it stands that its plan had begun when it was asked, in words; null where it had not."""
ChildEnd = Literal["ready", "failed", "stopped", "deleted"]


@dataclass(frozen=True, slots=True)
class NewChild:
    """A plan that a question asks for.

    Attributes
    ----------
    name
        What it is called in the question, once.
    submission
        What is planned; whose it is and whether it is in a rush follows from the question.
    facts
        What its kind wants to know of it later.
    """

    name: str
    submission: Submission
    facts: Facts = field(default_factory=dict[str, Any])


@dataclass(frozen=True, slots=True)
class NewQuestion:
    """A question that was read without a fault: its kind, the plan it is about, what was asked (JSON), its first plans, and the seconds
    of the optimiser that plans of later rounds may ask for.
    """

    kind: str
    base: Base
    asked: Facts
    children: Sequence[NewChild]
    later_seconds: float = 0.0


@dataclass(frozen=True)
class Asked:
    """A question to whoever answers it: what was asked, and the plan it is about with its request (JSON values)."""

    asked: Facts
    base: Plan
    document: dict[str, Any]

    @cached_property
    def request(self) -> PlanRequest:
        """The request of the base."""
        return read_request(self.document)

    @property
    def begun(self) -> str | None:
        """That the base had begun when this was asked, in words; None where it had not."""
        return self.asked.get(BEGUN)

    def cautioned(self, caution: str) -> str:
        """A caution of the answer, behind that the base had begun where it had."""
        return f"{self.begun} {caution}" if self.begun is not None else caution


@dataclass(frozen=True)
class Child:
    """A plan of a question that is ready, whole: its name and facts, its request (JSON values), and the stored shop it is of."""

    id: str
    name: str
    facts: Facts
    plan: Plan
    document: dict[str, Any]
    shop_id: str | None = None
    shop_version: int | None = None

    @cached_property
    def request(self) -> PlanRequest:
        """Its request."""
        return read_request(self.document)

    def again(self, settings: Facts | None = None) -> Submission:
        """Its request once more, with other settings where they are given."""
        document = self.document if settings is None else with_settings(self.document, settings)
        text = written(document).encode()
        return Submission(text, read_request(document), shop_id=self.shop_id, shop_version=self.shop_version)


@dataclass(frozen=True, slots=True)
class Judged:
    """A plan of a question that has ended: its name and facts, how it ended, why it failed, and, where it is ready, the verdict."""

    id: str
    name: str
    facts: Facts
    end: ChildEnd
    problem: str | None = None
    verdict: Facts | None = None


class Question(Protocol):
    """A kind of question. Nothing here keeps a state: what a process found out is found out again by another one after a crash."""

    async def judge(self, asked: Asked, child: Child) -> Facts:
        """What counts of a plan for the answer, JSON values and few: the plan itself is not kept. Long work belongs into a thread."""
        ...

    def then(self, asked: Asked, judged: Sequence[Judged], load: Callable[[str], Child]) -> Sequence[NewChild]:
        """Further plans, once all that were asked for have ended; none: the question is answered. Called in a thread.

        Parameters
        ----------
        judged
            Every plan of the question, in the order in which they were asked for.
        load
            Reads a ready plan by its id once more; KeyError where it was deleted meanwhile.
        """
        ...

    def answer(self, asked: Asked, judged: Sequence[Judged]) -> Facts:
        """The answer from the plans that have ended so far, at least one of which is ready, JSON values. Called in a thread."""
        ...
