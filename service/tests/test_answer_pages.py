"""The answers to questions in words: what it came to, who pays, what it takes, how sure it is, and only ways that open."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

import pytest

from platerota_service.board import ANYBODY, QUESTION_PAGES, AskedQuestion, Viewer, question_page
from platerota_service.board.effect_words import few, signed, signed_time, when
from platerota_service.board.promise_answer import share
from platerota_service.questions.kinds import question_kinds
from platerota_service.risk_process import Simulations
from platerota_service.settings import ServiceSettings

from .asked_questions import asked_question

Document = dict[str, Any]


def page(asked: AskedQuestion, viewer: Viewer = ANYBODY) -> str:
    return question_page(asked, viewer).html


def changed(asked: AskedQuestion, **answer: Any) -> AskedQuestion:
    """The same question with something else in its answer."""
    assert asked.answer is not None
    return replace(asked, answer={**asked.answer, **answer})


def answer_of(asked: AskedQuestion) -> Document:
    """The answer, to be changed."""
    found: Document = copy.deepcopy(dict(asked.answer or {}))
    return found


def test_every_kind_of_question_has_a_page(settings: ServiceSettings) -> None:
    assert set(QUESTION_PAGES) == set(question_kinds(Simulations(settings)))


@pytest.mark.parametrize("kind", QUESTION_PAGES)
class TestEveryKind:
    def test_before_the_first_plan_the_page_says_how_it_stands_and_comes_again(self, kind: str) -> None:
        html = page(replace(asked_question(kind), status="solving", done=1, plans=3, answer=None))
        assert "being planned: 1 of 3 plans" in html
        assert 'data-ended="no"' in html
        assert '<meta http-equiv="refresh"' in html

    def test_one_that_failed_says_why_and_comes_no_more(self, kind: str) -> None:
        html = page(replace(asked_question(kind), status="failed", problem="none of its plans could be made: <b>", answer=None))
        assert "not answered: none of its plans could be made: &lt;b&gt;" in html
        assert 'data-ended="yes"' in html
        assert "refresh" not in html

    def test_without_the_plan_before_nothing_leads_to_it(self, kind: str) -> None:
        asked = asked_question(kind)
        assert f"/v1/plans/{asked.base}/board" in page(asked)
        assert f"/v1/plans/{asked.base}/" not in page(replace(asked, base_there=False))

    def test_a_plan_that_is_deleted_is_not_linked(self, kind: str) -> None:
        asked = asked_question(kind)
        assert any(f"/v1/plans/{plan}/board" in page(asked) for plan in asked.there)
        assert not any(plan in page(replace(asked, there=frozenset())) for plan in asked.there)

    def test_by_a_signed_link_nothing_leads_to_a_refusal(self, kind: str) -> None:
        assert "/v1/plans/" not in page(asked_question(kind), Viewer(opens=lambda _href: None))


PAYER = {"id": "A-1042", "name": None, "weight": 1.0, "late_seconds": 7_500, "later_seconds": 3_900, "pain": 1.08}


class TestRushOrder:
    @pytest.fixture
    def asked(self) -> AskedQuestion:
        """The example of the API description: one choice, for which nobody pays."""
        return asked_question("rush-order")

    @staticmethod
    def with_choices(asked: AskedQuestion, *changes: Document) -> AskedQuestion:
        """The same with as many choices as there are changes of the example's one; who pays is said in its effect too."""
        one = answer_of(asked)["choices"][0]
        rows = [
            {**one, **change, "effect": {**one["effect"], "pays": change.get("pays", [])} | change.get("effect", {})} for change in changes
        ]
        return replace(changed(asked, choices=rows), there=frozenset({one["plan"], "p2", "p3"}))

    def test_a_choice_is_headed_by_what_it_came_to_and_not_by_what_it_was_asked_for(self, asked: AskedQuestion) -> None:
        soonest = answer_of(asked)["soonest"]
        html = page(self.with_choices(
            asked, {"harmless": False, "pays": [PAYER]}, {"name": "harmless", "plan": "p2", "harmless": False, "pays": [PAYER]},
            {"name": "by-score", "plan": "p3", "harmless": True},
        ))
        assert html.index("<h3 id=\"choice-1\">As soon as possible<") < html.index(">In between<") < html.index(">Nobody pays<")
        assert f"/v1/plans/{soonest}/board" in html
        assert "As soon as possible, and nobody pays" in page(asked)

    def test_who_pays_is_said_with_how_much(self, asked: AskedQuestion) -> None:
        lost = {**PAYER, "id": "<b>", "late_seconds": None, "later_seconds": None, "pain": None}
        html = page(self.with_choices(asked, {"harmless": False, "pays": [lost, PAYER]}))
        assert "&lt;b&gt; is no longer planned" in html
        assert "A-1042: late 2 h 05 min, 1 h 05 min more than before" in html

    def test_what_it_takes_is_said_where_it_differs(self, asked: AskedQuestion) -> None:
        score = answer_of(asked)["choices"][0]["effect"]["score"]
        mills, overtime = ({**score, "change": change} for change in (3_840.4, -1_800.0))
        effect = {
            "spindle_seconds": mills, "overtime_seconds": overtime, "cost": {"base": 10.0, "plan": 22.5, "change": 12.5},
            "setups": {"base": 3, "plan": 2, "change": -1},
        }
        html = page(self.with_choices(asked, {"effect": effect}))
        for words in ("1 h 04 min more at the mills", "30 min less of overtime", "1 setup fewer", "12.50 more in money"):
            assert words in html

    def test_that_nobody_pays_is_said_to_be_by_planned_times_and_where_chances_are_asked(self, asked: AskedQuestion) -> None:
        html = page(asked)
        assert "By the planned times no other order misses its date" in html
        assert "<code>/risks</code> of a choice's plan" in html

    def test_why_nobody_s_gain_was_not_found_is_told_whole(self, asked: AskedQuestion) -> None:
        why = "without harm the order finds no place within the horizon: " + "plate P1 is away and " * 20
        assert why.strip() in page(changed(asked, harmless=None, why=why))


class TestPromise:
    @pytest.fixture
    def asked(self) -> AskedQuestion:
        """The example of the API description: done at 06:45:30 in the plan, at 06:47:37 in 95 % of the weeks, due at noon."""
        return asked_question("promise")

    def test_the_date_is_the_first_whole_minute_that_holds(self, asked: AskedQuestion) -> None:
        html = page(asked)
        assert "<strong>Mon 1 Mar 06:48</strong>" in html
        assert "Done by then in at least 95 % of the simulated weeks." in html
        assert html.index("A date for 4 × bracket") < html.index("06:48")

    def test_what_it_takes_and_how_sure_it_is_stand_as_figures(self, asked: AskedQuestion) -> None:
        takes = {**answer_of(asked)["takes"], "cost": 61.5, "piece_cost": 15.375}
        html = page(changed(asked, takes=takes, on_time=0.9996))
        for label, value in (
            ("done in the plan", "Mon 1 Mar 06:45"), ("done in 8 of 10 weeks", "Mon 1 Mar 06:45 to Mon 1 Mar 06:47"),
            ("kept back for what goes wrong", "2 min"), ("chance to be done by Mon 1 Mar 12:00", "more than 99.9 %"),
            ("at the mills", "42 min"), ("hand work", "3 min"), ("money", "61.50"), ("money for a piece", "15.38"),
        ):
            assert f"<dt>{label}</dt><dd>{value}</dd>" in html, label

    def test_without_a_date_that_was_asked_for_no_chance_is_told(self, asked: AskedQuestion) -> None:
        assert "chance" not in page(replace(changed(asked, on_time=None), asked={**asked.asked, "due": None}))

    def test_whoever_is_less_sure_is_named_beside_what_is_planned(self, asked: AskedQuestion) -> None:
        planned = "By the planned times no other order misses its date, or misses it by more than before."
        assert planned in page(asked)
        assert "Less sure to be in time" not in page(asked)
        less = [{"id": "A-<7>", "before": 0.991, "after": 0.288}, {"id": "A-8", "before": 1.0, "after": 0.9}]
        html = page(changed(asked, less_sure=less))
        assert "Less sure to be in time, in the simulated weeks:" in html
        assert "<li>A-&lt;7&gt;: 28.8 %, before 99.1 %</li><li>A-8: 90 %, before 100 %</li>" in html
        assert page(changed(asked, less_sure=None)) == page(asked)

    def test_where_there_is_no_date_the_page_says_why_and_who_would_pay(self, asked: AskedQuestion) -> None:
        effect = {**answer_of(asked)["effect"], "pays": [PAYER]}
        html = page(changed(asked, promise=None, gap_seconds=None, why="the search found no plan in which nobody pays", effect=effect))
        assert "There is no date to promise: the search found no plan in which nobody pays." in html
        assert "<li>A-1042: late 2 h 05 min" in html
        assert "class=\"result\"" not in html

    def test_an_order_that_finds_no_place_has_no_figures_of_one(self, asked: AskedQuestion) -> None:
        nothing = dict.fromkeys(("finish", "promise", "gap_seconds", "likely", "slack_seconds", "takes"))
        html = page(changed(asked, **nothing, why="no place"))
        assert "<dt>done in the plan</dt><dd>not at all</dd>" in html
        assert "at the mills</dt>" not in html

    def test_what_whoever_promises_should_know_is_said(self, asked: AskedQuestion) -> None:
        assert "nobody replans" in page(asked)


class TestSweep:
    @pytest.fixture
    def asked(self) -> AskedQuestion:
        """The example of the API description: four more, planned, and a second plate, not yet."""
        return asked_question("what-if-sweep")

    def row(self, asked: AskedQuestion, **effect: Any) -> AskedQuestion:
        """The same with another effect of the first what-if."""
        (one,) = answer_of(asked)["what_ifs"]
        return changed(asked, what_ifs=[{**one, "effect": {**one["effect"], **effect}}])

    def test_each_what_if_has_a_row_in_the_order_of_the_call(self, asked: AskedQuestion) -> None:
        html = page(asked)
        assert html.index(">four more</th>") < html.index(">a second plate</th>")
        assert "not planned yet</td>" in html
        assert "not planned</td>" in page(replace(asked, status="ready"))

    def test_what_it_does_is_told_against_the_plan_before(self, asked: AskedQuestion) -> None:
        html = page(asked)
        assert "<strong>0.8 points</strong>" in html
        assert "A-1042 by 45 min" in html
        assert '<td class="figure">+42 min</td>' in html
        assert "<td class=\"who\">nobody</td>" in html

    def test_who_pays_stands_out_and_many_are_counted(self, asked: AskedQuestion) -> None:
        html = page(self.row(asked, pays=[PAYER | {"id": f"A-{number}"} for number in range(9)]))
        assert '<td class="who pays">A-0: late 2 h 05 min, 1 h 05 min more than before<br>' in html
        assert "A-2: late" in html
        assert "A-3: late" not in html
        assert "and 6 more" in html

    def test_columns_of_what_nothing_has_are_left_out(self, asked: AskedQuestion) -> None:
        assert not any(f">{name}</th>" in page(asked) for name in ("money", "setups", "overtime"))
        some = {"base": 1.0, "plan": 3.0, "change": 2.0}
        html = page(self.row(asked, cost=some, setups=some, overtime_seconds={"base": 0.0, "plan": 3_600.0, "change": 3_600.0}))
        for words in (">money</th>", ">setups</th>", ">overtime</th>", "+2.00</td>", "+2</td>", "+1 h 00 min</td>", 'colspan="11"'):
            assert words in html, words

    def test_scores_that_measure_other_things_are_not_taken_off_each_other(self, asked: AskedQuestion) -> None:
        assert "counted otherwise" in page(self.row(asked, comparable=False))

    def test_one_without_a_plan_says_why(self, asked: AskedQuestion) -> None:
        lost = {"name": "four more", "plan": "p1", "status": "failed", "problem": "out of <coolant>", "effect": None}
        html = page(changed(asked, what_ifs=[lost, {**lost, "name": "a second plate", "status": "deleted", "problem": None}]))
        assert "failed: out of &lt;coolant&gt;</td>" in html
        assert "deleted</td>" in html


class TestLevers:
    @pytest.fixture
    def asked(self) -> AskedQuestion:
        """The example of the API description: a later date saves 52 points, a second plate 5; both are proved to help."""
        return asked_question("levers")

    def first(self, asked: AskedQuestion, **changes: Any) -> AskedQuestion:
        """The same with something else of the first lever."""
        one, *others = answer_of(asked)["levers"]
        return changed(asked, levers=[{**one, **changes}, *others])

    def test_the_best_is_said_and_each_has_its_row_with_what_it_saves(self, asked: AskedQuestion) -> None:
        html = page(asked)
        assert "<strong>Order A-1042 due a day later, Tuesday 2027-03-02 07:00: it saves 52 points</strong>" in html
        rows = ('<td class="figure">52</td>', "a second copy of plate P1", '<td class="figure">5.3</td>')
        assert sorted(rows, key=html.index) == list(rows)
        assert "A-1042 31 min less late" in html
        assert "The same week without a change has 53 points" in html
        assert "proved" in html

    def test_what_does_not_help_says_so_and_nothing_is_praised(self, asked: AskedQuestion) -> None:
        levers = [{**one, "helps": False, "near_best": False, "certain": False, "saved": -3.0} for one in answer_of(asked)["levers"]]
        html = page(changed(asked, levers=levers, best=None))
        assert "None of these changes helps" in html
        assert "no help that can be told from luck" in html
        assert '<td class="figure">−3.0</td>' in html
        assert "class=\"result\"" not in html

    @pytest.mark.parametrize(("near", "said"), [(1, "another one may be as good"), (2, "2 others may be as good")])
    def test_what_may_be_as_good_as_the_first_is_said_to_be(self, asked: AskedQuestion, near: int, said: str) -> None:
        first, second = answer_of(asked)["levers"]
        assert "as good as the first" not in page(asked)
        html = page(changed(asked, levers=[first, *[{**second, "near_best": True}] * near], margin=7.0))
        assert f"it saves 52 points; {said}</strong>" in html
        assert html.count("no plan without it is as good; may be as good as the first") == near
        assert "points are luck, between two changes up to 7.0." in html

    def test_what_is_for_people_to_judge_is_said_as_soon_as_there_is_an_answer(self, asked: AskedQuestion) -> None:
        html = page(changed(asked, caution="somebody alone at a <machine>"))
        assert "somebody alone at a &lt;machine&gt; Nothing is released by asking." in html
        assert "Nothing is released by asking." in page(replace(asked, status="waiting", answer=None))

    def test_hours_and_money_are_told_where_they_are_known(self, asked: AskedQuestion) -> None:
        assert ">money</th>" not in page(asked)
        html = page(self.first(asked, cost=12.5, overtime_cost=80.0, overtime_seconds=7_200, operator_seconds=-600, spindle_seconds=0))
        figures = ("+12.50</td>", "+80.00</td>", "+2 h 00 min</td>", "−10 min</td>", ">0</td>")
        for words in (">money</th>", ">overtime, paid whole</th>", *figures):
            assert words in html, words

    def test_an_order_that_finds_or_loses_its_place_is_said(self, asked: AskedQuestion) -> None:
        gain = {"id": "A-7", "finish": "2027-03-01T07:31:00+00:00", "finish_seconds": None, "late_seconds": None}
        later = gain | {"id": "A-9", "finish_seconds": -1_200, "late_seconds": 0}
        html = page(self.first(asked, better=[gain], worse=[gain | {"id": "A-8", "finish": None}, later]))
        for words in ("A-7 is planned too", "A-8 is no longer planned", "A-9 20 min later"):
            assert words in html

    def test_one_without_a_plan_says_how_it_stands(self, asked: AskedQuestion) -> None:
        none = {"saved": None, "plan": None, "helps": False, "near_best": False, "problem": None}
        open_yet = page(replace(self.first(asked, **none, status=None), status="solving"))
        assert "not planned yet</td>" in open_yet
        assert "failed: out of coolant</td>" in page(self.first(asked, **{**none, "problem": "out of coolant"}, status="failed"))

    def test_before_the_first_plan_what_is_tried_is_listed(self, asked: AskedQuestion) -> None:
        html = page(replace(asked, status="waiting", answer=None))
        assert "a second copy of plate P1 (fixture bracket-vise)</th>" in html
        html = page(replace(asked, asked={"levers": []}, answer={**answer_of(asked), "levers": []}))
        assert ("worth trying" in html, "None of these changes" in html) == (True, False)


def test_words_for_figures() -> None:
    assert [signed_time(one) for one in (None, 0, 59, 3_840, -5_400)] == ["–", "0", "0", "+1 h 04 min", "−1 h 30 min"]
    assert [signed(one, 1) for one in (None, 0.04, -0.04, 1_234.56, -2)] == ["–", "0.0", "0.0", "+1,234.6", "−2.0"]
    shares = {0: "0 %", 0.0004: "less than 0.1 %", 0.5: "50 %", 0.975: "97.5 %", 0.9996: "more than 99.9 %", 1: "100 %"}
    assert {one: share(one) for one in shares} == shares
    assert few(("a", "b", "c", "d")) == ("a", "b", "c", "d")
    assert few(("a", "b", "c", "d", "e")) == ("a", "b", "c", "and 2 more")
    assert when("2027-03-01T06:47:37+00:00") == "Mon 1 Mar 06:47"
    assert [when(f"2027-03-01T23:59:{seconds}+00:00", by=True) for seconds in ("00", "01")] == ["Mon 1 Mar 23:59", "Tue 2 Mar 00:00"]
