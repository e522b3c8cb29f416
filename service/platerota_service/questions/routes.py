"""The calls about questions, whatever they ask."""

from __future__ import annotations

import asyncio
from typing import Literal

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from platerota_service.access.callers import Planner, Reader
from platerota_service.answers import guarded_answers, not_changed
from platerota_service.calls import PreferencesOf, QuestionId, QuestionsOf
from platerota_service.etags import IF_MATCH, only_unchanged
from platerota_service.kinds import BAD_HEADER, CHANGED, QUESTION_ENDED, UNKNOWN_QUESTION
from platerota_service.plan_answers import PlanProblem
from platerota_service.plans import PREFER_WAIT
from platerota_service.preferences import Preferences
from platerota_service.questions.answers import GOT_ANSWERS, STOPPED_ANSWERS, question_response
from platerota_service.questions.book import QuestionStatus
from platerota_service.questions.sweeps import SweepAnswer
from platerota_shared.levers import LeversAnswer
from platerota_shared.plan import Quality
from platerota_shared.promises import PromiseAnswer
from platerota_shared.rush_orders import RushAnswer

router = APIRouter(prefix="/v1/questions", tags=["decisions"])


class QuestionPlan(BaseModel):
    """A plan of a question, as it stands."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: str = Field(description="Its id; the plan itself is at `/v1/plans/{id}`.")
    name: str = Field(description="What the question calls it.")
    status: Literal["waiting", "solving", "ready", "failed", "stopped", "deleted"] = Field(
        description="How far it is; `deleted`: somebody deleted it.",
    )
    score: float | None = Field(description="Points of the best plan so far; null before the first one.")
    quality: Quality | None = Field(description="Whether it is proved to be the best; null before the first plan.")


class QuestionAnswer(BaseModel):
    """A question about a plan, its plans, and the answer as far as it is known."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: str = Field(description="The question's id.")
    kind: Literal["what-if-sweep", "rush-order", "promise", "levers"] = Field(description="What is asked.")
    status: QuestionStatus = Field(
        description="`waiting` until one of its plans is begun, `solving` until it is answered; then `ready`, `failed` where none of its"
        " plans could be made, or `stopped` where it was stopped before any was there.",
    )
    base: str = Field(description="The plan that it is about; that may be deleted since.")
    created: str = Field(description="When it was asked, UTC.")
    ended: str | None = Field(description="When it was answered, UTC; null where it is not yet.")
    rush: bool = Field(description="Whether its plans go before every plan that is not in a rush.")
    problem: PlanProblem | None = Field(description="Why it failed; null in every other state.")
    plans: tuple[QuestionPlan, ...] = Field(description="Its plans, in the order in which they were asked for.")
    answer: SweepAnswer | RushAnswer | PromiseAnswer | LeversAnswer | None = Field(
        description="The answer from the plans that have ended so far; null before the first one.",
    )


@router.get(
    "/{question_id}", operation_id="get_question", summary="A question as it stands", openapi_extra={"parameters": [PREFER_WAIT]},
    responses={**GOT_ANSWERS, **not_changed(), **guarded_answers(UNKNOWN_QUESTION, BAD_HEADER)},
)
async def get_question(
    call: Request, question_id: QuestionId, caller: Reader, questions: QuestionsOf, preferences: PreferencesOf,
) -> Response:
    """Answer the question with its status, its plans, and what is known so far; with `Prefer: wait=20` once it is answered, or after
    20 seconds.

    Send the ETag in `If-None-Match`, and a question of which nothing has changed is answered 304 without a body. The plans of a question
    are plans like any other, with their own files and pages; each has the plan that was asked about as its `base`, and so its `compare`.
    """
    state = await asyncio.to_thread(questions.read, question_id, caller.tenant)
    if preferences.wait is not None:
        state = await questions.followed(question_id, caller.tenant, preferences.wait)
    return question_response(state, 200, Preferences(wait=preferences.wait).applied(), call)


@router.post(
    "/{question_id}/stop", operation_id="stop_question", summary="Stop, and answer from what is there", status_code=202,
    openapi_extra={"parameters": [IF_MATCH]},
    responses={**STOPPED_ANSWERS, **guarded_answers(UNKNOWN_QUESTION, QUESTION_ENDED, BAD_HEADER, CHANGED)},
)
async def stop_question(call: Request, question_id: QuestionId, caller: Planner, questions: QuestionsOf) -> Response:
    """End its solves with their best plans; the answer comes from these, within about a second. A body is not read."""
    await asyncio.to_thread(questions.stop, question_id, caller.tenant, only_unchanged(call))
    return question_response(await asyncio.to_thread(questions.read, question_id, caller.tenant), 202, {})


@router.delete(
    "/{question_id}", operation_id="delete_question", summary="Forget a question and its plans", status_code=204,
    openapi_extra={"parameters": [IF_MATCH]}, responses=guarded_answers(UNKNOWN_QUESTION, BAD_HEADER, CHANGED), response_class=Response,
    response_description="The question is forgotten",
)
async def delete_question(call: Request, question_id: QuestionId, caller: Planner, questions: QuestionsOf) -> None:
    """Forget the question and its plans, but for one that a shop works by, which is a plan like any other from then on."""
    await asyncio.to_thread(questions.delete, question_id, caller.tenant, only_unchanged(call))
