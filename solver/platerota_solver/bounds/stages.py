"""What each order asks of plates, mills and people, at least, in every plan.

A *stage* is the ops of an order that share plates, directly or through others: usually one op, or op 10 and op 20 where a
fixture has nests for both. Figures are the least over all carriers and mills that the stage may use, and runs are counted
as if every one of them were full, shared with other orders where those can lie on the same plates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from platerota_solver.problem import Arrays, Ints, Problem


@dataclass(frozen=True)
class Stage:
    """One stage of an order; times in seconds.

    Attributes
    ----------
    items
        Rows of the ops.
    plates, machines
        Rows of the plates that can carry it and of the machines that can cut it.
    fast
        cut_factor of the fastest of those machines.
    mill
        What it takes of mills at factor 1: cutting, and exchanges where they stop the spindle.
    trip
        What it takes of plates: every run from load to unload, on the fastest mill.
    hand
        Its hand work: loads, exchanges, unloads, bench work, first article.
    checks
        Seconds of its bench work and first articles, part of `hand`.
    longest
        The longest a run can keep a mill, on the slowest.
    longest_hand
        The most hand work of one run.
    idle
        Seconds of a run at the bench per second on the mill, at least.
    busy
        Cut seconds of a run per second of hand work, at least.
    load, unload
        The shortest load and the shortest unload.
    shortest
        The shortest run from load to unload.
    after
        What follows the last unload: after_seconds.
    """

    items: tuple[int, ...]
    plates: tuple[int, ...]
    machines: tuple[int, ...]
    fast: float
    mill: float
    trip: float
    hand: float
    checks: float
    longest: float
    longest_hand: float
    idle: float
    busy: float
    load: float
    unload: float
    shortest: float
    after: float


def order_stages(problem: Problem) -> list[list[Stage]]:
    """The stages of every order in op order; none for an order with nothing left to load."""
    p = problem.arrays
    users = [{int(o) for o, step, need in zip(p.i_order, p.i_step, p.i_need, strict=True) if need and c in _carriers(p, int(step))}
             for c in range(len(p.c_plate))]
    return [[_stage(p, items, users) for items in _clusters(p, order)] for order in range(len(p.o_due))]


def _carriers(p: Arrays, step: int) -> list[int]:
    return [int(c) for c in p.step_carriers[p.step_from[step]:p.step_from[step + 1]] if p.fits[c].any()]


def _clusters(p: Arrays, order: int) -> list[list[int]]:
    """Items of an order with pieces to load, those that share a carrier together."""
    clusters: list[tuple[set[int], list[int]]] = []
    for item in range(int(p.o_items[order, 0]), int(p.o_items[order, 1])):
        if not p.i_need[item]:
            continue
        own, items = set(_carriers(p, int(p.i_step[item]))), [item]
        apart = [cluster for cluster in clusters if not cluster[0] & own]
        for carriers, others in clusters:
            if carriers & own:
                own |= carriers
                items = others + items
        clusters = [*apart, (own, items)]
    return [items for _, items in sorted(clusters, key=lambda cluster: cluster[1][-1])]


def _stage(p: Arrays, items: list[int], users: list[set[int]]) -> Stage:
    steps, needs = p.i_step[items], p.i_need[items]
    carriers = sorted({c for step in steps for c in _carriers(p, int(step))})
    fixtures, nests = p.c_fixture[carriers], p.nests[np.ix_(p.c_fixture[carriers], steps)]
    machines = [int(m) for m in np.flatnonzero(p.fits[carriers].any(axis=0))]
    speed = p.m_factor[machines, 0] / p.m_factor[machines, 1]
    fast, slow = float(speed.min()), float(speed.max())
    full = needs / np.maximum(1, nests.max(axis=0))
    shared = any(len(users[c]) > 1 for c in carriers)
    runs = float(full.max() if shared else np.ceil(full).max())
    stays = any(p.p_stays[p.c_plate[c]] >= 0 for c in carriers)
    exchange = 0 if stays else int((p.m_place + p.m_pull)[machines].min())
    stops = 0 if p.m_auto[machines].any() else exchange
    load, unload, cycle, piece_load, piece_unload = (
        int(column[fixtures].min()) for column in (p.f_load, p.f_unload, p.f_cycle, p.f_load_piece, p.f_unload_piece)
    )
    cut = float(needs @ p.s_cut[steps] + runs * cycle)
    hand = int(needs.sum()) * (piece_load + piece_unload) + runs * (load + unload + exchange)
    longest = slow * (p.f_cycle[fixtures] + nests @ p.s_cut[steps]) + 1
    most_exchange = int((p.m_place + p.m_pull)[machines].max())
    longest_hand = (p.f_load + p.f_unload)[fixtures] + nests.sum(axis=1) * (p.f_load_piece + p.f_unload_piece)[fixtures] + most_exchange
    idle, busy = _ratios(p, carriers, steps, exchange, stops, slow, fast)
    checks = float((p.s_first[steps] * p.i_first[items]).sum() + needs @ p.s_bench[steps])
    return Stage(
        items=tuple(items), plates=tuple(sorted({int(p.c_plate[c]) for c in carriers})), machines=tuple(machines), fast=fast,
        mill=cut + runs * stops / max(1.0, slow), trip=fast * cut + hand, hand=hand + checks, checks=checks,
        longest=float(longest.max()) + most_exchange,
        longest_hand=float(longest_hand.max()) + checks, idle=idle, busy=busy,
        load=float(load + piece_load), unload=float(unload + piece_unload),
        shortest=load + piece_load + exchange + fast * (cycle + int(p.s_cut[steps].min())) + unload + piece_unload,
        after=float(p.s_after[steps[-1]]),
    )


def _ratios(
    p: Arrays, carriers: list[int], steps: Ints, exchange: int, stops: int, slow: float, fast: float,
) -> tuple[float, float]:
    """Least bench seconds per mill second, and least cut per hand second, of any run of these steps on these carriers.

    Both are fractions linear in the pieces of each step above and below the line, so the least lies where every step has none
    or all of its nests, or where there is one piece in all. Pieces of other orders in the run only add to what stands above.
    """
    idle, busy = list[float](), list[float]()
    for c in carriers:
        f = int(p.c_fixture[c])
        base, piece = int(p.f_load[f] + p.f_unload[f]) + exchange, int(p.f_load_piece[f] + p.f_unload_piece[f])
        for pieces, seconds in _corners([(int(p.nests[f, s]), int(p.s_cut[s])) for s in steps if p.nests[f, s]]):
            hand, cut = base + pieces * piece, int(p.f_cycle[f]) + seconds
            idle.append((hand - stops) / (slow * cut + 1 + stops))
            busy.append(fast * cut / max(1, hand))
    return min(idle, default=0.0), min(busy, default=0.0)


def _corners(nests: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Pieces and cut seconds of the extreme fills: any steps full, and one piece."""
    fills = [(0, 0)]
    for count, seconds in nests:
        fills += [(pieces + count, cut + count * seconds) for pieces, cut in fills]
    return [fill for fill in fills if fill[0]] + [(1, seconds) for _, seconds in nests]
