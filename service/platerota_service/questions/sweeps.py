"""A sweep: many what-ifs of one plan, asked in one call."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
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
from platerota_service.questions.asking import Asked, Child, ChildEnd, Facts, Judged, NewChild, NewQuestion
from platerota_service.questions.making import AskingOf
from platerota_service.solve_settings import SolveSettings, read_around
from platerota_service.variations import Settings, apply, refuse, said_twice, submission
from platerota_shared.changes import MAX_CHANGES, Change
from platerota_shared.document import is_list, is_object, read_document
from platerota_shared.effects import Effect, effect
from platerota_shared.faults import Fault, RequestRefused, pointer, shown
from platerota_shared.fields import Id
from platerota_shared.plan import Out
from platerota_shared.records import read_row
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import Row

router = APIRouter(prefix="/v1/plans", tags=["decisions"])

SWEEP: Final = "what-if-sweep"
"""The name of the kind."""
MOST: Final = 50
_SECONDS: Final = 2.0
"""Seconds of the optimiser for each what-if where the call does not say: it starts from the base."""


class NamedWhatIf(Row):
    """One what-if of a sweep."""

    name: Id
    """What it is called in the answer, once."""
    changes: Annotated[tuple[Change, ...], Field(min_length=1, max_length=MAX_CHANGES)]
    """What changes, each upon what those before it left."""


class SweepRequest(Row):
    """Several what-ifs of one plan."""

    what_ifs: Annotated[tuple[NamedWhatIf, ...], Field(min_length=2, max_length=MOST)]
    """What would be different, several times over; each upon the base alone."""
    settings: SolveSettings = SolveSettings()
    """How each of them is solved; `solve_seconds` is 2 where it is not given."""


class SweptWhatIf(Out):
    """What became of one what-if."""

    name: str
    """What it was called."""
    plan: str
    """The id of its plan, at `/v1/plans/{id}`."""
    status: ChildEnd
    """How its solve ended; `deleted`: somebody deleted the plan."""
    problem: str | None
    """Why there is no plan; null where there is one."""
    effect: Effect | None
    """What it does differently from the base; null where there is no plan."""


class SweepAnswer(Out):
    """The what-ifs of a sweep that have ended, in the order of the call."""

    what_ifs: tuple[SweptWhatIf, ...]
    """What became of each."""
    caution: str | None
    """That the plan had begun more than an hour before this was asked, so that hours that are gone count as free; null otherwise."""


_FIELDS: Final = tuple(SweepRequest.model_fields)
_BODY: Final[dict[str, Any]] = {
    "required": True, "description": "What would be different from the base, several times over; JSON, UTF-8.",
    "content": {
        "application/json": {"schema": reference("SweepRequest"), "examples": {"two-ways": example_reference("sweep-request")}},
    },
}
_FAULTS: Final = (
    ProblemFault(
        pointer="/what_ifs/0/changes/0/machine", code="unknown-id", detail="change 1: there is no machine 'mill-7'",
        mend="did you mean 'mill-1'?",
    ),
)


@router.post(
    "/{plan_id}/what-if-sweeps", operation_id="create_what_if_sweep", summary="Ask several what-ifs at once", status_code=201,
    openapi_extra={"requestBody": _BODY, "parameters": [PREFER_ASYNC]},
    responses={**asked_answers("sweep", "waiting-sweep"), **guarded_answers(NOT_READY, *MAKING_REFUSED, faults=_FAULTS)},
)
async def create_what_if_sweep(call: Request, plan_id: PlanId, asking: AskingOf, store: StoreOf, settings: SettingsOf) -> Response:
    """Plan the week of a ready plan, the base, with 2 to 50 lists of changes, each upon the base alone.

    Each is a what-if as `POST /v1/plans/{id}/what-ifs` makes one, with a plan of its own at `/v1/plans/{id}`; all are made by whichever
    workers are free, behind the plans that others ask for. The answer is a question: `GET /v1/questions/{id}` shows what has ended so
    far. Every fault of every list is answered at once, at its place; then nothing is stored. A call that waits may ask for 25 seconds
    of the optimiser in all; more needs `Prefer: respond-async`.
    """
    check_plan_id(plan_id)
    body = await read_body(call, settings.max_body_bytes)
    return await asking.make(body, lambda: read_sweep(body, read_base(store, asking.caller.tenant, plan_id)))


def read_sweep(body: bytes, base: Base) -> NewQuestion:
    """The sweep in `body`; work for a thread.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault at once.
    """
    given, zone, suggestions = read_document(body, holds="what_ifs"), ZoneInfo(base.document["shop"]["timezone"]), Suggestions()
    settings, faults = read_around(given, _FIELDS, "the sweep", zone, suggestions)
    faults += _list_faults(given)
    listed = given.get("what_ifs")
    read, found = read_named(base, {"solve_seconds": _SECONDS, **settings}, listed, Named("what_ifs", "what-if", MOST), zone, suggestions)
    children, faults = [child for child in read if child is not None], [*faults, *found]
    for index, one in enumerate(listed[:MOST] if is_list(listed) else ()):
        faults += said_twice(settings, one.get("changes") if is_object(one) else None, pointer("what_ifs", index))
    refuse(faults)
    return NewQuestion(SWEEP, base, {"what_ifs": [child.name for child in children]}, children)


def _list_faults(given: Mapping[str, Any]) -> Iterator[Fault]:
    listed = given.get("what_ifs")
    if "what_ifs" not in given:
        yield Fault("/what_ifs", "missing-field", "the sweep has no what_ifs", "add the list, each with a name and its changes")
    elif not is_list(listed):
        yield Fault("/what_ifs", "wrong-type", f"what_ifs must be a list, not {shown(listed)}", "give each a name and its changes")
    elif not 2 <= len(listed) <= MOST:
        words = f"what_ifs has {len(listed):,} entries; a sweep has 2 to {MOST}"
        yield Fault("/what_ifs", "out-of-range", words, f"ask for 2 to {MOST} at once; one alone is POST /v1/plans/{{id}}/what-ifs")


@dataclass(frozen=True, slots=True)
class Named:
    """A list of changes with names in a body: its field, what an entry is called in sentences, how many are read."""

    field: str
    noun: str
    most: int


def read_named(
    base: Base, settings: Settings, listed: Any, named: Named, zone: ZoneInfo, suggestions: Suggestions,
) -> tuple[list[NewChild | None], list[Fault]]:
    """Each entry as a plan to ask for, None where it has a fault; none where `listed` is no list, which is for the caller to say."""
    children, faults = list[NewChild | None](), list[Fault]()
    for index, one in enumerate(listed[: named.most] if is_list(listed) else ()):
        label = f"{named.noun} {index + 1}"
        child, found = _read_one(base, settings, one, pointer(named.field, index), label, zone, suggestions)
        children.append(child)
        faults += found
    return children, [*faults, *_named_twice(listed, named)]


def _read_one(
    base: Base, settings: Settings, given: Any, place: str, label: str, zone: ZoneInfo, suggestions: Suggestions,
) -> tuple[NewChild | None, list[Fault]]:
    """One list of changes as a plan to ask for, where it has no fault."""
    if not is_object(given):
        return None, [Fault(place, "wrong-type", f"{label} must be an object, not {shown(given)}", "give its name and its changes")]
    record, faults = read_row(_WhatIfName, {**given, "changes": None}, place, label, zone, suggestions)
    if "changes" not in given:
        faults.append(Fault(f"{place}/changes", "missing-field", f"{label} has no changes", "add the list of changes"))
        return None, faults
    try:
        changed = apply(base, settings, given["changes"], place)
    except RequestRefused as refused:
        return None, [*faults, *refused.faults]
    if record.row is None:
        return None, faults
    return NewChild(record.row.name, submission(base, changed)), faults


class _WhatIfName(Row):
    """A named list of changes without these, which have a reader of their own."""

    name: Id
    changes: None = None


def _named_twice(listed: Any, named: Named) -> Iterator[Fault]:
    seen = dict[str, int]()
    for index, one in enumerate(listed if is_list(listed) else ()):
        name = one.get("name") if is_object(one) else None
        if isinstance(name, str) and seen.setdefault(name, index) != index:
            words = f"{named.noun}s {seen[name] + 1} and {index + 1} are both called {shown(name)}"
            yield Fault(pointer(named.field, index, "name"), "duplicate-row", words, "give each a name of its own")


class Sweep:
    """The kind of question: every what-if is compared with the base, and that is the answer."""

    async def judge(self, asked: Asked, child: Child) -> Facts:
        """What the what-if does differently."""
        return await asyncio.to_thread(effect_facts, asked, child)

    def then(self, asked: Asked, judged: Sequence[Judged], load: Callable[[str], Child]) -> Sequence[NewChild]:
        """Nothing more is needed."""
        return []

    def answer(self, asked: Asked, judged: Sequence[Judged]) -> Facts:
        """What became of each."""
        return {
            "what_ifs": [
                {"name": one.name, "plan": one.id, "status": one.end, "problem": one.problem, "effect": one.verdict} for one in judged
            ],
            "caution": asked.begun,
        }


def effect_facts(asked: Asked, child: Child) -> dict[str, Any]:
    """What a plan of a question does differently from its base, as JSON values; work for a thread."""
    found = effect(asked.request, asked.base, child.request, child.plan)
    return found.model_dump(mode="json", context={"zone": ZoneInfo(child.plan.timezone)})
