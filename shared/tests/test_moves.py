"""The rule of moved tasks: what is the same, what moved, what is gone, and what of it the score counts."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platerota_shared.audit import audit
from platerota_shared.audit.book import Book
from platerota_shared.audit.score import parts
from platerota_shared.moves import Matching, match, moved_tasks
from platerota_shared.plan import Plan

from .audit_drafts import Draft
from .audit_plans import NOW
from .audit_weeks import WEEKS


def renamed(plan: Plan) -> Plan:
    """The same plan with its runs numbered from the other end."""
    names = {run.id: f"X{len(plan.runs) - place}" for place, run in enumerate(plan.runs)}
    tasks = tuple(
        task.model_copy(update={"run": names[task.run], "id": names[task.run] + task.id[task.id.index("."):]} if task.run else {})
        for task in plan.tasks
    )
    runs = tuple(run.model_copy(update={"id": names[run.id]}) for run in reversed(plan.runs))
    return plan.model_copy(update={"runs": runs, "tasks": tasks})


def names(found: Matching) -> dict[str, Any]:
    return {
        "moved": [(move.task.id, move.changed) for move in found.moved], "gone": [task.id for task in found.gone],
        "new": [task.id for task in found.new],
    }


@pytest.mark.parametrize("week", WEEKS)
def test_a_plan_moves_nothing_against_itself_however_its_runs_are_called(week: str) -> None:
    plan = Draft.of(week).plan
    found = match(plan, renamed(plan))
    assert names(found) == {"moved": [], "gone": [], "new": []}
    assert len(found.kept) == len(plan.tasks)
    assert moved_tasks(plan, renamed(plan)) == []


@given(st.sampled_from(sorted(WEEKS)), st.data())
def test_every_task_of_both_plans_is_told_of_once(week: str, data: st.DataObject) -> None:
    base = Draft.of(week).plan
    moves = data.draw(st.lists(st.integers(-200, 200), min_size=len(base.tasks), max_size=len(base.tasks)))
    tasks = tuple(
        task.model_copy(update={"start": task.start + by, "end": task.end + by}) for task, by in zip(base.tasks, moves, strict=True)
    )
    plan = base.model_copy(update={"tasks": tuple(task for task, by in zip(tasks, moves, strict=True) if by % 7)})
    found = match(base, plan)
    assert sorted(task.id for task in base.tasks) == sorted(
        [*(task.id for task in found.done), *(old.id for old, _ in found.kept), *(move.task.id for move in found.moved),
         *(task.id for task in found.gone)])
    assert sorted(task.id for task in plan.tasks) == sorted(
        [*(new.id for _, new in found.kept), *(move.now_at.id for move in found.moved if move.now_at), *(task.id for task in found.new)])


@pytest.mark.parametrize(("seconds", "moved"), [(59, False), (60, True), (-59, False), (-60, True)])
def test_a_task_that_starts_less_than_60_seconds_apart_is_the_same(seconds: int, moved: bool) -> None:
    draft = Draft.of("two_plates")
    bent = draft.put("R2.load", start=130 + seconds)
    assert names(match(draft.plan, bent.plan))["moved"] == ([("R2.load", ("start",))] if moved else [])


def test_another_operator_is_a_move() -> None:
    draft = Draft.of("two_plates")
    assert names(match(draft.plan, draft.put("R2.load", operator="Bob").plan))["moved"] == [("R2.load", ("operator",))]


def test_a_run_on_another_plate_moves_its_chain_and_keeps_its_times() -> None:
    draft = Draft.of("night")
    tasks = tuple(task.model_copy(update={"plate": "P2"} if task.plate else {}) for task in draft.plan.tasks)
    bent = draft.run("R1", plate="P2").with_plan(tasks=tasks)
    found = match(draft.plan, bent.plan)
    assert names(found) == {
        "moved": [(f"R1.{kind}", ("plate",)) for kind in ("load", "place", "cut", "pull", "unload")], "gone": [], "new": [],
    }


def test_a_run_with_other_pieces_is_gone_and_new() -> None:
    draft = Draft.of("night")
    found = match(draft.plan, draft.pieces("R1", pieces=3).plan)
    assert (len(found.gone), len(found.new), found.moved, found.kept) == (5, 5, (), ())


def test_one_run_less_of_many_alike_leaves_the_others_where_they_are() -> None:
    draft = Draft.of("pool")
    first = ("R1.load", "R1.place", "R1.cut", "R1.pull", "R1.unload")
    plan = draft.drop(*first).with_plan(runs=draft.plan.runs[1:]).plan
    assert names(match(draft.plan, plan)) == {"moved": [], "gone": list(first), "new": []}


def test_what_the_base_has_done_by_the_new_now_does_not_count() -> None:
    draft = Draft.of("two_plates")
    later = draft.plan.model_copy(update={"now": NOW + 2560, "tasks": (), "runs": ()})
    found = match(draft.plan, later)
    assert {task.id for task in found.done} == {"R1.load", "R1.place", "R1.cut", "R1.pull", "R2.load", "R2.place"}
    counted = {move.task.id for move in moved_tasks(draft.plan, later)}
    assert counted == {task.id for task in draft.plan.tasks if task.start >= NOW + 2560}
    assert "R2.cut" not in counted


def test_a_running_cut_is_the_same_where_it_ends_when_it_should() -> None:
    draft = Draft.of("two_plates")
    cut = draft.task("R2.cut").model_copy(update={"start": NOW + 3000, "frozen": True})
    left = tuple(task for task in draft.plan.tasks if task.start >= NOW + 3000)
    for late, changed in ((0, None), (59, None), (60, ("end",))):
        running = cut.model_copy(update={"end": cut.end + late})
        later = draft.plan.model_copy(update={"now": NOW + 3000, "tasks": (running, *left)})
        found = match(draft.plan, later)
        assert [move.changed for move in found.moved] == ([changed] if changed else [])
        assert moved_tasks(draft.plan, later) == []


def test_tasks_of_orders_that_left_do_not_count() -> None:
    draft = Draft.of("setups")
    kept = draft.with_plan(orders=draft.plan.orders[:1], runs=draft.plan.runs[:1],
                           tasks=tuple(task for task in draft.plan.tasks if task.run == "R1")).plan
    assert len(match(draft.plan, kept).gone) == 6
    assert moved_tasks(draft.plan, kept) == []


def test_the_audit_counts_moved_tasks_against_the_plan_being_replanned() -> None:
    draft = Draft.of("two_plates")
    base = draft.put("R3.load", start=2700).put("R2.unload", start=5100).plan
    assert parts(Book(draft.request, draft.plan, base)).moved_task == 2 * draft.request.settings.score.moved_task
    found = audit(draft.request, draft.plan, base)
    assert {finding.rule for finding in found} == {"F20"}
    assert any("moved_task is 4 points" in finding.detail for finding in found)
    assert audit(draft.request, draft.plan, draft.plan) == []
