"""A promise: the date that an order can have without making another late by planned times, as sure as is wanted."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Annotated, Any, Final, NamedTuple
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response
from pydantic import Field

from platerota_service.answers import example_reference, guarded_answers, reference
from platerota_service.bases import Base, read_base
from platerota_service.bodies import read_body
from platerota_service.calls import PlanId, SettingsOf, StoreOf
from platerota_service.kinds import NOT_READY
from platerota_service.plan_making import check_plan_id
from platerota_service.plans import MAKING_REFUSED, PREFER_ASYNC
from platerota_service.problems import ProblemFault
from platerota_service.questions.answers import asked_answers
from platerota_service.questions.asking import Asked, Child, Facts, Judged, NewChild, NewQuestion
from platerota_service.questions.making import AskingOf
from platerota_service.questions.one_more import MOST_CHANGES, read_beside, with_order
from platerota_service.questions.rush_orders import HARMLESS, HARMLESS_HOUR, order_result
from platerota_service.risk_process import RisksError, Simulations
from platerota_service.shops.book import written
from platerota_service.solve_settings import SolveSettings
from platerota_service.variations import submission
from platerota_shared.changes import Change
from platerota_shared.costs import plan_costs
from platerota_shared.document import is_object, read_document
from platerota_shared.effects import Effect, effect
from platerota_shared.faults import Fault, RequestRefused, shown
from platerota_shared.fields import Count, Id, Instant
from platerota_shared.instants import local_text
from platerota_shared.plan import OrderResult
from platerota_shared.promises import CAUTION, PromiseAnswer, less_sure, slack_seconds
from platerota_shared.risks import Certainty, OrderRisk, Risks, RisksQuestion, Simulation, read_risks_question
from platerota_shared.starts import Aim, Start
from platerota_shared.tables import Row

router = APIRouter(prefix="/v1/plans", tags=["decisions"])

PROMISE: Final = "promise"
"""The name of the kind."""
_WORDS: Final = "the order to promise"
_SECONDS: Final = 3.0
"""Seconds of the optimiser where the call does not say: it starts from the base."""


class PromiseRequest(Row):
    """An order that may be taken, and how sure its date should be."""

    part: Id
    """The part; a new one comes with its ops, nests and fixture in `changes`."""
    quantity: Count
    """How many pieces."""
    release: Instant | None = None
    """When the material is there; null: it is there."""
    due: Instant | None = None
    """The date that was asked for; then the answer says how probably it holds."""
    changes: Annotated[tuple[Change, ...], Field(max_length=MOST_CHANGES)] = ()
    """What else changes before the order comes, such as a new part with its ops, nests, and a fixture to build."""
    certainty: Certainty = 0.9
    """How sure the date should be."""
    risks: Simulation = Simulation()
    """How work spreads, as in `POST /v1/plans/{id}/risks`."""
    settings: SolveSettings = SolveSettings()
    """How its plan is solved; `solve_seconds` is 3 where it is not given."""


_FIELDS: Final = tuple(PromiseRequest.model_fields)
_ROW: Final = ("part", "quantity", "release", "due")
_BODY: Final[dict[str, Any]] = {
    "required": True, "description": "The order that may be taken; JSON, UTF-8.",
    "content": {
        "application/json": {"schema": reference("PromiseRequest"), "examples": {"four-more": example_reference("promise-request")}},
    },
}
_FAULTS: Final = (
    ProblemFault(
        pointer="/part", code="unknown-part", detail="order PROMISE: part 'brackett' has no operations", mend="did you mean 'bracket'?",
    ),
    ProblemFault(
        pointer="/certainty", code="out-of-range", detail="the request: certainty must be a number of at most 0.999, not 1",
        mend="give a number of at most 0.999",
    ),
)


@router.post(
    "/{plan_id}/promises", operation_id="create_promise", summary="Ask what date can be promised", status_code=201,
    openapi_extra={"requestBody": _BODY, "parameters": [PREFER_ASYNC]},
    responses={**asked_answers("promise", "waiting-promise"), **guarded_answers(NOT_READY, *MAKING_REFUSED, faults=_FAULTS)},
)
async def create_promise(call: Request, plan_id: PlanId, asking: AskingOf, store: StoreOf, settings: SettingsOf) -> Response:
    """Put one more order into the week of a ready plan, the base, as early as makes no other late, and say when it is surely there.

    The plan with the order in it is then run in simulated weeks, as `POST /v1/plans/{id}/risks` does: `finish` is when the plan finishes
    the order, `promise` the first instant by which at least `certainty` of the weeks have. `harmless` is by planned times, and another
    order may be pushed up to its due date: the base is run in weeks of the same kind too, and `less_sure` lists the orders whose chance to
    be on time falls by more than 5 points of a hundred. `takes` are the hours and the money that the order bears. The date comes from a
    search; an earlier one may exist. The answer is a question, as for a rush order.
    """
    check_plan_id(plan_id)
    body = await read_body(call, settings.max_body_bytes)
    return await asking.make(body, lambda: read_promise(body, read_base(store, asking.caller.tenant, plan_id)))


def read_promise(body: bytes, base: Base) -> NewQuestion:
    """The order in `body`; work for a thread.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault at once.
    """
    given = read_document(body, holds="part and quantity")
    settings, faults = read_beside(given, base, _FIELDS, "the request")
    risks, found = _risks(given)
    faults += found
    taken = {order["id"] for order in base.document["orders"]}
    name = next(one for one in ("PROMISE", *(f"PROMISE-{number}" for number in range(2, len(taken) + 3))) if one not in taken)
    due = given.get("due") or local_text(base.plan.horizon_end, ZoneInfo(base.plan.timezone))
    order = {"id": name, **{field: given[field] for field in _ROW if field in given}, "due": due}
    changed = with_order(base, {"solve_seconds": _SECONDS, **settings}, given, order, "", _WORDS, faults)
    start = Start(base.plan, aim=Aim(name, HARMLESS_HOUR, harmless=True))
    row = changed.request.orders[-1]
    asked_due = local_text(row.due, ZoneInfo(base.plan.timezone)) if given.get("due") is not None else None
    asked = {"order": name, "part": row.part, "quantity": row.quantity, "due": asked_due, "risks": risks}
    return NewQuestion(PROMISE, base, asked, [NewChild(HARMLESS, submission(base, changed, start))])


def _risks(given: Mapping[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
    """What is asked of the simulation, and what is wrong with that."""
    risks = given.get("risks", {})
    if not is_object(risks):
        return {}, [Fault("/risks", "wrong-type", f"risks must be an object, not {shown(risks)}", "give an object with spreads")]
    faults = list[Fault]()
    if "certainty" in risks:
        faults.append(Fault("/risks/certainty", "unknown-field", "certainty stands beside risks, not in it", "move it one level up"))
    asked = {**risks, **({"certainty": given["certainty"]} if "certainty" in given else {})}
    try:
        return read_risks_question(asked).model_dump(mode="json"), faults
    except RequestRefused as refused:
        return {}, [*faults, *(_placed(fault) for fault in refused.faults)]


def _placed(fault: Fault) -> Fault:
    return fault if fault.pointer == "/certainty" else replace(fault, pointer="/risks" + fault.pointer)


class Promise:
    """The kind of question; `simulations` runs the weeks."""

    def __init__(self, simulations: Simulations) -> None:
        self._simulations = simulations
        self._turn = asyncio.Semaphore(1)

    async def judge(self, asked: Asked, child: Child) -> Facts:
        """The whole answer: there is one plan."""
        question = RisksQuestion.model_validate(asked.asked["risks"])
        weeks, trouble = None, None
        if order_result(child.plan, asked.asked["order"]).placed:
            sides = (asked.document, asked.base), (child.document, child.plan)
            before, after = await asyncio.to_thread(lambda: [(written(request), written(plan.document())) for request, plan in sides])
            try:
                async with self._turn:  # each keeps a core busy, and solves need theirs
                    weeks = Weeks(await self._simulations.risks(*before, question), await self._simulations.risks(*after, question))
            except RisksError as error:
                trouble = error.detail
        return await asyncio.to_thread(promise_facts, asked, child, weeks, trouble)

    def then(self, asked: Asked, judged: Sequence[Judged], load: Callable[[str], Child]) -> Sequence[NewChild]:
        """Nothing more is needed."""
        return []

    def answer(self, asked: Asked, judged: Sequence[Judged]) -> Facts:
        """What was judged."""
        return next(one.verdict for one in judged if one.verdict is not None)


class Weeks(NamedTuple):
    """The answers (JSON) of the simulation for the plan before, and for the one with the order in it: the same spreads and seed."""

    before: bytes
    after: bytes


def promise_facts(asked: Asked, child: Child, weeks: Weeks | None, trouble: str | None = None) -> dict[str, Any]:
    """The answer as JSON values, work for a thread; `trouble` says why there are no simulated weeks."""
    name = asked.asked["order"]
    found, result = effect(asked.request, asked.base, child.request, child.plan), order_result(child.plan, name)
    before, after = map(Risks.model_validate_json, weeks) if weeks is not None else (None, None)
    risk = next(one for one in after.orders if one.id == name) if after is not None else None
    why = _why(found, result, risk, trouble)
    promise = risk.promise if risk is not None and why is None else None
    answer = PromiseAnswer(
        order=name, plan=child.id, certainty=asked.asked["risks"]["certainty"], finish=result.finish, promise=promise,
        gap_seconds=promise - result.finish if promise is not None and result.finish is not None else None,
        likely=risk.finish if risk is not None else None, on_time=risk.on_time if risk is not None and asked.asked["due"] else None,
        slack_seconds=slack_seconds(child.plan, name), harmless=not found.pays, pays=found.pays,
        less_sure=less_sure(before, after) if before is not None and after is not None else None,
        takes=next(one for one in plan_costs(child.request, child.plan).orders if one.id == name) if result.placed else None,
        effect=found, why=why, caution=asked.cautioned(CAUTION),
    )
    return answer.model_dump(mode="json", context={"zone": ZoneInfo(child.plan.timezone)})


def _why(found: Effect, result: OrderResult, risk: OrderRisk | None, trouble: str | None) -> str | None:
    """Why there is no date; None where there is one."""
    if not result.placed:
        return f"without harm the order finds no place within the horizon: {result.why or 'every gap is too short'}"
    if found.pays:
        return "the search found no plan in which nobody pays; more solve_seconds look longer"
    if risk is None:
        return f"the weeks could not be simulated: {trouble}"
    return None if risk.promise is not None else "in too many of the simulated weeks the order is not finished within the horizon"
