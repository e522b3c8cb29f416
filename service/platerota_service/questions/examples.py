"""The examples of questions in the API description, worked out by the kinds themselves from the example's plans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from platerota_service.answers import example
from platerota_service.questions.asking import Asked, Child, Facts, Judged
from platerota_service.questions.promises import PROMISE
from platerota_service.questions.rush_orders import BY_SCORE, HARMLESS, RUSH_ORDER, SOONEST, RushOrder, judge_rush
from platerota_service.questions.sweeps import SWEEP, Sweep, effect_facts
from platerota_shared.changes import apply_changes
from platerota_shared.plan import Plan

_ID: Final = "5d1c9a7be04f4c3e8a6b2f9d7c3e1a05"


def question_examples() -> dict[str, dict[str, Any]]:
    """The examples by name, as :func:`platerota_service.answers.named_examples`."""
    swept, asked = ("four more", "a second plate"), dict[str, Any]()
    tried = (HARMLESS, SOONEST, BY_SCORE)
    return {
        "sweep-request": {"summary": "Four more, or a second plate", "value": example("sweep-request")},
        "sweep": {
            "summary": "Two what-ifs, one of them planned",
            "value": _question(SWEEP, asked, [effect_facts(*_planned(swept[0]))], swept),
        },
        "waiting-sweep": {"summary": "A sweep that waits", "value": _question(SWEEP, asked, [], swept)},
        "rush-request": {"summary": "Four more, in a rush", "value": example("rush-request")},
        "rush": {
            "summary": "The rush goes first, and nobody pays",
            "value": _question(
                RUSH_ORDER, {"order": "RUSH-1"},
                [judge_rush(*_planned(name, f"{_ID}{number:03}", "RUSH-1")) for number, name in enumerate(tried)], tried,
            ),
        },
        "promise-request": {"summary": "Four more, by noon, nearly surely", "value": example("promise-request")},
        "promise": {
            "summary": "It goes first, and two minutes more make it nearly sure",
            "value": _question(PROMISE, {}, [example("promise")], (HARMLESS,)),
        },
        "waiting-promise": {"summary": "A promise that waits", "value": _question(PROMISE, {}, [], (HARMLESS,))},
        "waiting-rush": {
            "summary": "A rush order that waits", "value": _question(RUSH_ORDER, {"order": "RUSH-1"}, [], tried),
        },
    }


def _plan(name: str) -> Plan:
    return Plan.from_document({field: example(name)[field] for field in Plan.model_fields})


def _planned(name: str, plan_id: str = f"{_ID}000", order: str = "") -> tuple[Asked, Child]:
    """The example's what-if as a plan of a question called `name`."""
    plan = _plan("what-if-plan").model_copy(update={"id": plan_id})
    changed = apply_changes(example("request"), example("what-if-request")["changes"])
    return Asked({"order": order}, _plan("plan"), example("request")), Child(plan_id, name, {}, plan, changed.document)


def _question(kind: str, asked: Facts, verdicts: Sequence[Mapping[str, Any]], names: Sequence[str]) -> dict[str, Any]:
    """A question of which the first plans, those with verdicts, are ready."""
    judged = [Judged(f"{_ID}{number:03}", names[number], {}, "ready", None, verdict) for number, verdict in enumerate(verdicts)]
    status = "waiting" if not judged else "ready" if len(judged) == len(names) else "solving"
    score = example("what-if-plan")["score"]["total"]
    return {
        "id": _ID, "kind": kind, "status": status, "base": example("plan")["id"], "created": "2027-03-01T06:02:00+00:00",
        "ended": "2027-03-01T06:02:09+00:00" if status == "ready" else None, "rush": False, "problem": None,
        "plans": [
            {
                "id": f"{_ID}{number:03}", "name": name, "status": "ready" if number < len(judged) else "waiting",
                "score": score if number < len(judged) else None, "quality": "feasible" if number < len(judged) else None,
            }
            for number, name in enumerate(names)
        ],
        "answer": _answer(kind, Asked(asked, _plan("plan"), example("request")), judged) if judged else None,
    }


def _answer(kind: str, asked: Asked, judged: Sequence[Judged]) -> Facts | None:
    if kind == PROMISE:  # the one plan's verdict is the answer
        return judged[0].verdict
    return Sweep().answer(asked, judged) if kind == SWEEP else RushOrder().answer(asked, judged)
