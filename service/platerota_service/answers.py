"""How answers are described in the API description: the plan, and problems by their kinds, each with an example."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from pydantic import ConfigDict

from platerota_service.kinds import (
    BUSY,
    FAULTS,
    INTERNAL,
    KEY_MISSING,
    KEY_REFUSED,
    NO_SUCH_PART,
    NO_WORKER,
    SCOPE_MISSING,
    STILL_ANSWERING,
    STORE,
    TAKEN,
    TOO_LONG_TO_WAIT,
    TOO_MANY_CALLS,
    UNREADABLE,
    WARMING,
    Kind,
)
from platerota_service.operations_schedule import operations_schedule
from platerota_service.problems import PROBLEM_JSON, Problem, ProblemFault
from platerota_shared.changes import apply_changes
from platerota_shared.costs import plan_costs
from platerota_shared.differences import differences
from platerota_shared.plan import Plan
from platerota_shared.plate_checks import check_plate, read_plate_check
from platerota_shared.reading import read_request
from platerota_shared.replanning import Replanning, floor_at

Answers = dict[int | str, dict[str, Any]]

_DETAILS = {
    UNREADABLE: "the request is not JSON: expecting value at line 3, column 12",
    TOO_LONG_TO_WAIT: "the optimiser is asked to take 120 seconds; a call that waits allows 25",
    FAULTS: "the request has 2 faults; nothing was stored",
    BUSY: "100 plans wait already",
    NO_SUCH_PART: "the plan has no operator 'Bob'; it has Ines, Rui, Marta",
    STORE: "the database does not answer",
    TAKEN: "what was asked for is at /v1/plans/3f2b8a4c9d5e4f60a1b2c3d4e5f60718, but the service is closing",
    WARMING: "the optimiser is being compiled for this machine, once, which takes two to three minutes",
    NO_WORKER: "no worker is at the database",
}
_ERRORS = {
    UNREADABLE: [
        ProblemFault(
            pointer="", code="not-json", detail="the request is not JSON: expecting value at line 3, column 12",
            mend="look at line 3, column 12",
        ),
    ],
    TOO_LONG_TO_WAIT: [
        ProblemFault(
            pointer="/settings/solve_seconds", code="out-of-range",
            detail="the optimiser is asked to take 120 seconds; a call that waits allows 25",
            mend="set it to 25 or less, or send the header 'Prefer: respond-async'",
        ),
    ],
    FAULTS: [
        ProblemFault(
            pointer="/shop/plates/0/mount", code="missing-field", detail="plate P1: mount is missing", mend="add it; it has no default",
        ),
        ProblemFault(
            pointer="/orders/0/part", code="unknown-part", detail="order A-1042: part 'brackett' has no operations",
            mend="did you mean 'bracket'?",
        ),
    ],
}

_HEADERS = {
    "Location": "The address of what was made.",
    "ETag": "The version that If-Match and If-None-Match name.",
    "Retry-After": "Seconds after which to ask again.",
    "Preference-Applied": "The preferences that were followed, where there are any.",
}


@cache
def example(name: str) -> Any:
    """The stored example `name`: `request` or `plan`, as a JSON value."""
    return json.loads(files("platerota_service").joinpath("examples", f"{name}.json").read_text(encoding="utf-8"))


def with_example(value: Any) -> ConfigDict:
    """The configuration of a model whose example in the API description is `value`."""
    return ConfigDict(json_schema_extra={"examples": [value]})


def reference(model: str) -> dict[str, str]:
    """A reference to the schema of `model`."""
    return {"$ref": f"#/components/schemas/{model}"}


def request_body() -> dict[str, Any]:
    """The described body of a planning request."""
    return {
        "required": True,
        "description": "The shop, its orders and its floor as flat tables; at most 16 MiB of UTF-8.",
        "content": {
            "application/json": {
                "schema": reference("PlanRequest"),
                "examples": {"one-plate": example_reference("request")},
            }
        },
    }


def plan_answers(description: str, status: int, *headers: str, shown: str | None = None) -> Answers:
    """The described answer that is a plan, with the headers named; `shown` is its example where that is not the usual one."""
    shown = shown if shown is not None else "waiting-plan" if status == 202 else "plan"
    answer: dict[str, Any] = {
        "description": description,
        "content": {
            "application/json": {
                "schema": reference("PlanAnswer"),
                "examples": {"one-plate": example_reference(shown)},
            }
        },
    }
    if headers:
        answer["headers"] = headers_described(*headers)
    return {status: answer}


def not_changed() -> Answers:
    """The described answer to a caller that has seen the present version."""
    return {304: {"description": "The caller has the present version already (If-None-Match)", "headers": headers_described("ETag")}}


def headers_described(*names: str) -> dict[str, Any]:
    """The described headers of an answer."""
    return {name: {"description": _HEADERS[name], "schema": {"type": "string"}} for name in names}


def problem_answers(*kinds: Kind, faults: Sequence[ProblemFault] | None = None) -> Answers:
    """The described answers of `kinds`, by status, and of a fault of the service itself, which any call can meet.

    `faults` are those of the example where they are not a planning request's.
    """
    answers: Answers = {}
    for kind in (*kinds, INTERNAL):
        key: int | str = "default" if kind is INTERNAL else kind.status
        content = {PROBLEM_JSON: {"schema": reference("Problem"), "examples": {}}}
        answer = answers.setdefault(key, {"description": kind.title, "content": content})
        if kind in (BUSY, STORE, STILL_ANSWERING, TAKEN, TOO_MANY_CALLS, WARMING, NO_WORKER):
            answer.setdefault("headers", {}).update(headers_described("Retry-After"))
        if kind in (STILL_ANSWERING, TAKEN):
            answer.setdefault("headers", {}).update(headers_described("Location"))
        if kind.title not in answer["description"]:
            answer["description"] += f", or {kind.title}"
        answer["content"][PROBLEM_JSON]["examples"][kind.name] = {"summary": kind.title, "value": _problem_example(kind, faults)}
    return answers


def guarded_answers(*kinds: Kind, faults: Sequence[ProblemFault] | None = None) -> Answers:
    """The described problems of a call that needs a key and the database, beside `kinds`; `faults` are the example of its own."""
    return problem_answers(*kinds, KEY_MISSING, KEY_REFUSED, SCOPE_MISSING, TOO_MANY_CALLS, STORE, faults=faults)


def _problem_example(kind: Kind, faults: Sequence[ProblemFault] | None) -> dict[str, Any]:
    errors = list(faults) if kind is FAULTS and faults is not None else _ERRORS.get(kind)
    detail = f"{_DETAILS.get(kind, kind.title)}. {kind.advice}"
    instance = "urn:uuid:7d7c5d0e-3a75-4a0e-9d4e-0f3f3b1f9d52" if kind is INTERNAL else None
    problem = Problem(type=kind.type, title=kind.title, status=kind.status, detail=detail, instance=instance, errors=errors)
    return problem.model_dump(exclude_none=True)


def named_examples() -> dict[str, dict[str, Any]]:
    """The examples to which the description refers, by name. The framework, which drops every null, never touches them."""
    return {
        "request": {"summary": "One mill, one plate, one order", "value": example("request")},
        "plan": {"summary": "One run of one plate", "value": example("plan")},
        "waiting-plan": {"summary": "A plan that waits", "value": _waiting_plan()},
        "operations-schedule": {"summary": "The same plan under the names of IEC 62264", "value": _operations_schedule()},
        "what-if-request": {"summary": "Four more, in a rush", "value": example("what-if-request")},
        "what-if-plan": {"summary": "The rush goes first", "value": _what_if_plan()},
        "waiting-what-if": {"summary": "A what-if that waits", "value": {**_waiting_plan(), "base": example("plan")["id"]}},
        "replan-request": {"summary": "The mill breaks until ten", "value": example("replan-request")},
        "replan-plan": {"summary": "The piece is cut again when the mill runs", "value": _replan_plan()},
        "waiting-replan": {"summary": "A replan that waits", "value": _waiting_replan()},
        "differences": {"summary": "The rush goes first", "value": _differences()},
        "costs": {"summary": "One order", "value": _costs()},
        "plate-check-request": {"summary": "Eight pieces on an aluminium plate", "value": example("plate-check-request")},
        "plate-check": {"summary": "What that plate can do", "value": _plate_check()},
        "risks-question": {"summary": "Hand work that varies, and a date for 19 in 20", "value": example("risks-question")},
        "risks": {"summary": "How sure the plan of one run is", "value": example("risks")},
    }


def example_reference(name: str) -> dict[str, str]:
    """A reference to the example `name` of :func:`named_examples`."""
    return {"$ref": f"#/components/examples/{name}"}


def _operations_schedule() -> Any:
    return operations_schedule(read_request(example("request")), _plan("plan"))


def _plate_check() -> Any:
    return check_plate(read_plate_check(example("plate-check-request"))).model_dump(mode="json")


def _waiting_plan() -> dict[str, Any]:
    """The example plan as it is before its first one is found."""
    plan: dict[str, Any] = example("plan")
    blank: dict[str, Any] = {name: [] for name in ("orders", "runs", "tasks", "lanes", "load_windows", "warnings")}
    score = {"total": 0.0, "bound": 0.0, "gap": 0.0, "parts": dict.fromkeys(plan["score"]["parts"], 0.0)}
    return {
        **plan, **blank, "status": "waiting", "quality": "feasible", "score": score,
        "kpis": {"machines": [], "operators": [], "shop": None},
        "solver": {"seconds": 0.0, "seed": 1, "version": "0.1.0", "stages": [], "decisions": None},
        "progress": None, "shop": None, "base": None, "compare": None,
    }


def _what_if_plan() -> dict[str, Any]:
    """The plan of the example's what-if, with what it does differently."""
    return {**example("what-if-plan"), "base": example("plan")["id"], "compare": _differences()}


def _plan(name: str) -> Plan:
    return Plan.from_document({field: example(name)[field] for field in Plan.model_fields})


def replanned_example() -> Replanning:
    """The request of the example's replan."""
    asked = example("replan-request")
    document = {**example("request"), "settings": {**example("request")["settings"], **asked["settings"]}}
    return floor_at(document, _plan("plan"), asked["now"], asked["happened"])


def _replan_plan() -> dict[str, Any]:
    """The plan of the example's replan, with what it does differently."""
    compare = differences(read_request(example("request")), _plan("plan"), replanned_example().request, _plan("replan-plan"))
    return {**example("replan-plan"), "base": example("plan")["id"], "compare": compare.document()}


def _waiting_replan() -> dict[str, Any]:
    """The same before its first plan is found."""
    begins = {name: example("replan-plan")[name] for name in ("now", "horizon_end")}
    notes = [note.model_dump() for note in replanned_example().notes]
    return {**_waiting_plan(), **begins, "warnings": notes, "base": example("plan")["id"]}


def _differences() -> Any:
    base, plan = (_plan(of) for of in ("plan", "what-if-plan"))
    changed = apply_changes(example("request"), example("what-if-request")["changes"])
    return differences(read_request(example("request")), base, changed.request, plan).document()


def _costs() -> Any:
    return plan_costs(read_request(example("request")), _plan("plan")).model_dump(mode="json")
