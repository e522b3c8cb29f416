"""The call that asks what changes would do to a plan: the answer is a plan of its own, and what it does differently from the base."""

from __future__ import annotations

from collections.abc import Mapping
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
from platerota_service.solve_settings import SolveSettings, read_around
from platerota_service.store import Store
from platerota_service.variations import Settings, apply, refuse, said_twice, submission
from platerota_shared.changes import MAX_CHANGES, Change
from platerota_shared.document import read_document
from platerota_shared.faults import Fault, RequestRefused
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import Row

router = APIRouter(prefix="/v1/plans", tags=["decisions"])


class WhatIfRequest(Row):
    """What would be different."""

    changes: Annotated[tuple[Change, ...], Field(min_length=1, max_length=MAX_CHANGES)]
    """What changes, each upon what those before it left."""
    settings: SolveSettings = SolveSettings()
    """How it is solved; `solve_seconds` is that of the base where it is not given, 4 at most."""


SECONDS: Final = 4.0
"""Seconds of the optimiser where the call does not say, at most: a what-if starts from the base, so it needs less than that did."""
_FIELDS: Final = tuple(WhatIfRequest.model_fields)
_BODY: Final[dict[str, Any]] = {
    "required": True, "description": "What would be different from the base; JSON, UTF-8.",
    "content": {
        "application/json": {"schema": reference("WhatIfRequest"), "examples": {"rush-order": example_reference("what-if-request")}},
    },
}
_MADE: Final = {
    **plan_answers(
        "The plan, in an end state; one that failed says why in `problem`", 201, "Location", "ETag", "Preference-Applied",
        shown="what-if-plan",
    ),
    **plan_answers(
        "The what-if is taken; its plan waits", 202, "Location", "Retry-After", "ETag", "Preference-Applied",
        shown="waiting-what-if",
    ),
}
_FAULTS: Final = (
    ProblemFault(
        pointer="/changes/0/machine", code="unknown-id", detail="change 1: there is no machine 'mill-7'", mend="did you mean 'mill-1'?",
    ),
    ProblemFault(
        pointer="/changes/1/order", code="unknown-id", detail="there is no order 'A-1043'", mend="did you mean 'A-1042'?",
    ),
)


@router.post(
    "/{plan_id}/what-ifs", operation_id="create_what_if", summary="Ask what changes would do", status_code=201,
    openapi_extra={"requestBody": _BODY, "parameters": [PREFER_ASYNC]},
    responses={**_MADE, **guarded_answers(NOT_READY, *MAKING_REFUSED, faults=_FAULTS)},
)
async def create_what_if(call: Request, plan_id: PlanId, making: MakingOf, store: StoreOf, settings: SettingsOf) -> Response:
    """Plan the week of a ready plan, the base, with changes; waits, or does not, as `POST /v1/plans` does.

    Changes add, change or drop orders, close a machine, plate or operator for a while, add shifts, people, plates, machines, ops,
    fixtures and nests, change a fixture or the settings. They are made in their order. Every fault of them and of the changed week is
    answered at once, at its change; the base stays as it is, and nothing is released.

    The answer is a plan like any other, with `base`, its id, and, once it is ready, `compare`: what it does differently from the base.
    Its `shop` is that of the base where the changes leave the shop's tables as they are; else null, because the stored shop is another
    one, so that it cannot be released. 409 until the base is ready.
    """
    check_plan_id(plan_id)
    body = await read_body(call, settings.max_body_bytes)
    return await making.make(body, lambda: _submission(store, making.caller.tenant, plan_id, body))


def _submission(store: Store, tenant: str, base_id: str, body: bytes) -> Submission:
    """The changed request; work for a thread.

    Raises
    ------
    UnknownPlan
    ProblemError
        409 where the base is not ready.
    platerota_shared.faults.RequestRefused
        With every fault at once.
    """
    given = read_document(body, holds="changes")
    base = read_base(store, tenant, base_id)
    settings, faults = _beside_changes(given, ZoneInfo(base.document["shop"]["timezone"]))
    if "changes" not in given:
        raise RequestRefused(faults)
    try:
        changed = apply(base, {"solve_seconds": min(SECONDS, base.solve_seconds), **settings}, given["changes"])
    except RequestRefused as refused:
        refuse([*faults, *refused.faults])
        raise
    refuse(faults)
    return submission(base, changed)


def _beside_changes(given: Mapping[str, Any], zone: ZoneInfo) -> tuple[Settings, list[Fault]]:
    """The good settings of the body, and everything that is wrong with it outside its changes."""
    settings, faults = read_around(given, _FIELDS, "the what-if", zone, Suggestions())
    if "changes" not in given:
        faults.append(Fault("/changes", "missing-field", "the what-if has no changes", "add the list of changes"))
    return settings, [*faults, *said_twice(settings, given.get("changes"))]
