"""The call for the answer to a question as people read it."""

from __future__ import annotations

import asyncio
import json
from importlib.metadata import version
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from platerota_service.access.callers import Caller, LinkReader
from platerota_service.answers import guarded_answers, not_changed
from platerota_service.board import AskedQuestion, question_page
from platerota_service.calls import EngineOf, QuestionId, QuestionsOf
from platerota_service.engine import Engine, UnknownPlan
from platerota_service.etags import FRESHNESS, already_seen
from platerota_service.kinds import BAD_HEADER, UNKNOWN_QUESTION
from platerota_service.looking import viewer_of, way_in
from platerota_service.questions.asking import BEGUN
from platerota_service.questions.book import QuestionState

router = APIRouter(prefix="/v1", tags=["pages"])

HTML: Final[dict[str, Any]] = {"text/html": {"schema": {"type": "string"}, "examples": {
    "beginning": {"summary": "How it begins", "value": "<!doctype html>\n<html lang=\"en\">…"},
}}}
"""The described content that is a page."""


@router.get(
    "/questions/{question_id}/board", operation_id="get_answer_page", summary="The answer to a question, to read",
    response_class=Response,
    responses={
        200: {"description": "The answer so far, one HTML page", "content": HTML}, **not_changed(),
        **guarded_answers(UNKNOWN_QUESTION, BAD_HEADER),
    },
)
async def get_answer_page(
    call: Request, question_id: QuestionId, caller: LinkReader, engine: EngineOf, questions: QuestionsOf,
) -> Response:
    """Show the answer as far as it is known, and the way to each plan.

    Of a rush order what can be done, when it would be done and who pays; of a promise the date, how sure it is and what the order takes;
    of a sweep each what-if against the plan before; of levers the ranking. The page comes again by itself until the answer is whole.
    """
    state = await asyncio.to_thread(questions.read, question_id, caller.tenant)
    base_there = await _is_there(engine, caller, state.row.base_id)
    tag = f'W/"{state.tag.strip(chr(34))}{way_in(caller)}{"-base" if base_there else ""}-{version("platerota")}"'
    headers = {"ETag": tag, **FRESHNESS}
    if already_seen(call, tag):
        return Response(status_code=304, headers=headers)
    page = await asyncio.to_thread(lambda: question_page(_asked(state, base_there), viewer_of(caller)))
    return Response(page.html, headers={**page.headers, **headers}, media_type="text/html")


async def _is_there(engine: Engine, caller: Caller, plan_id: str) -> bool:
    try:
        await engine.status(plan_id, caller.tenant)
    except UnknownPlan:
        return False
    return True


def _asked(state: QuestionState, base_there: bool) -> AskedQuestion:
    row, facts = state.row, json.loads(state.row.asked)
    return AskedQuestion(
        id=row.id, kind=row.kind, status=state.status, base=row.base_id, base_there=base_there, problem=row.problem,
        done=sum(child.plan not in state.plans or state.plans[child.plan].ended for child in state.children), plans=len(state.children),
        there=frozenset(state.plans), asked=facts, answer=json.loads(row.answer) if row.answer is not None else None,
        begun=facts.get(BEGUN) or "",
    )
