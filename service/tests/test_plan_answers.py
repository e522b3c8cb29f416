import json
from typing import Any

import pytest
from pydantic import ValidationError

from platerota_service.answers import example
from platerota_service.engine import PlanState, Submission
from platerota_service.plan_answers import PlanAnswer, blank_plan, plan_answer, stored_text
from platerota_service.solve_lines import Reached
from platerota_shared.plan import Plan


def test_an_answer_is_the_plan_with_progress_and_problem(plan_document: dict[str, Any]) -> None:
    plan = Plan.from_document(plan_document)
    state = PlanState(plan.id, plan.status, stored_text(plan), 1, Reached(stage="first", seconds=0.5))
    assert state.plan == plan
    answer = json.loads(plan_answer(state))
    assert answer == {
        **plan_document, "problem": None, "progress": {"stage": "first", "seconds": 0.5, "total": None, "bound": None, "gap": None},
        "shop": None,
    }


def test_a_failed_plan_says_why(submission: Submission) -> None:
    answer = json.loads(plan_answer(PlanState("a1", "failed", stored_text(blank_plan(submission.request)), problem="out of coolant")))
    assert answer["problem"] == {"title": "the plan could not be made", "detail": "out of coolant"}


def test_a_blank_plan_covers_the_time_of_its_request_in_the_shop_s_zone(submission: Submission) -> None:
    answer = json.loads(plan_answer(PlanState("a1", "waiting", stored_text(blank_plan(submission.request)))))
    assert (answer["now"], answer["horizon_end"]) == ("2027-03-01T06:00:00+00:00", "2027-03-29T07:00:00+01:00")
    assert (answer["timezone"], answer["solver"]["seed"], answer["tasks"]) == ("Europe/Lisbon", 1, [])


def test_the_plan_in_an_answer_can_be_taken_out(plan_document: dict[str, Any]) -> None:
    plan = PlanAnswer.from_document(example("plan")).plan()
    assert plan == Plan.from_document(plan_document)
    assert type(plan) is Plan


def test_an_answer_with_a_field_of_nobody_is_refused(plan_document: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        PlanAnswer.from_document({**plan_document, "colour": "blue"})
