"""What must be reached, and whether the figures do."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import mean, median

from benchmarks.jobs import Row

Figures = dict[str, float]
"""Figures of one measured request, by the keys of :data:`COLUMNS`."""

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
    "against_monolith": "score ÷ monolith's",
    "against_pyjobshop": "score ÷ PyJobShop's",
    "against_best": "score ÷ best known",
    "late": "orders late, share",
    "gap": "gap to the bound, share",
    "proved": "proved optimal, share",
    "proved_s": "seconds to the proof",
    "anytime": "improvement shown in the first third, share",
    "solve_s": "solve, s",
    "risks_s": "risk in 2,000 simulated weeks, s of processor",
    "spread": "spread between solver seeds, share",
    "growth": "constructive time per run ÷ medium's",
    "memory_mib": "most memory, MiB",
    "rush_s": "rush order, both ends, s",
    "rush_against_full": "rush order's best score ÷ a full solve's",
    "rush_harmless": "rush orders that harm nobody, share",
    "rush_soonest_h": "rush order, hours to the finish at any price",
    "rush_full_h": "rush order, hours to its finish in the full solve",
    "what_if_first_s": "what-if, first audited answer, s",
    "what_if_s": "what-if, last audited answer, s",
    "replan_s": "replan, last audited answer, s",
    "replan_moved": "tasks moved that the broken mill leaves alone, share",
    "replan_calm_moved": "the same where a moved task costs 10 points, share",
    "replan_calm_late_h": "hours of lateness, times weight, that this costs",
    "base_score": "points of the plan that is asked about",
    "levers": "levers tried",
    "levers_s": "the lever that helps most, every round, s",
    "same_winner": "weeks in which the long run of every lever finds the same one, share",
    "same_of_best": "the same by the best that is known of each lever, share",
    "known_regret": "points lost against that best, of the control's, share",
    "winner_named": "weeks in which that one is the first or said to be as good, share",
    "named": "levers that are the first or said to be as good",
    "winner_regret": "points lost by the lever that was found, of the control's, share",
    "lever_noise": "points that a lever must save to count, of the control's, share",
    "winner_saves": "points saved by the lever that was found, of the control's, share",
    "findings": "findings of the audit",
    "beaten": "bounds that a known plan beats",
}
SAME = 1e-6
"""Points within which two scores are the same."""
FLAT = 1.5
"""Cost per run counts as flat up to so many times that of a medium week."""


def worst(values: Sequence[float]) -> float:
    """The largest value."""
    return max(values)


def least(values: Sequence[float]) -> float:
    """The smallest value."""
    return min(values)


@dataclass(frozen=True)
class Goal:
    """A limit on one figure over all seeds of a family, by `statistic`; `at_least` turns the comparison round.

    `family` is a family, or instances joined by ``+``.
    """

    part: str
    family: str
    figure: str
    statistic: Callable[[Sequence[float]], float]
    limit: float
    at_least: bool = False

    def value(self, figures: Sequence[Figures]) -> float:
        """The statistic over the seeds."""
        return self.statistic([figures_of_seed[self.figure] for figures_of_seed in figures])

    def reached(self, figures: Sequence[Figures]) -> bool:
        """Whether the figures of all seeds reach it."""
        value = self.value(figures)
        return value >= self.limit if self.at_least else value <= self.limit

    def words(self) -> str:
        """Such as ``"median ≤ 0.8"``."""
        return f"{self.statistic.__name__} {'≥' if self.at_least else '≤'} {self.limit:g}"

    def verdict(self, figures: Sequence[Figures]) -> str:
        """Met, or by how much it was missed."""
        value = self.value(figures)
        if self.reached(figures):
            return "met"
        if not math.isfinite(value):
            return "MISSED, not in the time"
        share = f" ({abs(value / self.limit - 1):.0%})" if self.limit else ""
        return f"MISSED by {abs(value - self.limit):.3g}{share}"


SIZES = ("tiny", "small", "medium", "large", "huge")
GOALS = (
    *(Goal("solve", family, "findings", worst, 0) for family in SIZES),
    *(Goal("solve", family, "beaten", worst, 0) for family in SIZES),
    *(Goal("solve", family, "ratio", worst, 1) for family in SIZES),
    Goal("solve", "medium", "constructive_ms", median, 50),
    Goal("solve", "large", "constructive_ms", median, 300),
    Goal("solve", "huge", "constructive_ms", median, 3_000),
    Goal("scale", "large", "growth", worst, FLAT),
    Goal("scale", "huge", "growth", worst, FLAT),
    Goal("solve", "tiny", "proved_s", worst, 10),
    Goal("solve", "small", "against_best", median, 1.02),
    Goal("solve", "small", "gap", median, 0.10),
    Goal("solve", "medium", "ratio", median, 0.60),
    Goal("solve", "medium", "against_monolith", median, 0.95),
    Goal("solve", "medium", "against_best", median, 1.05),
    Goal("solve", "medium", "gap", median, 0.30),
    Goal("solve", "large", "ratio", median, 0.60),
    Goal("solve", "large", "against_monolith", worst, 0.999),
    Goal("solve", "large", "against_best", median, 1.10),
    Goal("solve", "huge", "ratio", median, 0.70),
    Goal("solve", "huge", "memory_mib", worst, 2_048),
    *(Goal("solve", family, "anytime", median, 0.90, at_least=True) for family in SIZES[1:]),
    Goal("seeds", "medium", "spread", median, 0.03),
    Goal("published", "ft06+la16+la17+la18+la19+la20", "proved_s", worst, 10),
    Goal("published", "ft10", "proved_s", worst, 60),
    Goal("published", "ft20+la01+la02+la03+la04+la05+abz5+abz6+orb01+ta01", "proved_s", worst, 60),
    Goal("published", "ft06x2+la16x2", "proved_s", worst, 60),
    Goal("solve", "large", "audit_ms", median, 300),
    Goal("solve", "huge", "audit_ms", median, 2_000),
    Goal("solve", "medium", "around_ms", median, 100),
    Goal("decisions", "medium", "findings", worst, 0),
    Goal("decisions", "medium", "rush_s", median, 5),
    Goal("decisions", "medium", "rush_against_full", median, 1.02),
    Goal("decisions", "medium", "what_if_first_s", median, 1),
    Goal("decisions", "medium", "what_if_s", median, 5),
    Goal("decisions", "medium", "replan_moved", median, 0.10),
    Goal("decisions", "medium", "replan_calm_moved", median, 0.10),
    Goal("decisions", "medium", "risks_s", median, 3),
    Goal("levers", "medium", "findings", worst, 0),
    Goal("levers", "medium", "levers_s", worst, 60),
    Goal("levers", "medium", "same_winner", mean, 0.9, at_least=True),
)


@dataclass(frozen=True)
class Line:
    """One goal against the figures of one feature set; `figures` holds those of the seeds that have the figure."""

    goal: Goal
    features: str
    figures: tuple[Figures, ...]


def lines(rows: Iterable[Row]) -> list[Line]:
    """Every goal with what was measured for it; one without figures too, so that what was not measured is seen."""
    known = list(rows)
    found: list[Line] = []
    for goal in GOALS:
        own = [row for row in known if row["part"] == goal.part and row["family"] in goal.family.split("+")]
        for features in dict.fromkeys(row["features"] for row in own):
            figures = [row["figures"] for row in own if row["features"] == features and goal.figure in row["figures"]]
            found.append(Line(goal, features, tuple(figures)))
        if not own:
            found.append(Line(goal, "", ()))
    return found


def derived(rows: Sequence[Row], best_known: Callable[[Row], float | None]) -> list[Row]:
    """The rows with what only several of them together say: ratios to references and best known, spread, growth.

    Parameters
    ----------
    best_known
        The stored best score for the request of a row; None where there is none. What these rows reached counts as known too.
    """
    scores: dict[tuple[str, str, int], dict[str, list[float]]] = {}
    for row in rows:
        if "score" in row["figures"] and not row["figures"].get("findings") and row["part"] != "published":
            scores.setdefault(_request(row), {}).setdefault(row["part"], []).append(row["figures"]["score"])
    found = [row | {"figures": row["figures"] | _more(row, scores.get(_request(row), {}), best_known)} for row in rows]
    return [*_with_growth(found), *_spreads(rows)]


def _request(row: Row) -> tuple[str, str, int]:
    return row["family"], row["features"], row["seed"]


def _more(row: Row, scores: dict[str, list[float]], best_known: Callable[[Row], float | None]) -> Figures:
    figures: Figures = row["figures"]
    more: Figures = {}
    if "proved" in figures:
        more["proved_s"] = figures["solve_s"] if figures["proved"] else math.inf
    if row["part"] != "solve":
        return more
    for part in ("monolith", "pyjobshop"):
        if part in scores:
            more[f"against_{part}"] = _over(figures["score"], min(scores[part]))
    stored = best_known(row)
    if stored is not None or len(scores) > 1:
        known = [score for own in scores.values() for score in own]
        best = min(known if stored is None else [*known, stored])
        more["against_best"] = _over(figures["score"], best)
        more["beaten"] = float(best < row["how"]["bound"] - SAME)
    return more


def _over(score: float, other: float) -> float:
    """Score ÷ other, 1 where both are 0."""
    if other:
        return score / other
    return math.inf if score else 1.0


def _spreads(rows: Sequence[Row]) -> list[Row]:
    """For each request that several solver seeds solved: (most − least) ÷ least."""
    by_request: dict[tuple[str, str, int], list[Row]] = {}
    for row in rows:
        if row["part"] == "seeds":
            by_request.setdefault(_request(row), []).append(row)
    return [
        own[0] | {"solver_seed": None, "figures": {"spread": max(totals) / min(totals) - 1 if min(totals) else 0.0}}
        for own in by_request.values() if len(totals := [row["figures"]["score"] for row in own]) > 1
    ]


def _with_growth(rows: list[Row]) -> list[Row]:
    """Milliseconds per run of the constructive plan, against a medium week's of the same bench."""
    costs = {
        row["family"]: row["figures"]["constructive_ms"] / row["figures"]["runs"] for row in rows if row["part"] == "scale"
    }
    if "medium" not in costs:
        return rows
    return [
        row | {"figures": row["figures"] | {"growth": costs[row["family"]] / costs["medium"]}} if row["part"] == "scale" else row
        for row in rows
    ]
