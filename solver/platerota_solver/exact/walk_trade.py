"""A bound on two finishes at once: an order that is to finish soon after others asks for part of its work before they do.

Let a set of orders finish at X and all open orders at F. From X to F the plates of a component can go round only so often, so
of all that the component still takes for the open orders the rest is done by X; hands and the mill had to do it beside the work of the set.
F is unknown: the least points over every F, in steps, is the bound. Within a step the last order counts with its
beginning and the work asked for before X with its end.
"""

from __future__ import annotations

from platerota_solver.exact.walk_tables import Floats, Walk
from platerota_solver.exact.walk_work import (
    AGAIN,
    CUT_LOAD,
    CUT_UNLOAD,
    HAND,
    LOADS,
    MILL,
    RUN_CUT,
    RUN_EXCHANGE,
    RUN_LOAD,
    RUN_UNLOAD,
    may_load,
    mills_end,
    work_until,
    worked_by,
)
from platerota_solver.kernel.spans import NEVER, compiled
from platerota_solver.problem import Ints

FEW_ORDERS = 4
"""Open orders up to which the bound is asked for: it looks at every set of them once a step."""
STEPS, FIRST_STEP = 12, 200
"""Steps of F, and the seconds of the first; each is a third longer than the one before."""
# Columns of `Walk.rhythm`: seconds by which a window is longer for the work in it, work that needs no other before it, work and time of
# a run without pieces, most work of its pieces, time that passes beside each second of that work.
LONGER, AT_ONCE, RUN_WORK, RUN_TIME, PIECES_WORK, BESIDE = range(6)


@compiled
def in_window(rhythm: Floats, seconds: float) -> float:
    """The most work of one plate in a window: runs, each no shorter than what must pass in it beside the work."""
    at_once = rhythm[AT_ONCE]
    if seconds <= at_once:
        return max(0.0, seconds)
    left, most = seconds - at_once + rhythm[LONGER], at_once
    pieces = rhythm[PIECES_WORK] * (1 + rhythm[BESIDE])
    full = int(left / max(1.0, rhythm[RUN_TIME] + pieces))
    for runs in (full, full + 1, int(left / max(1.0, rhythm[RUN_TIME]))):
        rest = left - runs * rhythm[RUN_TIME]
        if rest >= 0 and runs > 0:
            most = max(most, at_once + runs * rhythm[RUN_WORK] + min(runs * rhythm[PIECES_WORK], rest / (1 + rhythm[BESIDE])))
    return float(min(most, seconds + rhythm[LONGER]))


@compiled
def asked(plates: int, rhythm: Floats, least_of: Ints, kind: int, part: Ints, whole: Ints, held: int, seconds: float) -> int:
    """Work of a component (`kind`: HAND or MILL) that is done before a window of `seconds` in which the open orders finish.

    Where an op and the next lie on the same plates, e runs more than the fewest let e + 1 be under way (`walk_work.again`),
    beside those `held` now.
    """
    one = in_window(rhythm, seconds)
    if whole[AGAIN] == 0:
        return max(int(part[kind]), int(whole[kind] - plates * one))
    run = least_of[RUN_EXCHANGE] + (least_of[RUN_CUT] if kind == MILL else least_of[RUN_LOAD] + least_of[RUN_UNLOAD])
    least = NEVER
    for more in range(plates):
        runs = max(0, whole[AGAIN] + 1 + more - whole[LOADS])
        least = min(least, int(whole[kind] + runs * run - min(plates, more + 1 + held) * one))
    return max(int(part[kind]), least)


@compiled
def asked_of_all(w: Walk, work: Ints, kind: int, part: Ints, whole: Ints, window: int) -> int:
    """What all components ask for before a window; a component that another op follows is through before the window ends."""
    total, held = 0, 2 * w.place.shape[0]
    for c in range(w.kinds.need.shape[0]):
        if w.kinds.component[c] == c:
            seconds = float(window - w.component_lag[c])
            total += asked(
                int(w.component_plates[c]), w.rhythm[c, kind], w.kinds.least_of[c], kind, part[c], whole[c], int(work[held + c]), seconds)
    return total


@compiled
def pressed(
    w: Walk, times: Ints, work: Ints, standing: int, first_load: int, last_unload: int, part: Ints, whole: Ints, until: int,
) -> int:
    """When a set of orders can be through, at least, where all open orders are by `until`; 0 where that asks nothing more of it."""
    found, goal = 0, worked_by(w.spans, w.rounds[0], until)
    for kind in range(HAND, MILL + 1):
        plain = 0
        for c in range(w.kinds.need.shape[0]):
            if w.kinds.component[c] == c:
                plain += part[c, kind]
        if kind == MILL and plain == 0:
            continue  # a mill in the middle of a cut is no beginning of a window
        seconds, at = 0, 0
        for turn in range(4):
            total = asked_of_all(w, work, kind, part, whole, goal - worked_by(w.spans, w.rounds[0], at)) if turn else plain
            if turn and total <= seconds:
                break
            seconds = total
            at = work_until(w.spans, 0, times[0], seconds) if kind == HAND else mills_end(
                w.spans, w.mill, times, seconds + standing, first_load, work)
            if at >= NEVER:
                return NEVER
        if seconds > plain:
            found = max(found, at if kind == HAND else work_until(w.spans, 0, at, last_unload))
    return found


@compiled
def ends(w: Walk, own: Ints, ready: bool, unload: int) -> tuple[int, int]:
    """The least first load before a mill can begin, and the least unload after its last cut, for a set's rows of the table."""
    first, last = 0 if ready else NEVER, unload
    for c in range(w.kinds.need.shape[0]):
        if w.kinds.component[c] == c and may_load(own[c]):
            first = min(first, w.kinds.least_of[c, RUN_LOAD] + w.kinds.least_of[c, CUT_LOAD])
            last = min(last, w.kinds.least_of[c, RUN_UNLOAD] + w.kinds.least_of[c, CUT_UNLOAD])
    return first, last


@compiled
def least_points(w: Walk, whole: int, at: int, until: int, press: Ints, finish: Ints, points: Floats) -> float:
    """The least points of the open orders in any sequence (`walk_bound.to_come`), the last from `at` to `until`, each set before it as
    `press` says; infinite where a set before it cannot be through by then.
    """
    points[0] = 0.0
    for chosen in range(1, whole + 1):
        if chosen & ~whole:
            continue
        end, least = at if chosen == whole else max(finish[chosen], press[chosen]), 1e300
        for o in range(w.order_due.shape[0]):
            if (chosen >> o) & 1:
                least = min(least, points[chosen ^ (1 << o)] + w.finish[o] * end + w.late[o] * max(0, end - w.order_due[o]))
        points[chosen] = least if chosen == whole or end <= until else 1e300
    return float(points[whole])


@compiled
def traded(
    w: Walk, times: Ints, whole: int, work: Ints, standing: int, ready: bool, unload: int, table: Ints, finish: Ints, press: Ints,
    best: Floats, points: Floats,
) -> float:
    """The least points of the open orders over every finish F of the last, in steps; never less than `best` of them all."""
    first_load, _ = ends(w, table[whole], ready, unload)
    if first_load >= NEVER:
        return float(best[whole])
    at, step, least, base = finish[whole], FIRST_STEP, 1e300, best[whole]
    for turn in range(STEPS):
        for chosen in range(1, whole + 1):
            press[chosen] = 0
        if least_points(w, whole, at, NEVER, press, finish, points) >= least:
            break
        until, asks = at + step if turn + 1 < STEPS else NEVER, False
        for chosen in range(1, whole):
            if until == NEVER or chosen & ~whole:
                continue
            _, last = ends(w, table[chosen], ready, unload)
            press[chosen] = pressed(w, times, work, standing, first_load, last, table[chosen], table[whole], until)
            asks = asks or press[chosen] > finish[chosen] or finish[chosen] > until
        least = min(least, least_points(w, whole, at, until, press, finish, points))
        if not asks or least <= base:
            break
        at, step = until, step + step // 3
    return float(max(base, least))
