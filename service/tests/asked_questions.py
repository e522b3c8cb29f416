"""Questions as their pages show them, from the examples of the API description."""

from __future__ import annotations

import copy
from typing import Any

from platerota_service.board import AskedQuestion
from platerota_service.questions.examples import question_examples

_NAMES = {"rush-order": "rush", "promise": "promise", "what-if-sweep": "sweep", "levers": "levers"}


def asked_question(kind: str) -> AskedQuestion:
    """The example of that kind; of the sweep one plan is still to be made."""
    question: dict[str, Any] = copy.deepcopy(question_examples()[_NAMES[kind]]["value"])
    answer, plans = question["answer"], question["plans"]
    asked: dict[str, Any] = {
        "rush-order": lambda: {"order": answer["order"]},
        "promise": lambda: {
            "order": "PROMISE", "part": "bracket", "quantity": 4, "due": "2027-03-01T12:00:00+00:00", "risks": {"certainty": 0.95},
        },
        "what-if-sweep": lambda: {"what_ifs": [plan["name"] for plan in plans]},
        "levers": lambda: {"levers": [{name: one[name] for name in ("kind", "name", "changes")} for one in answer["levers"]]},
    }[kind]()
    return AskedQuestion(
        id=question["id"], kind=kind, status=question["status"], base=question["base"], base_there=True, problem=None,
        done=sum(plan["status"] == "ready" for plan in plans), plans=len(plans), there=frozenset(plan["id"] for plan in plans), asked=asked,
        answer=answer,
    )
