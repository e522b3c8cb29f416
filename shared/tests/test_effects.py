"""What a variation does to a week in few figures: who pays for it, and how much, worked out by hand."""

from __future__ import annotations

import pytest

from platerota_shared.effects import Effect, effect

from .audit_drafts import Draft
from .test_differences import later


def done_to(base: Draft, other: Draft) -> Effect:
    return effect(base.request, base.plan, other.request, other.plan)


def test_orders_that_get_later_beyond_their_due_dates_pay_and_the_worst_comes_first() -> None:
    # O1 finishes at 3330 of 7200 s, O2 at 5140 of 10800 s; 6000 s later O1 is 2130 s late, O2 340 s with weight 10.
    base = Draft.of("setups").asked("O2", weight=10.0)
    found = done_to(base, later(base, 6000))
    assert [(row.id, row.late_seconds, row.later_seconds, row.pain) for row in found.pays] == [
        ("O2", 340, 340, 10 * 340 / 3600), ("O1", 2130, 2130, 2130 / 3600),
    ]
    assert (found.pain, found.lost) == (10 * 340 / 3600 + 2130 / 3600, 0)
    more = done_to(later(base, 6000), later(base, 7000))
    assert [(row.id, row.late_seconds, row.later_seconds) for row in more.pays] == [("O2", 1340, 1000), ("O1", 3130, 1000)]


def test_an_order_that_is_later_and_still_on_time_pays_nothing() -> None:
    base = Draft.of("setups")
    found = done_to(base, later(base, 600))
    assert (found.pays, found.pain, [row.id for row in found.worse]) == ((), 0.0, ["O1", "O2"])
    assert done_to(later(base, 6000), base).pays == ()


def test_an_order_that_loses_its_place_pays_before_any_that_is_late_and_has_no_pain_in_hours() -> None:
    base = Draft.of("setups")
    lost = later(base, 6000).order("O2", placed=False, start=None, finish=None, late_seconds=None, why="no operator is on shift")
    found = done_to(base, lost)
    assert [(row.id, row.late_seconds, row.pain) for row in found.pays] == [("O2", None, None), ("O1", 2130, 2130 / 3600)]
    assert (found.lost, found.pain) == (1, 2130 / 3600)


def test_an_order_that_had_no_place_before_does_not_pay_for_being_late_now() -> None:
    plan = later(Draft.of("setups"), 6000)
    without = plan.order("O2", placed=False, start=None, finish=None, late_seconds=None, why="no operator is on shift")
    assert done_to(without, plan).pays == ()
    assert [row.id for row in done_to(without, plan).better] == ["O2"]


def test_points_for_tasks_that_a_replan_moved_are_not_saved_by_whatever_varies_it() -> None:
    """A replan counts moves against the plan before it, a variation of that replan none."""
    base = Draft.of("setups").part("moved_task")
    found = done_to(base, Draft.of("setups"))
    assert found.comparable
    assert found.score.change == pytest.approx(0)
    assert found.score.base == pytest.approx(Draft.of("setups").plan.score.total)
