"""Making a plan from a request, wherever its shop came from: once for each Idempotency-Key, waiting for it or not, and the answer."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import ceil
from typing import Annotated, Final

import structlog
from fastapi import Depends, Query, Request, Response
from sqlalchemy.orm import Session

from platerota_service.access.callers import Caller, Planner
from platerota_service.calls import Parts, PartsOf, PreferencesOf
from platerota_service.engine import Engine, Guard, PlanState, Submission, UnknownPlan
from platerota_service.etags import FRESHNESS, already_seen, file_tag, only_unchanged
from platerota_service.formats import JSON, Wanted
from platerota_service.idempotency import GivenBefore, IdempotencyKey, Once, once_of
from platerota_service.kinds import KEY_SPENT, STILL_ANSWERING, TOO_LONG_TO_WAIT
from platerota_service.long_solves import too_long
from platerota_service.plan_answers import plan_answer
from platerota_service.plan_files import plan_file
from platerota_service.preferences import Preferences
from platerota_service.problems import ProblemError, problem_fault
from platerota_service.shops.facts import PlanShop, shops_in, shops_of
from platerota_service.store import IdempotencyRow, PlanRow, plan_rows
from platerota_service.taken import taken

WARM_PATIENCE: Final = 5
"""Seconds that a call waits besides its solve for an optimiser that is being loaded; compiling it takes longer and is answered 503."""

_RETRY_SECONDS: Final = 2
_LONGEST_ID: Final = 64

RushOf = Annotated[bool, Query(description="Whether the plan goes before every plan that waits and is not in a rush.")]


@dataclass(frozen=True, slots=True)
class Making:
    """A call that asks for a plan: who calls, the parts it needs, how it would like the answer, its key, if it has one, and
    whether it is in a rush.
    """

    call: Request
    caller: Caller
    parts: Parts
    preferences: Preferences
    key: str | None
    rush: bool

    @property
    def waits(self) -> bool:
        """Whether the call waits for its plan, however long that takes."""
        return not self.preferences.respond_async

    async def make(self, body: bytes, read: Callable[[], Submission], wanted: Wanted = JSON) -> Response:
        """The answer: the plan in an end state, or as it stands where the caller prefers that.

        Parameters
        ----------
        body
            What the caller sent, to tell one request from another.
        read
            Reads it; work for a thread.
        wanted
            The format of the answer, once the plan has ended; before that it is JSON.
        """
        once = once_of(self.call, self.parts.store, self.caller.tenant, self.key, body)
        if once is not None and (earlier := await asyncio.to_thread(once.earlier)) is not None:
            return await self._again(earlier, wanted)
        submission = replace(await asyncio.to_thread(read), tenant=self.caller.tenant, rush=self.rush)
        try:
            plan_id = await self._submit(submission, once)
        except GivenBefore:
            assert once is not None
            return await self.make(body, read, wanted)
        location = f"/v1/plans/{plan_id}"
        with taken(location):
            state, status, headers = await self._made(plan_id, location, submission, once)
            return await self._answer(state, status, headers, wanted)

    async def _submit(self, submission: Submission, once: Once | None) -> str:
        if self.waits:
            fault = too_long(submission.request.settings.solve_seconds)
            if fault is not None:
                raise ProblemError(TOO_LONG_TO_WAIT, fault.detail, errors=[problem_fault(fault)])
            await self.parts.engine.check_ready(WARM_PATIENCE)
        if once is None:
            return await self.parts.engine.submit(submission)
        settled = 202 if self.preferences.respond_async and not self.preferences.wait else None
        return await self.parts.engine.submit(submission, lambda session, plan_id: once.note(session, settled, plan_id=plan_id))

    async def _made(
        self, plan_id: str, location: str, submission: Submission, once: Once | None,
    ) -> tuple[PlanState, int, dict[str, str]]:
        """The plan as it is answered, with status and headers."""
        structlog.contextvars.bind_contextvars(plan=plan_id)
        headers = {"Location": location}
        waits = None if self.waits else self.preferences.wait or 0
        state = await followed(self.parts.engine, self.caller, plan_id, waits)
        status = 201 if state.ended or waits is None else 202
        if status == 202:
            headers |= {"Retry-After": str(ceil(submission.request.settings.solve_seconds))} | self.preferences.applied()
        elif waits is not None:
            headers |= Preferences(wait=self.preferences.wait).applied()
        if once is not None:
            await asyncio.to_thread(once.answered, status, headers)
        return state, status, headers

    async def _again(self, earlier: IdempotencyRow, wanted: Wanted) -> Response:
        """The first answer once more."""
        if earlier.plan_id is None:
            raise ProblemError(KEY_SPENT, "the plan that this Idempotency-Key made is deleted")
        headers = {"Location": f"/v1/plans/{earlier.plan_id}"}
        with taken(headers["Location"]):
            state = await self.parts.engine.status(earlier.plan_id, self.caller.tenant)
            if earlier.status is None and not state.ended:
                raise ProblemError(
                    STILL_ANSWERING, f"its plan is {headers['Location']}", headers=headers | {"Retry-After": str(_RETRY_SECONDS)},
                )
            return await self._answer(state, earlier.status or 201, headers, wanted)

    async def _answer(self, state: PlanState, status: int, headers: Mapping[str, str], wanted: Wanted) -> Response:
        if state.ended and wanted.format != "json":
            return await answer_file(self.parts.engine, self.caller, state, wanted, headers)
        return await answer_plan(self.parts, self.caller, state, status, headers)


async def _making(
    call: Request, caller: Planner, parts: PartsOf, preferences: PreferencesOf, idempotency_key: IdempotencyKey = None,
    rush: RushOf = False,
) -> Making:
    return Making(call, caller, parts, preferences, idempotency_key, rush)


MakingOf = Annotated[Making, Depends(_making)]


async def followed(engine: Engine, caller: Caller, plan_id: str, seconds: float | None) -> PlanState:
    """The plan's end state, or how it stands after `seconds` (None: however long it takes)."""
    state = await engine.status(plan_id, caller.tenant)
    try:
        async with asyncio.timeout(seconds):
            async for state in engine.events(plan_id, caller.tenant):  # noqa: B007 - the last one is the answer
                pass
    except TimeoutError:
        state = await engine.status(plan_id, caller.tenant)
    return state


async def answer_plan(
    parts: Parts, caller: Caller, state: PlanState, status: int, headers: Mapping[str, str] | None = None, call: Request | None = None,
) -> Response:
    """A plan as it stands, with its ETag; 304 where `call` has seen it already."""
    shop = (await asyncio.to_thread(shops_of, parts.store, caller.tenant, [state.id])).get(state.id) if state.shop_id is not None else None
    told = {"ETag": plan_tag(state, shop), **(headers or {})}
    if call is not None and already_seen(call, told["ETag"]):
        return Response(status_code=304, headers=told)
    compare = await parts.comparisons.with_base(state, caller.tenant)
    body = await asyncio.to_thread(plan_answer, state, shop, compare)
    return Response(body, status_code=status, headers=told, media_type="application/json")


async def answer_wanted(
    call: Request, parts: Parts, caller: Caller, state: PlanState, wanted: Wanted, headers: Mapping[str, str],
) -> Response:
    """A plan as it stands in the form that is wanted; 304 where `call` has seen that already."""
    if wanted.format == "json":
        return await answer_plan(parts, caller, state, 200, headers, call)
    tag = file_tag(state, more=f"-{wanted.format}-{wanted.table}")
    if already_seen(call, tag):
        return Response(status_code=304, headers={"ETag": tag, **FRESHNESS, **headers})
    return await answer_file(parts.engine, caller, state, wanted, {"ETag": tag, **FRESHNESS, **headers})


async def answer_file(engine: Engine, caller: Caller, state: PlanState, wanted: Wanted, headers: Mapping[str, str]) -> Response:
    """A plan as it stands as a file, with status 200, because macros throw away the body of any other."""
    answer = await asyncio.to_thread(plan_file, state, await engine.request(state.id, caller.tenant), wanted)
    answer.headers.update(headers)
    return answer


def plan_tag(state: PlanState | PlanRow, shop: PlanShop | None) -> str:
    """The ETag of a plan as it is answered: it changes with the plan, with what its shop has become to it, and when its base goes.

    Two plans never have the same one: at the address of the plan that a shop works by one follows the other.
    """
    kin = f"-{'stale' if shop.stale else 'fresh'}{'-released' if shop.released else ''}" if shop is not None else ""
    return f'"{state.id[:8]}.{state.revision}{kin}{"-compared" if state.base_id is not None else ""}"'


def unless_changed(call: Request, caller: Caller, plan_id: str) -> Guard | None:
    """What lets a plan be changed only while its ETag is one that the caller names in If-Match; None where the caller names none."""
    check = only_unchanged(call)
    if check is None:
        return None

    def guard(session: Session) -> None:
        row = plan_rows.read(session, plan_id, caller.tenant)
        if row is not None:  # else it was deleted meanwhile, which whoever wants to change it finds out
            check(plan_tag(row, shops_in(session, caller.tenant, [plan_id]).get(plan_id)))

    return guard


def check_plan_id(plan_id: str) -> None:
    """Refuse what cannot be an id, before PostgreSQL refuses to look for it.

    Raises
    ------
    UnknownPlan
    """
    if len(plan_id) > _LONGEST_ID or "\0" in plan_id:
        raise UnknownPlan(plan_id[:_LONGEST_ID])


async def plan_of(engine: Engine, caller: Caller, plan_id: str) -> PlanState:
    """The plan of that id, with the log told that the call is about it.

    Raises
    ------
    UnknownPlan
    """
    check_plan_id(plan_id)
    structlog.contextvars.bind_contextvars(plan=plan_id)
    return await engine.status(plan_id, caller.tenant)
