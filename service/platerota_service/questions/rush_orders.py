"""A rush order: the earliest finish that by planned times harms nobody, the earliest at any price, and what lies between."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, replace
from itertools import pairwise
from typing import Annotated, Any, Final
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
from platerota_service.solve_settings import SolveSettings
from platerota_service.variations import submission
from platerota_shared.changes import Change
from platerota_shared.document import is_object, read_document
from platerota_shared.effects import effect
from platerota_shared.faults import Fault, shown
from platerota_shared.plan import OrderResult, Plan
from platerota_shared.rush_orders import RushChoice, Standing, front, worth_telling
from platerota_shared.starts import Aim, Start
from platerota_shared.tables import Order, PlanRequest, Row

router = APIRouter(prefix="/v1/plans", tags=["decisions"])

RUSH_ORDER: Final = "rush-order"
"""The name of the kind."""
HARMLESS: Final = "harmless"
SOONEST: Final = "soonest"
BY_SCORE: Final = "by-score"
_END_SECONDS: Final = 2.0
"""Seconds of the optimiser for each end where the call does not say: both are there in five also where one waits for the other."""
_SCORE_SECONDS: Final = (4.0, 20.0)
"""The plan by score has as long as the base had, within these: with less time it would be dearer than the base's for want of looking. A
call may still wait for all three (`long_solves.LONGEST_SOLVE`)."""
_MOST_BETWEEN: Final = 2
"""Plans asked for between those that are known, so that there are five choices at most."""
_WORDS: Final = "the rush order"
HARMLESS_HOUR: Final = 1e5
_ANY_PRICE_HOUR: Final = 1e6
"""Points for each hour to the rush order's finish: so many that nothing else of a plan counts beside it."""


class RushRequest(Row):
    """A rush order, and what else would be different."""

    order: Order
    """The order: a row of `orders` whose id is new."""
    changes: Annotated[tuple[Change, ...], Field(max_length=MOST_CHANGES)] = ()
    """What else changes before the order comes, such as a new part with its ops, fixture and nests."""
    settings: SolveSettings = SolveSettings()
    """How each of its plans is solved; where `solve_seconds` is not given it is 2 for each end, and for the plan by score what the base
    had, 4 to 20."""


_FIELDS: Final = tuple(RushRequest.model_fields)
_BODY: Final[dict[str, Any]] = {
    "required": True, "description": "The rush order; JSON, UTF-8.",
    "content": {
        "application/json": {"schema": reference("RushRequest"), "examples": {"four-more": example_reference("rush-request")}},
    },
}
_FAULTS: Final = (
    ProblemFault(
        pointer="/order/part", code="unknown-part", detail="order RUSH-1: part 'brackett' has no operations",
        mend="did you mean 'bracket'?",
    ),
)


@router.post(
    "/{plan_id}/rush-orders", operation_id="create_rush_order", summary="Ask what a rush order would cost", status_code=201,
    openapi_extra={"requestBody": _BODY, "parameters": [PREFER_ASYNC]},
    responses={**asked_answers("rush", "waiting-rush"), **guarded_answers(NOT_READY, *MAKING_REFUSED, faults=_FAULTS)},
)
async def create_rush_order(call: Request, plan_id: PlanId, asking: AskingOf, store: StoreOf, settings: SettingsOf) -> Response:
    """Put one more order into the week of a ready plan, the base, in several ways, and say who pays for each.

    The answer's `harmless` is the plan with the earliest finish found that makes no other order late, or later than it is; its `soonest`
    the one with the earliest finish at any price. Who pays is told by planned times: an order that is pushed up to its due date pays
    nothing, and may be late if anything goes wrong; `POST /v1/plans/{id}/risks` of a choice's plan says how sure each order is. `choices`
    are these and what lies between, at most five, none of which is worse than another one both for the rush order and for the others; each
    is a plan of its own at `/v1/plans/{id}`, to be looked at, printed and released like any other. What differs by less than a quarter of
    an hour is one choice. They are found by search: an earlier finish may exist that was not found; more `solve_seconds` look longer.

    The call waits as `POST /v1/plans` does, or answers 202 with `Prefer: respond-async`; `GET /v1/questions/{id}` shows the choices found
    so far. With `?rush=true` its plans go before others that wait. Every fault of the order and the changes is answered at once.
    """
    check_plan_id(plan_id)
    body = await read_body(call, settings.max_body_bytes)
    return await asking.make(body, lambda: read_rush(body, read_base(store, asking.caller.tenant, plan_id)))


def read_rush(body: bytes, base: Base) -> NewQuestion:
    """The rush order in `body`; work for a thread.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault at once.
    """
    given = read_document(body, holds="order")
    settings, faults = read_beside(given, base, _FIELDS, "the request")
    order = given.get("order")
    if "order" not in given:
        faults.append(Fault("/order", "missing-field", "the request has no order", "add it: a row of orders whose id is new"))
    elif not is_object(order):
        faults.append(Fault("/order", "wrong-type", f"order must be an object, not {shown(order)}", "give a row of orders"))
    elif "kind" in order:
        mend = "leave it out; what is asked here is always an order more"
        faults.append(Fault("/order/kind", "unknown-field", f"{_WORDS} has no field 'kind'", mend))
    row = order if is_object(order) else None
    least, most = _SCORE_SECONDS
    by_score = min(most, max(least, base.solve_seconds))
    changed = {
        what: with_order(base, {"solve_seconds": seconds, **settings}, given, row, "/order", _WORDS, faults)
        for what, seconds in {HARMLESS: _END_SECONDS, SOONEST: _END_SECONDS, BY_SCORE: by_score}.items()
    }
    name = changed[BY_SCORE].request.orders[-1].id
    aims = {HARMLESS: Aim(name, HARMLESS_HOUR, harmless=True), SOONEST: Aim(name, _ANY_PRICE_HOUR), BY_SCORE: None}
    children = [NewChild(what, submission(base, changed[what], Start(base.plan, aim=aim))) for what, aim in aims.items()]
    return NewQuestion(RUSH_ORDER, base, {"order": name}, children)


class RushOrder:
    """The kind of question."""

    async def judge(self, asked: Asked, child: Child) -> Facts:
        """The choice that a plan is, and how it stands."""
        return await asyncio.to_thread(judge_rush, asked, child)

    def then(self, asked: Asked, judged: Sequence[Judged], load: Callable[[str], Child]) -> Sequence[NewChild]:
        """What lies between, once both ends are known; nothing where nobody pays for the soonest one.

        An hour of the rush order gets the price at which two neighbouring choices cost the same: what is better than both is found at
        it (Aneja and Nair 1979, Management Science 25:73-78). What the score itself gives for that hour is taken off.
        """
        ready = [one for one in judged if one.verdict is not None]
        found = worth_telling(front([_standing(one) for one in ready]))
        if len(judged) > len((HARMLESS, SOONEST, BY_SCORE)) or len(found) < 2:
            return []
        try:
            child = load(ready[0].id)
        except KeyError:
            return []
        prices = [_price(child.request, asked.asked["order"], *pair) for pair in pairwise(found)]
        return [
            NewChild(f"between-{number}", replace(child.again(), start=Start(asked.base, aim=Aim(asked.asked["order"], price))))
            for number, price in enumerate((price for price in prices[:_MOST_BETWEEN] if price > 0), 1)
        ]

    def answer(self, asked: Asked, judged: Sequence[Judged]) -> Facts:
        """The choices so far."""
        ready = {one.id: one for one in judged if one.verdict is not None}
        found = worth_telling(front([_standing(one) for one in ready.values()]))
        harmless = next((one.plan for one in found if one.harmless), None)
        tried = next((one for one in judged if one.name == HARMLESS), None)
        return {
            "order": asked.asked["order"], "due": _of(ready.values(), "due"),
            "choices": [_verdict(ready[one.plan])["choice"] for one in found], "harmless": harmless,
            "soonest": found[0].plan if found else None, "why": None if harmless is not None or tried is None else _why(tried),
            "caution": asked.begun,
        }


def judge_rush(asked: Asked, child: Child) -> dict[str, Any]:
    """The choice that a plan is, and how it stands, as JSON values; work for a thread."""
    found, result = effect(asked.request, asked.base, child.request, child.plan), order_result(child.plan, asked.asked["order"])
    standing = Standing.of(child.id, result.finish, found)
    choice = RushChoice(
        name=child.name, plan=child.id, finish=result.finish, late_seconds=result.late_seconds, harmless=standing.harmless,
        pays=found.pays, pain=found.pain, effect=found,
    )
    zone = {"zone": ZoneInfo(child.plan.timezone)}
    due = result.model_dump(mode="json", context=zone)["due"]
    return {"standing": asdict(standing), "choice": choice.model_dump(mode="json", context=zone), "why": result.why, "due": due}


def order_result(plan: Plan, name: str) -> OrderResult:
    """How an order fares that is in the plan."""
    return next(result for result in plan.orders if result.id == name)


def _verdict(one: Judged) -> Facts:
    assert one.verdict is not None
    return one.verdict


def _standing(one: Judged) -> Standing:
    return Standing(**_verdict(one)["standing"])


def _of(ready: Iterable[Judged], name: str) -> Any:
    return _verdict(next(iter(ready)))[name]


def _price(request: PlanRequest, rush: str, soon: Standing, late: Standing) -> float:
    """Points for an hour of the rush order, upon those of the score, at which two choices cost the same; both have a place for it."""
    order, score = next(order for order in request.orders if order.id == rush), request.settings.score
    assert soon.finish is not None
    assert late.finish is not None
    hours = (late.finish - soon.finish) / 3_600
    # The score gives points for lateness only where the order is late: with both in time its finish alone counts.
    later = (max(0, late.finish - order.due) - max(0, soon.finish - order.due)) / 3_600
    given = order.weight * (score.finish_hour * hours + score.late_hour * later)
    return (score.late_hour * (soon.pain - late.pain) - given) / hours


def _why(tried: Judged) -> str:
    """Why the plan that was to harm nobody does not answer."""
    if tried.verdict is None:
        return f"the plan that was to harm nobody was not made: {tried.problem or tried.end}"
    standing = _standing(tried)
    if standing.finish is None:
        return f"without harm the order finds no place within the horizon: {tried.verdict['why'] or 'every gap is too short'}"
    return "the search found no plan in which nobody pays; more solve_seconds look longer"
