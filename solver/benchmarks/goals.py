"""What each family must reach, and whether its figures do."""

from __future__ import annotations

import operator
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

Figures = dict[str, float]
"""The figures of one measured request, by the keys of :data:`COLUMNS`."""

COLUMNS = {
    "around_ms": "read the request and write the answer, ms",
    "constructive_ms": "constructive plan, ms",
    "describe_ms": "describe the plan, ms",
    "audit_ms": "audit, ms",
    "runs": "runs in the plan",
    "dispatcher_late": "orders late under the due-date dispatcher, share",
    "dispatcher_busy": "operators' working time used under the dispatcher, share",
    "constructive_ratio": "constructive score ÷ dispatcher's",
    "ratio": "score ÷ dispatcher's",
    "late": "orders late, share",
    "gap": "gap to the bound, share",
    "proved": "proved optimal, share",
    "solve_s": "solve, s",
    "memory_mib": "most memory, MiB",
    "findings": "findings of the audit",
}


def worst(values: Sequence[float]) -> float:
    """The largest value."""
    return max(values)


def least(values: Sequence[float]) -> float:
    """The smallest value."""
    return min(values)


@dataclass(frozen=True)
class Goal:
    """A limit on one figure of a family, over all seeds, by `statistic`; `at_least` turns the comparison round."""

    family: str
    figure: str
    statistic: Callable[[Sequence[float]], float]
    limit: float
    at_least: bool = False

    def reached(self, rows: Sequence[Figures]) -> bool:
        """Whether the figures of all seeds reach it."""
        compare = operator.ge if self.at_least else operator.le
        return bool(compare(self.statistic([row[self.figure] for row in rows]), self.limit))

    def words(self) -> str:
        """Such as ``"median ≤ 0.8"``."""
        return f"{self.statistic.__name__} {'≥' if self.at_least else '≤'} {self.limit:g}"


GOALS = (
    *(Goal(family, "findings", worst, 0) for family in ("tiny", "small", "medium", "large", "huge")),
    *(Goal(family, "ratio", worst, 1) for family in ("tiny", "small", "medium", "large", "huge")),
    Goal("tiny", "proved", least, 1, at_least=True),
    Goal("tiny", "solve_s", worst, 10),
    Goal("small", "ratio", median, 0.80),
    Goal("small", "gap", median, 0.10),
    Goal("medium", "constructive_ms", median, 150),
    Goal("medium", "constructive_ms", median, 50),
    Goal("medium", "around_ms", median, 100),
    Goal("medium", "ratio", median, 0.80),
    Goal("medium", "ratio", median, 0.60),
    Goal("medium", "gap", median, 0.30),
    Goal("large", "constructive_ms", median, 1_500),
    Goal("large", "constructive_ms", median, 300),
    Goal("large", "audit_ms", median, 500),
    Goal("large", "audit_ms", median, 300),
    Goal("large", "ratio", median, 0.60),
    Goal("huge", "constructive_ms", median, 3_000),
    Goal("huge", "audit_ms", median, 2_000),
    Goal("huge", "ratio", median, 0.70),
    Goal("huge", "memory_mib", worst, 2_048),
)
"""Where two limits stand on one figure, the first is for now and the second is where we want to be."""


def table(family: str, rows: Sequence[Figures]) -> list[str]:
    """Lines of text: every figure of one family, its median and its worst, and the goals set for it."""
    lines = [f"{'figure':<58} {'median':>9} {'least':>9} {'most':>9}  goals"]
    for figure, words in COLUMNS.items():
        values = [row[figure] for row in rows]
        set_here = [goal for goal in GOALS if (goal.family, goal.figure) == (family, figure)]
        goals = [f"{goal.words()}: {'yes' if goal.reached(rows) else 'NO'}" for goal in set_here]
        lines.append(f"{words:<58} {median(values):>9.4g} {min(values):>9.4g} {max(values):>9.4g}  {'; '.join(goals)}".rstrip())
    return lines
