"""The call that asks what changes would do to a plan: the answer is a plan of its own, and what it does differently from the base."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
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
from platerota_service.store import Store
from platerota_shared.changes import MAX_CHANGES, Change, apply_changes
from platerota_shared.document import duplicate_keys, is_list, is_object, read_document
from platerota_shared.faults import Fault, RequestRefused, pointer
from platerota_shared.fields import Number, Whole
from platerota_shared.records import read_row, unknown_field
from platerota_shared.starts import Start
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import Row

router = APIRouter(prefix="/v1/plans", tags=["decisions"])


class WhatIfSettings(Row):
    """How long and from which random numbers the what-if is solved; what is not given stays as in the base."""

    solve_seconds: Annotated[Number, Field(gt=0.0, le=600.0)] | None = None
    """Wall time for the optimiser, seconds."""
    seed: Annotated[Whole, Field(ge=0, le=2**31 - 1)] | None = None
    """The start of the optimiser's random numbers."""


class WhatIfRequest(Row):
    """What would be different."""

    changes: Annotated[tuple[Change, ...], Field(min_length=1, max_length=MAX_CHANGES)]
    """What changes, each upon what those before it left."""
    settings: WhatIfSettings = WhatIfSettings()
    """How it is solved."""


_FIELDS: Final = tuple(WhatIfRequest.model_fields)
_SETTINGS: Final = tuple(WhatIfSettings.model_fields)
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
    return await making.make(body, lambda: (_submission(store, making.caller.tenant, plan_id, body), ()))


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
    document = base.document
    settings, faults = _beside_changes(given, ZoneInfo(document["shop"]["timezone"]))
    if "changes" not in given:
        raise RequestRefused(faults)
    try:
        changed = apply_changes({**document, "settings": {**(document.get("settings") or {}), **settings}}, given["changes"])
    except RequestRefused as refused:
        known = {(fault.pointer, fault.code) for fault in faults}
        raise RequestRefused([*faults, *(one for one in refused.faults if (one.pointer, one.code) not in known)]) from None
    if faults:
        raise RequestRefused(faults)
    submission = Submission(written(changed.document).encode(), changed.request, base_id=base_id, start=Start(base.plan))
    same_shop = changed.document["shop"] == document["shop"]
    return replace(submission, shop_id=base.shop_id, shop_version=base.shop_version) if same_shop else submission


def _beside_changes(given: Mapping[str, Any], zone: ZoneInfo) -> tuple[dict[str, Any], list[Fault]]:
    """The good settings of the body, and everything that is wrong with it outside its changes."""
    suggestions = Suggestions()
    faults = [*duplicate_keys(given)]
    faults += [unknown_field("", "the what-if", name, _FIELDS, suggestions) for name in given if name not in _FIELDS]
    if "changes" not in given:
        faults.append(Fault("/changes", "missing-field", "the what-if has no changes", "add the list of changes"))
    settings = given.get("settings", {})
    record, found = read_row(WhatIfSettings, settings, "/settings", "settings", zone, suggestions)
    good = {name: record.raw[name] for name in _SETTINGS if name not in record.doubts and record.raw.get(name) is not None}
    return good, [*faults, *found, *_said_twice(good, given.get("changes"))]


def _said_twice(settings: Mapping[str, Any], changes: Any) -> Iterator[Fault]:
    """Settings that a change gives too."""
    for index, change in enumerate(changes if is_list(changes) else ()):
        if is_object(change) and change.get("kind") == "change_settings":
            for name in settings.keys() & change.keys():
                words = f"{name} is given in settings, and in change {index + 1} too"
                yield Fault(pointer("changes", index, name), "changes-contradict", words, "say it in one of the two")
