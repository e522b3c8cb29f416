"""The score of a schedule under construction, in points (F20)."""

from __future__ import annotations

from platerota_solver.kernel.spans import compiled
from platerota_solver.kernel.state import KEPT_TASKS, RUNS, SETUPS, Choices, Rates, State
from platerota_solver.problem import Arrays


@compiled
def order_points(p: Arrays, s: State, r: Rates, order: int) -> float:
    """What an order adds to the score by when it finishes, as far as its runs stand: more can only come upon it."""
    finish = s.finish[order]
    total = r.finish[order] * finish + r.late[order] * max(0, finish - p.o_due[order])
    if finish > r.harm_from[order]:
        total += r.harm[order] * (finish - r.harm_from[order])
    return total


@compiled
def points_so_far(p: Arrays, s: State, c: Choices, r: Rates) -> float:
    """What the orders add to the score at least, whatever comes."""
    total = 0.0
    for order in range(s.finish.shape[0]):
        total += r.unplaced[order] if c.skip[order] else order_points(p, s, r, order)
    return total


@compiled
def points(p: Arrays, s: State, c: Choices, r: Rates) -> float:
    """The score of the schedule in points, with a tie-break for fewer runs and an earlier last finish."""
    total = 0.0
    last = 0
    for order in range(s.finish.shape[0]):
        if c.skip[order]:
            total += r.unplaced[order]
            continue
        total += order_points(p, s, r, order)
        last = max(last, s.finish[order])
    total += r.shop[0] * s.counts[SETUPS] + r.shop[2] * last + r.shop[3] * (s.counts[RUNS] + last * 1e-6)
    total += r.shop[4] * (p.k_total[0] - s.counts[KEPT_TASKS])
    if r.shop[1] > 0 and p.l_overtime.size:
        total += r.shop[1] * overtime_seconds(p, s, c)
    return total


@compiled
def overtime_seconds(p: Arrays, s: State, c: Choices) -> int:
    """Seconds worked in open overtime: what was opened less what is still free."""
    worked = 0
    for u in range(p.l_overtime.shape[0]):
        number = p.l_overtime[u]
        for k in range(p.list_from[number], p.list_from[number + 1]):
            if c.overtime[k]:
                worked += p.lists[k, 1] - p.lists[k, 0]
        for k in range(s.off[number], s.off[number] + s.count[number]):
            worked -= s.end[k] - s.start[k]
    return worked
