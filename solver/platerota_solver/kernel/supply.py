"""Pieces on their way between two ops: when they are there, and taking those that came first (F14)."""

from __future__ import annotations

from platerota_solver.kernel.spans import NEVER, compiled
from platerota_solver.kernel.state import FULL, State


@compiled
def add_supply(s: State, item: int, t: int, pieces: int) -> None:
    """Pieces that may be loaded for `item` from t on, kept in order of time behind what is taken already."""
    row = s.supply_count[item]
    if row >= s.supply_off[item + 1]:
        s.counts[FULL] = 1
        return
    while row > s.supply_head[item] and s.supply[row - 1, 0] > t:
        s.supply[row, 0] = s.supply[row - 1, 0]
        s.supply[row, 1] = s.supply[row - 1, 1]
        row -= 1
    s.supply[row, 0] = t
    s.supply[row, 1] = pieces
    s.supply_count[item] += 1


@compiled
def supply_by(s: State, item: int, t: int) -> int:
    """Pieces not taken yet that wait for `item` at t."""
    total = 0
    for row in range(s.supply_head[item], s.supply_count[item]):
        if s.supply[row, 0] > t:
            break
        total += s.supply[row, 1]
    return total


@compiled
def supply_time(s: State, item: int, pieces: int) -> int:
    """When the next `pieces` pieces are all there; NEVER where that many are not on their way."""
    for row in range(s.supply_head[item], s.supply_count[item]):
        pieces -= s.supply[row, 1]
        if pieces <= 0:
            return s.supply[row, 0]
    return NEVER


@compiled
def take_supply(s: State, item: int, pieces: int) -> None:
    """Load `pieces` of those that came first."""
    while pieces > 0:
        row = s.supply_head[item]
        used = min(pieces, s.supply[row, 1])
        s.supply[row, 1] -= used
        pieces -= used
        if s.supply[row, 1] == 0:
            s.supply_head[item] += 1


@compiled
def take_latest(s: State, item: int, t: int, pieces: int) -> None:
    """Load `pieces` of those that came last before t, which are there: so that loads may be booked in any order, the early ones too."""
    row = s.supply_count[item] - 1
    while pieces > 0 and row >= s.supply_head[item]:
        if s.supply[row, 0] <= t:
            used = min(pieces, s.supply[row, 1])
            s.supply[row, 1] -= used
            pieces -= used
        row -= 1
