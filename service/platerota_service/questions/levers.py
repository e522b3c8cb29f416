"""Levers: which single change helps a plan most. Each is really solved, beside a control without any change."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response
from pydantic import Field

from platerota_service.answers import example_reference, guarded_answers, reference
from platerota_service.bases import Base, read_base
from platerota_service.bodies import read_body
from platerota_service.calls import PlanId, SettingsOf, StoreOf
from platerota_service.engine import Submission
from platerota_service.kinds import NOT_READY
from platerota_service.plan_making import check_plan_id
from platerota_service.plans import MAKING_REFUSED, PREFER_ASYNC
from platerota_service.problems import ProblemFault
from platerota_service.questions.answers import asked_answers
from platerota_service.questions.asking import Asked, Child, Facts, Judged, NewChild, NewQuestion
from platerota_service.questions.making import AskingOf
from platerota_service.questions.sweeps import Named, NamedWhatIf, read_named
from platerota_service.shops.book import written
from platerota_service.solve_settings import SolveSettings, read_around, with_settings
from platerota_service.variations import Settings, apply, refuse, submission
from platerota_shared.document import is_list, is_object, read_document
from platerota_shared.faults import Fault, RequestRefused, pointer, shown
from platerota_shared.fields import Whole
from platerota_shared.levers import (
    FIRST,
    KINDS,
    MOST_LEVERS,
    ROUNDS,
    FoundKind,
    Outcome,
    Try,
    again,
    control_after,
    further_times,
    levers_answer,
    levers_of,
    outcome,
    outcome_without,
)
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from platerota_shared.records import read_row
from platerota_shared.starts import Start
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import Row

_log = logging.getLogger(__name__)
router = APIRouter(prefix="/v1/plans", tags=["decisions"])

LEVERS: Final = "levers"
"""The name of the kind."""
CONTROL: Final = "without a change"
"""What the control is called among the plans of the question."""
_SECONDS: Final = 1.5
"""Seconds of the optimiser for each lever in the first round where the call does not say: it starts from the base."""


class LeversRequest(Row):
    """Which levers are tried; without a body those that promise most."""

    limit: Annotated[Whole, Field(ge=1, le=MOST_LEVERS)] | None = None
    """How many of the levers that are found are tried, 20 where it is not given: those that promise most."""
    kinds: Annotated[tuple[FoundKind, ...], Field(max_length=6)] = ()
    """The kinds that are looked for; empty: every kind. `plate`: one more plate; `operator`: one more person; `shift`: a further shift
    of somebody; `machine`: a machine allowed for a fixture; `nests`: one more row of nests; `due`: a late order due a day later."""
    levers: Annotated[tuple[NamedWhatIf, ...], Field(max_length=MOST_LEVERS)] = ()
    """Levers of your own, each upon the base alone; then no others are looked for."""
    settings: SolveSettings = SolveSettings()
    """How each is solved; `solve_seconds` is that of the first round, 1.5 where it is not given, three times as long in the second and
    five times in the third; the second has the next `seed`, the third the one after."""


class _Beside(Row):
    """The fields of the body that have no reader of their own."""

    limit: Annotated[Whole, Field(ge=1, le=MOST_LEVERS)] | None = None
    kinds: Annotated[tuple[FoundKind, ...], Field(max_length=6)] = ()


_FIELDS: Final = tuple(LeversRequest.model_fields)
_BODY: Final[dict[str, Any]] = {
    "required": False, "description": "Which levers are tried; JSON, UTF-8. Without it: the 20 that promise most.",
    "content": {
        "application/json": {"schema": reference("LeversRequest"), "examples": {"what-could-help": example_reference("levers-request")}},
    },
}
_FAULTS: Final = (
    ProblemFault(
        pointer="/levers/0/changes/0/plate", code="unknown-id", detail="there is no plate 'P9'", mend="did you mean 'P1'?",
    ),
    ProblemFault(
        pointer="/kinds/0", code="unknown-choice",
        detail="the question: entry 1 of kinds must be 'plate', 'operator', 'shift', 'machine', 'nests' or 'due', not 'plates'",
        mend="write 'plate', 'operator', 'shift', 'machine', 'nests' or 'due'",
    ),
)


@router.post(
    "/{plan_id}/levers", operation_id="create_levers", summary="Ask which single change helps most", status_code=201,
    openapi_extra={"requestBody": _BODY, "parameters": [PREFER_ASYNC]},
    responses={**asked_answers("levers", "waiting-levers"), **guarded_answers(NOT_READY, *MAKING_REFUSED, faults=_FAULTS)},
)
async def create_levers(call: Request, plan_id: PlanId, asking: AskingOf, store: StoreOf, settings: SettingsOf) -> Response:
    """Try single changes of a ready plan, the base, and rank them by the points that they save.

    Which changes are worth trying is read from the plan: a second copy of a plate that orders queue for, somebody more or a further
    shift where work waits for hands, a machine allowed for a fixture that queues while it stands, one more row of nests where fewer
    runs would do, a late order due a day later. Or give `levers` of your own.

    Each is really solved from the base, beside a control without any change; the better third once more for three times as long, the best
    three of twenty once more for five times as long, the control with them, each from the best plan without a change that is known by
    then. Levers are compared with that plan, so that only what they bring counts; what cannot win by its bound, or is proved, is not
    solved again. `helps` is false where it saves no more than `noise`, which is said openly: such a
    lever brings nothing that can be told from luck. `caution` says what no plan can know of a change: rest times, somebody alone at a
    machine, room, loads, what it costs to buy. Every lever has a plan of its own; nothing is released.

    The answer is a question: `GET /v1/questions/{id}` shows what is known so far. 20 levers take about a minute of two workers, so ask
    with `Prefer: respond-async`; a call that waits may ask for 25 seconds of the optimiser in all, every round together.
    """
    check_plan_id(plan_id)
    empty = call.headers.get("content-length", "0") == "0" and "transfer-encoding" not in call.headers
    body = b"{}" if empty else await read_body(call, settings.max_body_bytes)
    return await asking.make(body, lambda: read_levers(body, read_base(store, asking.caller.tenant, plan_id)))


def read_levers(body: bytes, base: Base) -> NewQuestion:
    """The question in `body`; work for a thread.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault at once.
    """
    given, zone, suggestions = read_document(body, holds="levers"), ZoneInfo(base.document["shop"]["timezone"]), Suggestions()
    settings, faults = read_around(given, _FIELDS, "the question", zone, suggestions)
    beside, more = read_row(
        _Beside, {name: given[name] for name in _Beside.model_fields if name in given}, "", "the question", zone, suggestions,
    )
    listed = given.get("levers")
    budget = {"solve_seconds": _SECONDS, **settings}
    own, wrong = read_named(base, budget, listed, Named("levers", "lever", MOST_LEVERS), zone, suggestions)
    control = _control(base, budget)
    faults += [*more, *wrong, *_list_faults(given), *_own_faults(listed, own, control)]
    refuse(faults)
    assert beside.row is not None
    levers = [_asked_own(one, child) for one, child in zip(listed or (), own, strict=True)] or _found(base, budget, beside.row)
    seconds = control.request.settings.solve_seconds
    children = [NewChild(CONTROL, control, {"lever": None, "round": FIRST})]
    children += [NewChild(lever["name"], made, {"lever": number, "round": FIRST}) for number, (lever, made) in enumerate(levers)]
    asked = {"levers": [lever for lever, _ in levers], "solve_seconds": seconds}
    return NewQuestion(LEVERS, base, asked, children, seconds * further_times(len(levers)))


def _control(base: Base, settings: Settings) -> Submission:
    """The base's request without any change, solved as the levers are."""
    document = with_settings(base.document, settings)
    return Submission(
        written(document).encode(), read_request(document), base_id=base.plan.id, start=Start(base.plan), shop_id=base.shop_id,
        shop_version=base.shop_version,
    )


AskedLever = tuple[dict[str, Any], Submission]
"""A lever as the question keeps it, and what is planned for it."""


def _asked_own(given: Mapping[str, Any], child: NewChild | None) -> AskedLever:
    assert child is not None
    return {"kind": "own", "name": child.name, "changes": given["changes"]}, child.submission


def _found(base: Base, settings: Settings, beside: _Beside) -> list[AskedLever]:
    """The levers that promise most."""
    request = read_request(base.document)
    found: list[AskedLever] = []
    for lever in levers_of(request, base.plan, beside.limit or MOST_LEVERS, beside.kinds or KINDS):
        try:
            changed = apply(base, settings, lever.changes)
        except RequestRefused as refused:
            # A table that is as long as it may be takes no row more; what else there is to try is tried.
            _log.warning("the lever %r cannot be made: %s", lever.words, refused)
            continue
        found.append(({"kind": lever.kind, "name": lever.words, "changes": lever.changes}, submission(base, changed)))
    return found


def _list_faults(given: Mapping[str, Any]) -> Iterator[Fault]:
    listed = given.get("levers", [])
    if not is_list(listed):
        yield Fault("/levers", "wrong-type", f"levers must be a list, not {shown(listed)}", "give each a name and its changes")
    elif len(listed) > MOST_LEVERS:
        words = f"levers has {len(listed):,} entries; the most is {MOST_LEVERS}"
        yield Fault("/levers", "too-many-rows", words, "ask with fewer at once")
    for name in ("limit", "kinds"):
        if listed and given.get(name):
            words = f"{name} is for the levers that are found, and levers of your own are given"
            yield Fault(pointer(name), "changes-contradict", words, f"leave out {name}, or leave out levers")


def _own_faults(listed: Any, own: Sequence[NewChild | None], control: Submission) -> Iterator[Fault]:
    """Levers that could not be compared, and levers that change nothing."""
    for index, (one, child) in enumerate(zip(listed if is_list(listed) else (), own, strict=False)):
        changes = one.get("changes") if is_object(one) else None
        for number, change in enumerate(changes if is_list(changes) else ()):
            if is_object(change) and change.get("kind") == "change_settings":
                words = f"lever {index + 1} changes the settings, and levers are compared by the same points after the same time"
                yield Fault(pointer("levers", index, "changes", number), "changes-contradict", words, "ask it as a what-if")
        if child is not None and child.submission.request == control.request:
            words = f"lever {index + 1} leaves the week as it is"
            yield Fault(pointer("levers", index, "changes"), "changes-nothing", words, "give something to change, or leave the lever out")


class Levers:
    """The kind of question: rounds of fewer levers for longer, each compared with the best plan without a change."""

    async def judge(self, asked: Asked, child: Child) -> Facts:
        """The few figures that levers are compared by."""
        return await asyncio.to_thread(_verdict, asked, child)

    def then(self, asked: Asked, judged: Sequence[Judged], load: Callable[[str], Child]) -> Sequence[NewChild]:
        """The next round: the better ones, and the control with them."""
        tries = _tries(judged)
        last = max(one.round for one in tries)
        ready = [(one, one.outcome.solved) for one in tries if one.outcome is not None]
        reached = {
            place: {one.number: solved for one, solved in ready if one.number is not None and one.round == place}
            for place in ROUNDS if place <= last
        }
        better = again(reached, len(asked.asked["levers"]))
        proved = any(one.number is None and solved.proved for one, solved in ready)
        wanted = [*([] if proved else [None]), *better] if better else []
        kept = [
            one for number in wanted for one in judged
            if one.facts["lever"] == number and one.facts["round"] == FIRST and one.end == "ready"
        ]
        start = _plan(asked, control_after(tries, outcome(asked.request, asked.base), last).plan, load)
        return [child for one in kept if (child := _once_more(asked, one, load, start, last + 1)) is not None]

    def answer(self, asked: Asked, judged: Sequence[Judged]) -> Facts:
        """Every lever, the one that saves most first."""
        found = levers_answer(asked.asked["levers"], _tries(judged), outcome(asked.request, asked.base))
        told = found.model_copy(update={"caution": asked.cautioned(found.caution)})
        return told.model_dump(mode="json", context={"zone": ZoneInfo(asked.base.timezone)})


def _tries(judged: Sequence[Judged]) -> list[Try]:
    return [
        Try(
            one.facts["lever"], one.facts["round"], one.end, one.problem,
            *(Outcome.model_validate(one.verdict[name]) if one.verdict and one.verdict[name] else None for name in ("with", "without")),
        )
        for one in judged
    ]


def _verdict(asked: Asked, child: Child) -> dict[str, Any]:
    found = outcome(child.request, child.plan)
    without = outcome_without(asked.request, child.plan) if child.facts["lever"] is not None else None
    return {"with": found.model_dump(mode="json"), "without": without and without.model_dump(mode="json")}


def _plan(asked: Asked, plan_id: str, load: Callable[[str], Child]) -> Plan:
    """A plan of the question, or the base; the base, where it was deleted meanwhile."""
    try:
        return asked.base if plan_id == asked.base.id else load(plan_id).plan
    except KeyError:
        return asked.base


def _once_more(asked: Asked, one: Judged, load: Callable[[str], Child], start: Plan, place: int) -> NewChild | None:
    """A plan of the first round asked for again, for longer and with another seed; None where it was deleted meanwhile."""
    try:
        child = load(one.id)
    except KeyError:
        return None
    seconds, seed = ROUNDS[place].longer * asked.asked["solve_seconds"], (child.request.settings.seed + place - FIRST) % 2**31
    made = replace(child.again({"solve_seconds": seconds, "seed": seed}), start=Start(start))
    return NewChild(f"{one.name}, round {place}", made, {**one.facts, "round": place})
