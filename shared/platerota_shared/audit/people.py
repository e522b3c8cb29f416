"""F11, F12: skills, working time, one task at a time, and work that pauses."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from platerota_shared.audit.book import Book, clashes, stretches
from platerota_shared.audit.finding import Finding
from platerota_shared.audit.hours import Hours
from platerota_shared.audit.spans import overlapped, within
from platerota_shared.audit.trip import spans_of
from platerota_shared.fields import Skill
from platerota_shared.plan import Kind, Task

SKILLS: dict[Kind, Skill] = {
    "load": "load", "unload": "unload", "place": "exchange", "pull": "exchange", "setup": "setup",
    "first_article": "first_article", "bench": "bench", "build": "build",
}
"""The skill each kind of task takes; a cut takes nobody."""


def faults(book: Book) -> Iterator[Finding]:
    """People who lack the skill, are away, or would do two things at once; pauses that are none."""
    for name, operator in book.operators.items():
        hours = book.hours[name]
        tasks = book.by_operator.get(name, [])
        for task in tasks:
            skill = SKILLS.get(task.kind)
            if skill is not None and not operator.can(skill):
                yield Finding("F11", (task.id,), f"operator {name} has no skill for {skill}")
            if not all(within(hours.working, start, end) for start, end in spans_of(task)):
                yield Finding("F11", (task.id,), f"{task.id} lies outside the working time of operator {name}")
            if task.overtime != hours.is_overtime(task):
                yield Finding("F20", (task.id,), f"{task.id} is {'' if task.overtime else 'not '}marked as overtime, wrongly")
            if task.spans is not None:
                yield from _pauses(task, hours)
        yield from _one_at_a_time(name, tasks)
    for task in book.plan.tasks:
        if task.spans is not None and task.kind not in ("build", "bench"):
            yield Finding("F12", (task.id,), f"{task.id} pauses, but only builds and bench work may")
        if task.operator is None and task.overtime:
            yield Finding("F20", (task.id,), f"{task.id} is marked as overtime, but nobody works on it")


def _one_at_a_time(name: str, tasks: list[Task]) -> Iterator[Finding]:
    for before, after in clashes(stretches(tasks)):
        yield Finding("F11", (before.id, after.id), f"operator {name} would do {before.id} and {after.id} at the same time")


def _pauses(task: Task, hours: Hours) -> Iterator[Finding]:
    """A pause lasts while the operator's working time does; an overtime shift may be left out, but not in part."""
    spans = spans_of(task)
    if len(spans) < 2 or (spans[0][0], spans[-1][1]) != (task.start, task.end) or any(b[0] <= a[1] for a, b in pairwise(spans)):
        yield Finding("F12", (task.id,), f"the spans of {task.id} are not a broken stretch from its start to its end")
        return
    for before, after in pairwise(spans):
        pause = (before[1], after[0])
        if overlapped(hours.regular, *pause):
            yield Finding("F12", (task.id,), f"{task.id} pauses while its operator works")
        for shift in hours.extra:
            left_out = any(overlapped([pause], *span) for span in shift)
            if left_out and any(overlapped(spans, *span) for span in shift):
                yield Finding("F12", (task.id,), f"{task.id} leaves out a part of an overtime shift")
