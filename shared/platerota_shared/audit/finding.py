"""What the audit says about a plan."""

from __future__ import annotations

from dataclasses import dataclass

CONTRACT = "contract"
"""The rule named where the document itself is at fault: ids, references, fields, names."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault of a plan.

    `rule` is the rule of the floor that is broken (``"F1"`` to ``"F20"``, or :data:`CONTRACT`), `tasks` the ids of the
    tasks concerned, `detail` a sentence a planner understands.
    """

    rule: str
    tasks: tuple[str, ...]
    detail: str
