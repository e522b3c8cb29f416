"""Which tasks of a plan another plan keeps, moves, leaves out or adds: the one rule, for the score and for differences.

**The same task.** A task of the base and a task of the plan are *alike* when their kind, plate, machine, operator and pieces agree: the
pieces by order and op of the whole run for load, place, cut, pull and unload; order, op and pieces for bench work and first
articles; the fixture for setups and builds. Ids play no part, because runs are numbered anew in each plan. Alike tasks are
*the same* when their starts differ by less than 60 s (of a frozen task, which starts at `now` by rule F18, the ends). Each
task is paired once: of all alike tasks, by start, the earliest with the earliest that is within 60 s, which pairs the most.

**Moved, for the score.** Those tasks of the base count that start at or after the plan's `now`, are not frozen, and belong to a
run of which some order is in the plan (a build counts always). A counted task is moved when no task of the plan is the same.
Tasks that the plan adds do not count.
"""

from __future__ import annotations

from dataclasses import dataclass

from platerota_shared.plan import Plan, Task

SAME_SECONDS = 60
"""Starts that differ by less are the same."""


@dataclass(frozen=True, slots=True)
class Move:
    """A task of the base that the plan does not keep: `now_at` is what became of it, None where it is gone.

    `changed` names what differs: start, plate, machine, operator (empty where it is gone).
    """

    task: Task
    now_at: Task | None
    changed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Matching:
    """Every task of two plans once: done before the plan begins, kept, moved, gone, new; each in the order of start, then id."""

    done: tuple[Task, ...]
    kept: tuple[tuple[Task, Task], ...]
    moved: tuple[Move, ...]
    gone: tuple[Task, ...]
    new: tuple[Task, ...]


def match(base: Plan, plan: Plan) -> Matching:
    """The tasks of two plans side by side."""
    raise NotImplementedError


def moved_tasks(base: Plan, plan: Plan) -> list[Move]:
    """The tasks that the score counts as moved against `base`, the plan being replanned; by start, then id."""
    raise NotImplementedError
