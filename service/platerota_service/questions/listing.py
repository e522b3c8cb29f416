"""The list of a tenant's questions."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from fastapi import APIRouter
from pydantic import BaseModel, Field

from platerota_service.access.callers import Reader
from platerota_service.answers import guarded_answers, with_example
from platerota_service.calls import StoreOf
from platerota_service.cursors import Cursor, PageLimit, Place, newest_first, page
from platerota_service.kinds import BAD_CURSOR, FAULTS
from platerota_service.questions.book import QuestionStatus
from platerota_service.store import QuestionRow, Store, question_rows
from platerota_shared.instants import local_text

router = APIRouter(prefix="/v1/questions", tags=["decisions"])

_PATH: Final = "/v1/questions"
_ENTRY: Final = {
    "id": "5d1c9a7be04f4c3e8a6b2f9d7c3e1a05", "kind": "rush-order", "status": "ready", "base": "3f2b8a4c9d5e4f60a1b2c3d4e5f60718",
    "created": "2027-03-01T06:02:00+00:00", "ended": "2027-03-01T06:02:09+00:00",
}
_SHOWN: Final[Sequence[Any]] = (
    QuestionRow.id, QuestionRow.kind, QuestionRow.state, QuestionRow.base_id, QuestionRow.created_ms, QuestionRow.ended_ms,
)


class QuestionEntry(BaseModel):
    """A question without its plans and its answer."""

    model_config = with_example(_ENTRY)

    id: str = Field(description="Its id; the question itself is at `/v1/questions/{id}`.")
    kind: str = Field(description="What is asked.")
    status: QuestionStatus = Field(description="How far it is.")
    base: str = Field(description="The plan that it is about; that may be deleted since.")
    created: str = Field(description="When it was asked, UTC.")
    ended: str | None = Field(description="When it was answered, UTC; null where it is not yet.")


class QuestionList(BaseModel):
    """A page of questions, the newest first."""

    model_config = with_example({"items": [_ENTRY], "self": "/v1/questions?limit=50", "next": None})

    items: list[QuestionEntry] = Field(description="The questions of this page.")
    self_: str = Field(alias="self", description="The address of this page.")
    next: str | None = Field(description="The address of the next page; null on the last one.")


@router.get(
    "", operation_id="list_questions", summary="Questions", response_description="A page of questions",
    responses=guarded_answers(BAD_CURSOR, FAULTS),
)
async def list_questions(caller: Reader, store: StoreOf, cursor: Cursor = None, limit: PageLimit = 50) -> QuestionList:
    """Answer questions without their plans and answers, the newest first; follow `next` for older ones."""
    return await asyncio.to_thread(_listed, store, caller.tenant, cursor, limit)


def _listed(store: Store, tenant: str, cursor: str | None, limit: int) -> QuestionList:
    query = newest_first(
        sa.select(*_SHOWN).where(QuestionRow.tenant == tenant), QuestionRow.created_ms, QuestionRow.id, cursor, limit,
    )
    with store.reading() as session:
        rows = session.execute(query).all()
        begun = question_rows.begun(session, [row.id for row in rows if row.state == "open"])
    shown, here, following = page(_PATH, {}, rows, cursor, limit, lambda row: Place(row.created_ms, row.id))
    return QuestionList(items=[_entry(row, row.id in begun) for row in shown], self=here, next=following)


def _entry(row: Any, begun: bool) -> QuestionEntry:
    status = row.state if row.state != "open" else "solving" if begun else "waiting"
    return QuestionEntry(
        id=row.id, kind=row.kind, status=status, base=row.base_id, created=_utc(row.created_ms) or "", ended=_utc(row.ended_ms),
    )


def _utc(instant_ms: int | None) -> str | None:
    return local_text(instant_ms // 1000, ZoneInfo("UTC")) if instant_ms is not None else None
