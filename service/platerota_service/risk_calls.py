"""The call that asks how sure a plan is. It is simulated in a child process, and nothing is stored."""

from __future__ import annotations

import asyncio
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from platerota_service.access.callers import Reader
from platerota_service.answers import example_reference, guarded_answers, reference
from platerota_service.bodies import read_body
from platerota_service.calls import EngineOf, PlanId, SettingsOf, SimulationsOf, StoreOf
from platerota_service.engine import UnknownPlan
from platerota_service.kinds import (
    BUSY,
    FAULTS,
    NO_SOLVER,
    NOT_READY,
    RISKS_TOO_SLOW,
    TOO_LARGE,
    UNKNOWN_PLAN,
    UNREADABLE,
    WRONG_MEDIA_TYPE,
)
from platerota_service.plan_making import plan_of
from platerota_service.problems import ProblemError, ProblemFault
from platerota_service.risk_process import NoSolver, TooManyWait, TooSlow
from platerota_service.store import Store, plan_rows
from platerota_shared.risks import RisksQuestion, read_risks_question

router = APIRouter(prefix="/v1/plans", tags=["plans"])

_RETRY_SECONDS: Final = 10

_BODY: Final[dict[str, Any]] = {
    "required": False,
    "description": "Spreads, stops, how many weeks, and the wanted certainty; JSON, UTF-8. Without a body every default stands.",
    "content": {
        "application/json": {
            "schema": reference("RisksQuestion"), "examples": {"hand-work-varies": example_reference("risks-question")},
        },
    },
}
_ANSWER: Final[dict[str, Any]] = {
    "description": "Chances and dates of each order, what makes the plan late, and how much machines cut; each field says what it means",
    "content": {"application/json": {"schema": reference("Risks"), "examples": {"hand-work-varies": example_reference("risks")}}},
}
_FAULTS: Final = (
    ProblemFault(
        pointer="/hand/variation", code="out-of-range", detail="the request: hand.variation must be a number of at most 3, not 4",
        mend="give a number of at most 3",
    ),
    ProblemFault(
        pointer="/samples", code="out-of-range", detail="the request: samples must be at least 500 for a certainty of 0.99, not 200",
        mend="simulate more weeks, or want less certainty",
    ),
)


@router.post(
    "/{plan_id}/risks", operation_id="get_risks", summary="How sure a plan is", openapi_extra={"requestBody": _BODY},
    responses={
        200: _ANSWER,
        **guarded_answers(
            UNREADABLE, UNKNOWN_PLAN, NOT_READY, TOO_LARGE, WRONG_MEDIA_TYPE, FAULTS, NO_SOLVER, BUSY, RISKS_TOO_SLOW, faults=_FAULTS,
        ),
    },
)
async def post_risks(
    plan_id: PlanId, call: Request, caller: Reader, engine: EngineOf, store: StoreOf, settings: SettingsOf, simulations: SimulationsOf,
) -> Response:
    """Run the plan in thousands of simulated weeks, and count how often each order is on time.

    Assignments and sequences are kept and nobody replans: who waits for a late plate waits. So the chances are those of a week in which
    nobody reacts, too low for a shop that does. A task starts at its planned time or when all that it waits for is there, whichever is
    later (with `work_ahead` as soon as it is there), and only in working time; whether it fits before the end of a shift is judged by its
    planned length, with `stay_minutes` to spare. Its length is drawn around the planned one, which stays the mean: lognormal or gamma,
    standard deviation = `variation` × mean. While a machine cuts, stops come at random (Poisson, `per_cutting_hour`), of gamma-distributed
    length. `on_time` is weeks on time ÷ weeks; `promise` the first instant by which at least `certainty` of the weeks have finished the
    order. `tasks` and `resources` are found by going back from each late finish through what each task waited for.

    The default spreads are assumptions, no measurements: give those of your own shop. The same question about the same plan is answered
    with the same bytes. One simulation runs at a time, for 60 seconds at most unless the service is set otherwise. 409 until the plan
    is ready; 501 where the process that answers has no solver installed.
    """
    state = await plan_of(engine, caller, plan_id)
    question = await _question(call, settings.max_body_bytes)
    if state.status != "ready":
        raise ProblemError(NOT_READY, f"the plan '{plan_id}' is {state.status}")
    try:
        async with simulations.turn():
            request = await asyncio.to_thread(_request_text, store, plan_id, caller.tenant)
            answer = await simulations.risks(request, state.text, question)
    except TooManyWait as error:
        raise ProblemError(BUSY, error.detail, headers={"Retry-After": str(_RETRY_SECONDS)}) from None
    except NoSolver as error:
        raise ProblemError(NO_SOLVER, error.detail) from None
    except TooSlow as error:
        raise ProblemError(RISKS_TOO_SLOW, error.detail) from None
    return Response(answer, media_type="application/json")


async def _question(call: Request, limit: int) -> RisksQuestion:
    """What the body asks; without one, which needs no Content-Type either, every default."""
    empty = call.headers.get("content-length", "0") == "0" and "transfer-encoding" not in call.headers
    return read_risks_question(b"{}" if empty else await read_body(call, limit))


def _request_text(store: Store, plan_id: str, tenant: str) -> str:
    with store.reading() as session:
        text = plan_rows.read_request_text(session, plan_id, tenant)
    if text is None:  # deleted meanwhile
        raise UnknownPlan(plan_id)
    return text
