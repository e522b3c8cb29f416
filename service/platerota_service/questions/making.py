"""Asking a question: once for each Idempotency-Key, waiting for the answer or not."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, floor
from typing import Annotated, Final

import structlog
from fastapi import Depends, Request, Response

from platerota_service.access.callers import Caller, Planner
from platerota_service.calls import Parts, PartsOf, PreferencesOf
from platerota_service.idempotency import GivenBefore, IdempotencyKey, Once, once_of
from platerota_service.kinds import KEY_SPENT, STILL_ANSWERING, TOO_LONG_TO_WAIT
from platerota_service.long_solves import LONGEST_SOLVE, too_long
from platerota_service.plan_making import WARM_PATIENCE, RushOf
from platerota_service.preferences import Preferences
from platerota_service.problems import ProblemError, problem_fault
from platerota_service.questions.answers import question_response
from platerota_service.questions.asking import NewQuestion
from platerota_service.store import IdempotencyRow
from platerota_service.taken import taken

_RETRY_SECONDS: Final = 2


@dataclass(frozen=True, slots=True)
class Asking:
    """A call that asks a question: who calls, the parts it needs, how it would like the answer, its key, if it has one, and whether
    the plans are in a rush.
    """

    call: Request
    caller: Caller
    parts: Parts
    preferences: Preferences
    key: str | None
    rush: bool

    async def make(self, body: bytes, read: Callable[[], NewQuestion]) -> Response:
        """The answered question, or the question as it stands where the caller prefers that.

        Parameters
        ----------
        body
            What the caller sent, to tell one question from another.
        read
            Reads it; work for a thread.
        """
        once = once_of(self.call, self.parts.store, self.caller.tenant, self.key, body)
        if once is not None and (earlier := await asyncio.to_thread(once.earlier)) is not None:
            return await self._again(earlier)
        question = await asyncio.to_thread(read)
        seconds = question.later_seconds + sum(child.submission.request.settings.solve_seconds for child in question.children)
        try:
            question_id = await self._ask(question, seconds, once)
        except GivenBefore:
            return await self.make(body, read)
        location = f"/v1/questions/{question_id}"
        with taken(location):
            return await self._asked(question_id, location, seconds, once)

    async def _asked(self, question_id: str, location: str, seconds: float, once: Once | None) -> Response:
        """The answer to a question that is stored."""
        structlog.contextvars.bind_contextvars(question=question_id)
        headers = {"Location": location}
        waits = None if not self.preferences.respond_async else self.preferences.wait or 0
        state = await self.parts.questions.followed(question_id, self.caller.tenant, waits)
        status = 201 if state.ended or waits is None else 202
        if status == 202:
            headers |= {"Retry-After": str(ceil(seconds))} | self.preferences.applied()
        elif waits is not None:
            headers |= Preferences(wait=self.preferences.wait).applied()
        if once is not None:
            await asyncio.to_thread(once.answered, status, headers)
        return question_response(state, status, headers)

    async def _ask(self, question: NewQuestion, seconds: float, once: Once | None) -> str:
        waits = not self.preferences.respond_async
        if waits:
            fault = too_long(seconds, len(question.children), _longest_each(question))
            if fault is not None:
                raise ProblemError(TOO_LONG_TO_WAIT, fault.detail, errors=[problem_fault(fault)])
            await self.parts.engine.check_ready(WARM_PATIENCE)
        settled = 202 if self.preferences.respond_async and not self.preferences.wait else None
        return await asyncio.to_thread(
            self.parts.questions.ask, question, self.caller.tenant, self.rush,
            None if once is None else lambda session, question_id: once.note(session, settled, question_id=question_id),
        )

    async def _again(self, earlier: IdempotencyRow) -> Response:
        """The first answer once more."""
        if earlier.question_id is None:
            raise ProblemError(KEY_SPENT, "the question that was asked with this Idempotency-Key is deleted")
        headers = {"Location": f"/v1/questions/{earlier.question_id}"}
        with taken(headers["Location"]):
            state = await asyncio.to_thread(self.parts.questions.read, earlier.question_id, self.caller.tenant)
            if earlier.status is None and not state.ended:
                raise ProblemError(
                    STILL_ANSWERING, f"its question is {headers['Location']}", headers=headers | {"Retry-After": str(_RETRY_SECONDS)},
                )
            return question_response(state, earlier.status or 201, headers)


def _longest_each(question: NewQuestion) -> float:
    """The solve_seconds with which a call may wait for the question, if each of its plans has them; those of later rounds grow along."""
    each = question.children[0].submission.request.settings.solve_seconds
    return floor(100 * LONGEST_SOLVE / (len(question.children) + question.later_seconds / each)) / 100


async def _asking(
    call: Request, caller: Planner, parts: PartsOf, preferences: PreferencesOf, idempotency_key: IdempotencyKey = None,
    rush: RushOf = False,
) -> Asking:
    return Asking(call, caller, parts, preferences, idempotency_key, rush)


AskingOf = Annotated[Asking, Depends(_asking)]
