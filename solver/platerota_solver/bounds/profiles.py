"""How late the work of an order can lie when it finishes at a given instant: the least that is done by each instant before.

An order that finishes at F still has its last plates in hand just before F, but no more than its plates can carry in what is
left. On one plate runs follow each other, each with hand work beside its time on the mill, so in the last s seconds

    mill seconds ≤ min(s − unload, longest + (s − unload − longest) ÷ (1 + idle))
    hand seconds ≤ min(s, longest hand + (s − longest hand) ÷ (1 + busy))

(the run under way when the s seconds begin may have its load, or its cut, behind it: that is the first term). Seconds are
those in which anything can happen: working time, and of every gap as much as one cut can last.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from platerota_shared.calendars import merge, subtract
from platerota_solver.bounds.calendar import Calendar, Floats, calendar, hands, has_overtime, spans_of, with_gaps
from platerota_solver.bounds.stages import Stage, order_stages
from platerota_solver.problem import Problem


@dataclass(frozen=True)
class Profile:
    """A stage with its calendar, and how much before the order's finish it is through at the latest.

    Attributes
    ----------
    lag
        Seconds from the stage's last unload to the order's finish, at least.
    """

    stage: Stage
    lag: float
    calendar: Calendar

    def done(self, kind: str, finish: Floats, by: Floats) -> Floats:
        """The least work of `kind` (hand or mill) done by the instants `by` (columns) when the order finishes at `finish` (rows)."""
        stage = self.stage
        end = np.maximum(finish - self.lag, 0.0)
        left = np.maximum(0.0, self.calendar.seconds(end)[:, None] - self.calendar.seconds(by)[None, :])
        plates = len(stage.plates)
        if kind == "hand":
            last = np.minimum(left, stage.longest_hand + np.maximum(0.0, left - stage.longest_hand) / (1 + stage.busy))
            return np.asarray(np.maximum(0.0, stage.hand - plates * last))
        rest = np.maximum(0.0, left - stage.unload)
        last = np.minimum(rest, stage.longest + np.maximum(0.0, rest - stage.longest) / (1 + stage.idle))
        return np.asarray(np.maximum(0.0, stage.mill - np.minimum(plates * last, len(stage.machines) * rest) / stage.fast))

@dataclass(frozen=True)
class Shop:
    """Profiles by order, earliest finishes alone in the empty shop, and the calendars of machines, people and plates."""

    profiles: list[list[Profile]]
    earliest: Floats
    mills: list[Calendar]
    people: Calendar
    working: Calendar
    horizon: float


def bounding_shop(problem: Problem) -> Shop:
    """Stages, calendars and what each order can reach alone."""
    p = problem.arrays
    horizon = int(p.horizon[0])
    stages = order_stages(problem)
    worked = hands(p)
    night = has_overtime(p)
    profiles: list[list[Profile]] = []
    for own in stages:
        lags = _lags(own)
        profiles.append([
            Profile(stage, lag, calendar(with_gaps(worked, int(stage.longest) + 1, horizon, [(0, horizon)]), horizon))
            for stage, lag in zip(own, lags, strict=True)
        ])
    longest = [max((s.longest for own in stages for s in own if m in s.machines), default=0.0) for m in range(len(p.m_place))]
    mills: list[Calendar] = []
    for m in range(len(p.m_place)):
        spindle = spans_of(p, int(p.l_spindle[m]))
        cuts = spindle if night else spans_of(p, int(p.l_cut[m]))
        places = int(p.m_places[m]) + int((p.p_stays == m).sum())
        opened = subtract(worked, subtract([(0, horizon)], spindle))
        mills.append(calendar(with_gaps(opened, places * (int(longest[m]) + 1), horizon, subtract(cuts, worked)), horizon))
    people = [
        calendar(merge(sorted(spans_of(p, int(a)) + spans_of(p, int(b)))), horizon) for a, b in zip(p.l_operator, p.l_overtime, strict=True)
    ]
    working = calendar(worked, horizon)
    earliest = np.array([_alone(problem, o, own) for o, own in enumerate(profiles)])
    return Shop(profiles, earliest, mills, _sum(people, horizon), working, float(horizon))


def _sum(calendars: list[Calendar], horizon: int) -> Calendar:
    at = np.unique(np.concatenate([[0.0, float(horizon)], *(c.at for c in calendars)]))
    total = np.zeros(len(at))
    for c in calendars:
        total += c.seconds(at)
    return Calendar(at, total)


def _lags(stages: list[Stage]) -> list[float]:
    """For each stage the seconds from its last unload to the order's finish: the stages after it each still need a run."""
    lags, lag = [0.0] * len(stages), 0.0
    for k in reversed(range(len(stages))):
        follows = k + 1 < len(stages) and max(stages[k].items) < min(stages[k + 1].items)
        lag = stages[k].after + (lag + stages[k + 1].shortest if follows else 0.0)
        lags[k] = lag
    return lags


def _alone(problem: Problem, order: int, profiles: list[Profile]) -> float:
    """The earliest finish of an order alone in the empty shop: its plates go round from the release on, one stage's first pieces
    before the next stage begins, and every stage before the last ends a run earlier.
    """
    p = problem.arrays
    begin = float(p.o_release[order])
    finish = 0.0
    for k, own in enumerate(profiles):
        stage = own.stage
        first = own.calendar.until(begin, stage.trip / len(stage.plates)) + own.lag
        milling = stage.mill * stage.fast / min(len(stage.plates), len(stage.machines))
        cut = own.calendar.until(begin, milling + stage.unload) + own.lag
        finish = max(finish, float(first), float(cut), float(own.calendar.until(begin, stage.shortest)) + own.lag)
        ready = p.i_ready[list(stage.items)] > 0
        follows = k + 1 < len(profiles) and not len(p.floor_runs) and max(stage.items) < min(profiles[k + 1].stage.items)
        if follows and not (p.i_ready[list(profiles[k + 1].stage.items)] > 0).any() and not ready[1:].any():
            begin = float(own.calendar.until(begin, stage.shortest)) + stage.after
    return finish
