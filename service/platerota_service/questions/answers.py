"""A question as it is answered, and how that is described."""

from __future__ import annotations

import json
from typing import Any, Final
from zoneinfo import ZoneInfo

from fastapi import Request, Response

from platerota_service.answers import Answers, example_reference, headers_described, reference
from platerota_service.etags import already_seen
from platerota_service.questions.book import QuestionState
from platerota_shared.instants import local_text


def _described(description: str, status: int, shown: str, *headers: str) -> Answers:
    content = {"application/json": {"schema": reference("QuestionAnswer"), "examples": {"one-plate": example_reference(shown)}}}
    return {status: {"description": description, "content": content, "headers": headers_described(*headers)}}


def asked_answers(shown: str, waiting: str) -> Answers:
    """The described answers of a call that asks a question; `shown` and `waiting` name the examples."""
    ended = "The question, in an end state; one that failed says why in `problem`"
    return {
        **_described(ended, 201, shown, "Location", "ETag", "Preference-Applied"),
        **_described("The question is taken; its plans wait", 202, waiting, "Location", "Retry-After", "ETag", "Preference-Applied"),
    }


GOT_ANSWERS: Final = _described(
    "The question; `answer` holds what is known so far, and the whole answer once `status` is ready", 200, "sweep", "ETag",
    "Preference-Applied",
)
"""The described answer of a call that reads one."""
STOPPED_ANSWERS: Final = _described("Its plans are told to stop", 202, "waiting-sweep", "ETag")
"""The described answer of a call that stops one."""


def question_response(state: QuestionState, status: int, headers: dict[str, str], call: Request | None = None) -> Response:
    """A question as it stands, with its ETag; 304 where `call` has seen it already. `headers` come beside."""
    told = {"ETag": state.tag, **headers}
    if call is not None and already_seen(call, state.tag):
        return Response(status_code=304, headers=told)
    return Response(question_text(state), status_code=status, headers=told, media_type="application/json")


def question_text(state: QuestionState) -> bytes:
    """The JSON of a question, UTF-8. The stored answer is put in as it is."""
    row = state.row
    head = json.dumps({
        "id": row.id, "kind": row.kind, "status": state.status, "base": row.base_id, "created": _utc(row.created_ms),
        "ended": _utc(row.ended_ms), "rush": row.rush,
        "problem": {"title": "the question could not be answered", "detail": row.problem} if row.problem is not None else None,
        "plans": [_plan(state, child.plan, child.name) for child in state.children],
    }, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return f'{head[:-1]},"answer":{row.answer or "null"}}}'.encode()


def _plan(state: QuestionState, plan_id: str, name: str) -> dict[str, Any]:
    plan = state.plans.get(plan_id)
    if plan is None:
        return {"id": plan_id, "name": name, "status": "deleted", "score": None, "quality": None}
    return {"id": plan_id, "name": name, "status": plan.state, "score": plan.score, "quality": plan.quality}


def _utc(instant_ms: int | None) -> str | None:
    return local_text(instant_ms // 1000, ZoneInfo("UTC")) if instant_ms is not None else None
