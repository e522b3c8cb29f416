"""The plans of a question: their ids, what the question keeps of each, and their way into the queue."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Self

from dbos import DBOSClient
from sqlalchemy.orm import Session

from platerota_service.engine import Submission
from platerota_service.questions.asking import Facts, NewChild
from platerota_service.queueing import queue_plan
from platerota_service.store import QuestionRow


@dataclass(frozen=True, slots=True)
class KnownChild:
    """What a question keeps of a plan: its id, what the question calls it, and what the kind of the question wants to know of it."""

    plan: str
    name: str
    facts: Facts

    @classmethod
    def of(cls, question_id: str, number: int, child: NewChild) -> Self:
        """The plan with that number in the question, counted from 0: its id follows from both, so that it is never made twice."""
        return cls(f"{question_id}{number:03}", child.name, child.facts)


def read_children(text: str) -> list[KnownChild]:
    """What :func:`written_children` wrote."""
    return [KnownChild(**one) for one in json.loads(text)]


def written_children(children: Iterable[KnownChild]) -> str:
    """The plans of a question as JSON."""
    return json.dumps([asdict(one) for one in children], ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def queue_children(
    client: DBOSClient, session: Session, row: QuestionRow, children: Sequence[KnownChild], submissions: Sequence[Submission],
    base_id: str | None,
) -> None:
    """Store and queue plans of a question, in the transaction of `session`.

    Raises
    ------
    platerota_service.engine.UnknownPlan
        Where the base was deleted at this moment.
    """
    for child, submission in zip(children, submissions, strict=True):
        mine = replace(submission, tenant=row.tenant, rush=row.rush, parent_id=row.id, base_id=base_id)
        queue_plan(client, session, child.plan, mine)
