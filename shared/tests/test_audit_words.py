"""What the audit says of a document that contradicts itself: which row, which field, and in which way."""

from __future__ import annotations

import pytest

from platerota_shared.audit import audit
from platerota_shared.instants import local_text

from .audit_drafts import Draft
from .audit_plans import NOW, ZONE
from .test_audit_corners import found, whole


def said(draft: Draft) -> list[tuple[tuple[str, ...], str]]:
    """Tasks and words of what is wrong with the document."""
    return [(one.tasks, one.detail) for one in audit(draft.request, draft.plan) if one.rule == "contract"]


def test_an_id_that_is_used_twice_names_the_task_and_of_a_run_no_task() -> None:
    draft = Draft.of("night")
    twice = draft.add(draft.task("R1.load"))
    assert (("R1.load",), "task id R1.load is used 2 times") in said(twice)
    runs = draft.with_plan(runs=(*draft.plan.runs, draft.plan.runs[0].model_copy(update={"plate": "P2"})))
    assert ((), "run id R1 is used 2 times") in said(runs)


@pytest.mark.parametrize(("name", "field", "value", "words"), [
    ("R1.load", "operator", None, "R1.load lacks 'operator', which a load needs"),
    ("R1.cut", "operator", "Ann", "R1.cut sets 'operator', which a cut leaves null"),
])
def test_a_field_that_is_missing_or_too_many_is_told_apart(name: str, field: str, value: str | None, words: str) -> None:
    assert ((name,), words) in said(Draft.of("night").put(name, **{field: value}))


def test_a_stretch_of_work_of_no_length_is_none() -> None:
    draft = Draft.of("pauses")
    first, *rest = draft.task("R1.bench.10").spans or ()
    empty = first.model_copy(update={"end": first.start})
    assert (("R1.bench.10",), "R1.bench.10 ends before it starts") in said(draft.put("R1.bench.10", spans=(empty, *rest)))


def test_a_run_without_a_machine_names_none_that_the_shop_does_not_have() -> None:
    """Only a plate that came pulled from the floor needs none; a plate that does not exist is another matter."""
    draft = Draft.of("night").run("R1", machine=None)
    assert any(words == "run R1 needs a machine" for _, words in said(draft))
    assert not any("names machine" in words for _, words in said(draft))
    assert any("names plate P9" in words for _, words in said(draft.run("R1", plate="P9")))
    assert any("names machine M9" in words for _, words in said(draft.run("R1", machine="M9")))
    pulled = Draft.of("under_way").run("R3", machine="M1")
    assert any(words == "run R3 came pulled from the floor and has no machine" for _, words in said(pulled))


def test_a_load_window_that_is_not_that_of_the_tasks_is_told_in_local_time() -> None:
    draft = Draft.of("night")
    wanted = next(row.latest_end for row in draft.plan.load_windows)
    words = f"latest_end of the load window of run R1 is {local_text(wanted, ZONE)}, the plan says {local_text(wanted + 60, ZONE)}"
    assert ("F20", words) in found(draft.window("R1", latest_end=60))


def test_a_load_in_the_mill_may_wait_no_longer_than_until_the_mill_is_closed() -> None:
    """R2 is loaded at 2580 and cut at 2700; with the cut an hour later the mill's closure from 3000 to 4000 ends the window."""
    draft = Draft.of("staying")
    for name, later in (("R2.cut", 6_300), ("R2.unload", 8_700)):
        draft = draft.put(name, start=later)
    closed = whole(draft.closed(3_000, 4_000, machine="M1"))
    assert found(closed) == []
    assert next(row.latest_end for row in closed.plan.load_windows if row.run == "R2") == NOW + 3_000
