"""The call that plans the rest of a week anew, from what has happened: what is under way is kept, and what need not move stays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response
from pydantic import Field

from platerota_service.answers import example_reference, guarded_answers, plan_answers, reference
from platerota_service.bases import read_base
from platerota_service.bodies import read_body
from platerota_service.calls import PlanId, SettingsOf, StoreOf
from platerota_service.engine import Submission
from platerota_service.kinds import NOT_READY
from platerota_service.plan_making import MakingOf, check_plan_id
from platerota_service.plans import MAKING_REFUSED, PREFER_ASYNC
from platerota_service.problems import ProblemFault
from platerota_service.shops.book import written
from platerota_service.solve_settings import SolveSettings, read_settings, with_moved_task, with_settings
from platerota_service.store import Store
from platerota_shared.document import duplicate_keys, read_document
from platerota_shared.faults import Fault, RequestRefused
from platerota_shared.fields import Instant, Points, Whole
from platerota_shared.plan import Plan
from platerota_shared.records import read_row
from platerota_shared.replanning import Happened, Replanning, floor_at
from platerota_shared.starts import FROZEN_MINUTES, Start
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import Row

router = APIRouter(prefix="/v1/plans", tags=["decisions"])

LONGEST_FROZEN: Final = 10_080
"""A week, in minutes."""

FrozenMinutes = Annotated[Whole, Field(ge=0, le=LONGEST_FROZEN)]


class ReplanRequest(Row):
    """From when on, and after what, the week is planned anew."""

    now: Instant
    """The instant at which the new plan begins; within the plan that is replanned."""
    happened: Happened | None = None
    """What has happened; whatever is not said went as planned."""
    frozen_minutes: FrozenMinutes = FROZEN_MINUTES
    """Minutes from `now` in which nothing that the plan starts is moved, where that can be; at most a week."""
    moved_task: Points | None = None
    """Points for each task that is moved, in place of the base's own `settings.score.moved_task`: the more, the more stays where it is.
    Later replans of the new plan count the same, unless they say otherwise.
    """
    settings: SolveSettings = SolveSettings()
    """How it is solved."""


class _Outline(Row):
    """The body with the instant and what has happened unread: these are read with the plan beside them."""

    now: Any
    happened: Any = None
    frozen_minutes: FrozenMinutes = FROZEN_MINUTES
    moved_task: Points | None = None
    settings: Any = None


_BODY: Final[dict[str, Any]] = {
    "required": True, "description": "From when on, and what has happened; JSON, UTF-8.",
    "content": {
        "application/json": {"schema": reference("ReplanRequest"), "examples": {"broken-mill": example_reference("replan-request")}},
    },
}
_MADE: Final = {
    **plan_answers(
        "The plan, in an end state; one that failed says why in `problem`", 201, "Location", "ETag", "Preference-Applied",
        shown="replan-plan",
    ),
    **plan_answers(
        "The replan is taken; its plan waits", 202, "Location", "Retry-After", "ETag", "Preference-Applied", shown="waiting-replan",
    ),
}
_FAULTS: Final = (
    ProblemFault(
        pointer="/happened/runs/0/run", code="unknown-id", detail="the plan has no run 'R7'",
        mend="name a run of the plan that is being replanned",
    ),
    ProblemFault(
        pointer="/happened/closed/0/machine", code="unknown-id", detail="row 1 of closed: there is no machine 'mill-7'",
        mend="did you mean 'mill-1'?",
    ),
)


@router.post(
    "/{plan_id}/replans", operation_id="create_replan", summary="Plan the rest of the week anew", status_code=201,
    openapi_extra={"requestBody": _BODY, "parameters": [PREFER_ASYNC]},
    responses={**_MADE, **guarded_answers(NOT_READY, *MAKING_REFUSED, faults=_FAULTS)},
)
async def create_replan(call: Request, plan_id: PlanId, making: MakingOf, store: StoreOf, settings: SettingsOf) -> Response:
    """Plan on from a ready plan, the base, at a later `now`; waits, or does not, as `POST /v1/plans` does.

    The floor is what the base has under way at `now`, corrected by `happened`: pieces counted, runs that are not as far as planned or
    further, machines, plates and people that are out of work from `now` on. A cut on what is closed stands still and is cut again. Work
    by hand that is under way is counted on: who does it, and the plate, are closed until it is over. Finished orders leave the request.
    Every fault is answered at once, with a pointer into the body.

    What is under way goes on; what the base starts within `frozen_minutes` stays where it is, where that can be; all else is moved where
    that is worth more than `moved_task` points a task (not given: the base's `settings.score.moved_task`). The answer is a plan like any
    other, with `base`, its id, and, once it is ready, `compare`: every task that moved, with the reason. What the tables of the floor
    cannot say, such as a plate that is being loaded at `now`, is among its `warnings`.

    Nothing is released by it. Its `shop` is that of the base: a mill that is broken is the same shop, so that the plan can be released.
    409 until the base is ready.
    """
    check_plan_id(plan_id)
    body = await read_body(call, settings.max_body_bytes)
    return await making.make(body, lambda: _submission(store, making.caller.tenant, plan_id, body))


def _submission(store: Store, tenant: str, base_id: str, body: bytes) -> Submission:
    """The request to replan with, and the base to start from; work for a thread.

    Raises
    ------
    UnknownPlan
    ProblemError
        409 where the base is not ready.
    platerota_shared.faults.RequestRefused
        With every fault at once.
    """
    given = read_document(body, holds="what has happened")
    base = read_base(store, tenant, base_id)
    zone, suggestions = ZoneInfo(base.document["shop"]["timezone"]), Suggestions()
    outline, faults = read_row(_Outline, given, "", "the replan", zone, suggestions)
    settings, found = read_settings(given.get("settings", {}), zone, suggestions)
    faults = [*duplicate_keys(given), *faults, *found]
    moved_task = None if outline.row is None else outline.row.moved_task
    document = with_moved_task(with_settings(base.document, settings), moved_task)
    replanning = _floor(document, base.plan, given, faults)
    assert outline.row is not None
    request = replanning.request
    start = Start(base.plan, counts_moves=True, frozen_until=request.now + 60 * outline.row.frozen_minutes)
    return Submission(
        written(replanning.document).encode(), request, shop_id=base.shop_id, shop_version=base.shop_version, base_id=base_id,
        start=start, notes=replanning.notes,
    )


def _floor(document: dict[str, Any], plan: Plan, given: Mapping[str, Any], faults: Sequence[Fault]) -> Replanning:
    """The floor at the new `now`; what is wrong with it is said together with the `faults` that are known.

    Raises
    ------
    platerota_shared.faults.RequestRefused
    """
    try:
        replanning = floor_at(document, plan, given.get("now"), given.get("happened"))
    except RequestRefused as refused:
        known = {(fault.pointer, fault.code) for fault in faults}
        fresh = [fault for fault in refused.faults if (fault.pointer, fault.code) not in known]
        raise RequestRefused([*faults, *(fault for fault in fresh if fault.pointer != "/now" or "now" in given)]) from None
    if faults:
        raise RequestRefused(faults)
    return replanning
