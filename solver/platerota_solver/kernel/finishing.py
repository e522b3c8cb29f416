"""What follows an unload: first article, bench work, and the pieces' arrival at the next op."""

from __future__ import annotations

from platerota_solver.kernel.booking import take
from platerota_solver.kernel.fitting import find_worker
from platerota_solver.kernel.pausing import find_pausing, take_pausing
from platerota_solver.kernel.spans import NEVER, compiled
from platerota_solver.kernel.state import (
    BENCH_AT,
    BENCH_BY,
    BENCH_END,
    CARRIER,
    FIRST_AT,
    FIRST_BY,
    FIRST_END,
    ITEM,
    PIECES,
    PIECES_RUN,
    ROWS,
    UNLOAD_END,
    WAITING_FROM,
    WAITS,
    State,
)
from platerota_solver.kernel.supply import add_supply, take_supply
from platerota_solver.problem import BENCH, FIRST_ARTICLE, Arrays


@compiled
def claim_pieces(p: Arrays, s: State, item: int, pieces: int) -> None:
    """The pieces of a new run are no longer there for others (F13, F14)."""
    s.left[item] -= pieces
    if p.i_ready[item] >= 0:
        take_supply(s, item, pieces)


@compiled
def finish_pieces(p: Arrays, s: State, row: int, unloaded: int, floor: int) -> bool:
    """First article and bench work after an unload, and the pieces' arrival at the next op (F14, F15, F19)."""
    item = s.pieces[row, ITEM]
    order, step = p.i_order[item], p.i_step[item]
    done = unloaded
    if p.i_first[item] and s.begun[item] == 0:
        length = p.s_first[step]
        by, at = find_worker(s, FIRST_ARTICLE, unloaded, length, -1, -1, -1, -1, 0, 0)
        if at == NEVER:
            return False
        s.pieces[row, FIRST_BY], s.pieces[row, FIRST_AT], s.pieces[row, FIRST_END] = by, at, at + length
        take(s, by, at, at + length)
        s.cut_from[item] = at + length
        done = at + length
    s.begun[item] = 1
    s.finish[order] = max(s.finish[order], done)
    fixture = p.c_fixture[s.runs[s.pieces[row, PIECES_RUN], CARRIER]]
    if p.s_bench[step] > 0 and not floor and not feeds_itself(p, fixture, item):
        s.pieces[row, BENCH_BY] = WAITS
        return True
    return finish_bench(p, s, row, unloaded)


@compiled
def feeds_itself(p: Arrays, fixture: int, item: int) -> bool:
    """Whether the next op of an item has nests on the very fixture its pieces come from: then nothing after their cut can wait."""
    after = p.i_next[item]
    return after >= 0 and p.nests[fixture, p.i_step[after]] > 0


@compiled
def finish_waiting(p: Arrays, s: State) -> bool:
    """Book the bench work that waited until the runs of its order stood: loads keep the mills going, deburring fills the gaps."""
    for row in range(s.counts[WAITING_FROM], s.counts[ROWS]):
        if s.pieces[row, BENCH_BY] == WAITS and not finish_bench(p, s, row, s.runs[s.pieces[row, PIECES_RUN], UNLOAD_END]):
            return False
    s.counts[WAITING_FROM] = s.counts[ROWS]
    return True


@compiled
def finish_bench(p: Arrays, s: State, row: int, unloaded: int) -> bool:
    """Bench work after an unload, and the pieces' arrival at the next op (F12, F14, F19); False past the horizon."""
    item, pieces = s.pieces[row, ITEM], s.pieces[row, PIECES]
    order, step = p.i_order[item], p.i_step[item]
    s.pieces[row, BENCH_BY] = -1
    ready = unloaded
    if p.s_bench[step] > 0:
        by, at, end = find_pausing(p, s, BENCH, unloaded, pieces * p.s_bench[step], -1)
        if by < 0:
            return False
        s.pieces[row, BENCH_BY], s.pieces[row, BENCH_AT], s.pieces[row, BENCH_END] = by, at, end
        take_pausing(p, s, by, at, end)
        ready = end
    ready += p.s_after[step]
    s.finish[order] = max(s.finish[order], ready)
    if p.i_next[item] >= 0:
        add_supply(s, p.i_next[item], ready, pieces)
    return ready <= p.horizon[0]
