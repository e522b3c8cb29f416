"""Tasks of two plans by what became of them."""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.differences.answer import TaskChange, TaskDifference, TaskDifferences
from platerota_shared.differences.reasons import Reasons
from platerota_shared.moves import Matching, counted
from platerota_shared.plan import Plan, Task


def task_differences(base: Plan, plan: Plan, matching: Matching, reasons: Reasons) -> TaskDifferences:
    """Every task that is not where it was, and how many are."""
    found = sorted(_apart(matching, reasons), key=lambda row: (row[0], row[1].task or row[1].base_task or ""))
    unsettled = {row.task for _, row in found}
    settled = {task.run for task in plan.tasks if task.run is not None} - {task.run for task in plan.tasks if task.id in unsettled}
    return TaskDifferences(
        kept=len(matching.kept), done=len(matching.done), moved_for_score=len(counted(matching, base, plan)), kept_runs=len(settled),
        runs=len(plan.runs), rows=tuple(row for _, row in found),
    )


def _apart(matching: Matching, reasons: Reasons) -> Iterator[tuple[int, TaskDifference]]:
    """The tasks with the instant to sort them by."""
    for move in matching.moved:
        new = move.now_at
        assert new is not None
        yield new.start, _row("moved", move.task, new, move.changed, reasons.of_old(move.task, new), reasons)
    for task in matching.gone:
        yield task.start, _row("gone", task, None, (), reasons.of_old(task, None), reasons)
    for task in matching.new:
        yield task.start, _row("new", None, task, (), reasons.of_new(task), reasons)


def _row(
    change: TaskChange, old: Task | None, new: Task | None, changed: tuple[str, ...], reason: str, reasons: Reasons,
) -> TaskDifference:
    task = new if new is not None else old
    assert task is not None
    return TaskDifference(
        change=change, kind=task.kind, base_task=old.id if old is not None else None, task=new.id if new is not None else None,
        changed=changed, base_start=old.start if old is not None else None, start=new.start if new is not None else None,
        seconds=new.start - old.start if new is not None and old is not None else None, orders=reasons.orders(task, in_base=new is None),
        plate=task.plate, machine=task.machine, operator=task.operator, reason=reason,
    )
