"""F20: the score of a plan in which nothing is placed, and how far a small figure may be off."""

from __future__ import annotations

import pytest

from .audit_drafts import Draft
from .test_audit_corners import found
from .test_audit_edges import rated


def test_a_plan_that_places_no_order_has_no_makespan() -> None:
    draft = rated("nobody", makespan_hour=3_600.0)
    nothing = draft.order("O2", placed=False, start=None, finish=None, late_seconds=None).described()
    assert nothing.plan.score.parts.makespan_hour == 0


@pytest.mark.parametrize(("away", "rules"), [(0.9e-6, []), (1.1e-6, ["F20"]), (-1.1e-6, ["F20"])])
def test_a_gap_may_be_off_by_a_millionth_and_no_more(away: float, rules: list[str]) -> None:
    draft = Draft.of("two_plates")
    assert draft.plan.score.gap == 0.5
    assert [rule for rule, _ in found(draft.score(gap=0.5 + away))] == rules
