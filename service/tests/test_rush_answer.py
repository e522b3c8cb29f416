"""The answer to a rush order in words: headings by what a choice came to, who pays, what it takes, and only ways that open."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

import pytest

from platerota_service.board import ANYBODY, AskedRush, Viewer, rush_answer_page
from platerota_service.questions.examples import question_examples


@pytest.fixture
def asked() -> AskedRush:
    """The example of the API description: one choice, for which nobody pays."""
    answer: dict[str, Any] = copy.deepcopy(question_examples()["rush"]["value"]["answer"])
    return AskedRush("q1", "ready", "b1", True, answer["order"], None, 3, 3, answer)


def with_choices(asked: AskedRush, *changes: dict[str, Any]) -> AskedRush:
    """The same with as many choices as there are changes of the example's one."""
    assert asked.answer is not None
    one = asked.answer["choices"][0]
    return replace(asked, answer={**asked.answer, "choices": [{**one, **change} for change in changes]})


PAYER = {"id": "A-1042", "name": None, "weight": 1.0, "late_seconds": 7_500, "later_seconds": 3_900, "pain": 1.08}


def test_a_choice_is_headed_by_what_it_came_to_and_not_by_what_it_was_asked_for(asked: AskedRush) -> None:
    assert asked.answer is not None
    soonest = asked.answer["soonest"]
    page = rush_answer_page(with_choices(
        asked, {"harmless": False, "pays": [PAYER]}, {"name": "harmless", "plan": "p2", "harmless": False, "pays": [PAYER]},
        {"name": "by-score", "plan": "p3", "harmless": True},
    ), ANYBODY).html
    assert page.index("<h3 id=\"choice-1\">As soon as possible<") < page.index(">In between<") < page.index(">Nobody pays<")
    assert f"/v1/plans/{soonest}/board" in page
    assert "As soon as possible, and nobody pays" in rush_answer_page(asked, ANYBODY).html


def test_who_pays_is_said_with_how_much(asked: AskedRush) -> None:
    lost = {**PAYER, "id": "<b>", "late_seconds": None, "later_seconds": None, "pain": None}
    page = rush_answer_page(with_choices(asked, {"harmless": False, "pays": [lost, PAYER]}), ANYBODY).html
    assert "&lt;b&gt; loses its place" in page
    assert "A-1042: late 2 h 05 min, 1 h 05 min more than before" in page


def test_what_it_takes_is_said_where_it_differs(asked: AskedRush) -> None:
    assert asked.answer is not None
    effect = asked.answer["choices"][0]["effect"]
    mills, overtime = ({**effect["score"], "change": change} for change in (3_840.4, -1_800.0))
    figures = {"spindle_seconds": mills, "overtime_seconds": overtime}
    money = {"cost": {"base": 10.0, "plan": 22.5, "change": 12.5}, "setups": {"base": 3, "plan": 2, "change": -1}}
    page = rush_answer_page(with_choices(asked, {"effect": {**effect, **figures, **money}}), ANYBODY).html
    for words in ("1 h 04 min more at the mills", "30 min less of overtime", "1 setup fewer", "12.50 more in money"):
        assert words in page


def test_why_nobody_s_gain_was_not_found_is_told_whole(asked: AskedRush) -> None:
    assert asked.answer is not None
    why = "without harm the order finds no place within the horizon: " + "plate P1 is away and " * 20
    page = rush_answer_page(replace(asked, answer={**asked.answer, "harmless": None, "why": why}), ANYBODY).html
    assert why.strip() in page


def test_before_the_first_plan_and_after_a_failure_the_page_says_how_it_stands(asked: AskedRush) -> None:
    waiting = rush_answer_page(replace(asked, status="solving", done=1, answer=None), ANYBODY).html
    assert "being planned: 1 of 3 plans" in waiting
    assert 'data-ended="no"' in waiting
    failed = rush_answer_page(replace(asked, status="failed", problem="none of its plans could be made", answer=None), ANYBODY).html
    assert "not answered: none of its plans could be made" in failed
    assert 'data-ended="yes"' in failed


def test_without_the_plan_before_or_by_a_signed_link_nothing_leads_to_a_refusal(asked: AskedRush) -> None:
    assert "/v1/plans/b1" not in rush_answer_page(replace(asked, base_there=False), ANYBODY).html
    assert "/v1/plans/" not in rush_answer_page(asked, Viewer(opens=lambda _href: None)).html
