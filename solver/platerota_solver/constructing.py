"""Plans to begin with: plain sequences of the orders, or another plan and what is to be done with it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import zip_longest

import numpy as np
import numpy.typing as npt

from platerota_shared.plan import Decisions, Plan
from platerota_solver.clock import Clock
from platerota_solver.decisions import choices_of
from platerota_solver.decoding import Decoder, copy_choices, fitting
from platerota_solver.keeping import keeping
from platerota_solver.kernel.state import (
    CARRIER,
    CUT_AT,
    FIRST_PIECES,
    FROZEN,
    ITEM,
    KEPT,
    LATE_HABITS,
    LOAD_AT,
    MACHINE,
    PIECES,
    RUNS,
    Choices,
    first_choices,
)
from platerota_solver.problem import Problem

CONSTRUCT_SECONDS = 1.5
"""Past this no more plain sequences are tried; all of them take less for a thousand runs."""
BEST_WITHOUT_SEARCH = "slack"
"""The sequence tried first, as a week of thousands of runs has time for two or three: it began a sixth below due dates there."""
HALF_DAY = 12 * 3_600
"""Seconds after the last run that does not hold any more in which what waits for it at its mill is let go too."""
PLACES, BEST_PLACES = 24, 4
"""An order that is new is tried at so many places of the sequence, and around the best; so many of them are gone on from."""
ONE_BY_ONE = (("due", 1), ("slack", 1), ("due", 2), ("slack", 2), ("due", 0), ("slack", 0))
"""Sequences in which orders are put in one by one, and who fetches plates meanwhile (`Choices.late`)."""
NEAR_END = 12
"""Places from the end of the sequence at which the next order is tried then: more took two to eight times as long, and gave better plans
of some weeks and worse ones of others."""
PORTIONS, FINE_PORTIONS, FINE_TOKENS = 4, 12, 120
"""A long order claims resources in up to so many portions, so that others may come between: few make a small search, many let every
run have a place of its own. In weeks of up to so many of these fine portions starts of both kinds compete."""


def construct(problem: Problem, decoder: Decoder, clock: Clock) -> list[Choices]:
    """A few plain sequences, each with its best way to fetch plates, the best first; what does not fit with overtime and builds.

    One at least; a week of thousands of runs is left with as many as there is time for. What a sort by due date makes is always tried,
    and kept where it is better: nobody gets less than that.
    """
    ways: dict[str, tuple[float, Choices]] = {}
    by_name = sequences(problem)
    for late in range(LATE_HABITS):
        for name in sorted(by_name, key=lambda name: name != BEST_WITHOUT_SEARCH):
            if ways and _late(clock):
                break
            plain = split_tokens(problem, by_name[name])
            plain.late[:] = late
            way = _tried(decoder, clock, plain)
            if name not in ways or way[0] < ways[name][0]:
                ways[name] = way
    by_hand = _tried(decoder, clock, first_choices(problem, by_name["due"]))
    found = [ways[name] for name in by_name if name in ways]
    best = min(found, key=lambda one: one[0])[1]
    for room in (0, 2):
        if _late(clock):
            break
        other = copy_choices(best)
        other.room[:], other.skip[:] = room, 0
        found.append(_tried(decoder, clock, other))
    if by_hand[0] < min(points for points, _ in found):
        found.append(by_hand)
    return _best_first(problem, decoder, found)


def one_by_one(problem: Problem, decoder: Decoder, clock: Clock, like: Choices, number: int) -> list[Choices]:
    """Up to so many choices in which each order was put in where the plan of those before it, and of itself, costs least; with the
    overtime and the builds of other choices.

    The insertion of Nawaz, Enscore & Ham 1983 (Omega 11:91-95, cited from memory), by due date or slack for their total work. On medium
    weeks the best of such plans has about half the points of the best plain sequence.
    """
    by_name = sequences(problem)
    found: list[Choices] = []
    for name, late in ONE_BY_ONE[:number]:
        plain = split_tokens(problem, by_name[name])
        plain.late[:] = late
        choices = _one_by_one(decoder, clock, plain._replace(overtime=like.overtime.copy(), build=like.build.copy()))
        if choices is not None:
            found.append(choices)
    return found


def insertions(orders: int) -> int:
    """Decodes, as long as those of a whole week, that it takes to put so many orders in one by one."""
    return orders * min(orders, NEAR_END) // 2


def _one_by_one(decoder: Decoder, clock: Clock, plain: Choices) -> Choices | None:
    """The same orders put in one by one in the sequence of these turns; None where time was up."""
    choices, put_in = copy_choices(plain), plain.tokens[:0]
    choices.skip[:] = 1
    for order in dict.fromkeys(plain.tokens.tolist()):
        if clock.over():
            return None
        turns, later = plain.tokens[plain.tokens == order], plain.tokens[~np.isin(plain.tokens, [*put_in, order])]
        places = [*dict.fromkeys((0, *(np.flatnonzero(np.diff(put_in)) + 1).tolist(), len(put_in)))]
        choices.skip[order] = 0
        following, least, at = None, math.inf, None
        for place in reversed(places[-NEAR_END:]):  # the last one first: what comes before it is decoded once
            trial = choices._replace(tokens=np.concatenate([np.insert(put_in, place, turns), later]))
            if following is None:
                following = decoder.track(copy_choices(trial))
                points = following.points
            else:
                points = following.try_out(trial, least)
            clock.count(int(decoder.state.counts[RUNS]))
            if points < least:
                least, at = points, place
        if at is None:  # it fits nowhere
            choices.skip[order], at = 1, len(put_in)
        put_in = np.insert(put_in, at, turns)
    return fitting(decoder, choices._replace(tokens=put_in))


def both_ways(problem: Problem, starts: list[Choices]) -> list[Choices]:
    """The starts, and in a small week after each the same with its long orders in finer portions.

    Portions side by side, as in a plain sequence, make the same plan in either way.
    """
    found: list[Choices] = []
    for start in starts:
        fine = split_tokens(problem, list(dict.fromkeys(start.tokens.tolist())), FINE_PORTIONS)
        found.append(start)
        if len(start.tokens) < len(fine.tokens) <= FINE_TOKENS:
            found.append(copy_choices(start)._replace(tokens=fine.tokens, quota=fine.quota))
    return found


def vary(problem: Problem, decoder: Decoder, clock: Clock, plan: Plan) -> list[Choices]:
    """The plan that is started from, kept as far as it holds, and the decisions it was made from, each with what is new put in.

    All in turn, the better first: a plan kept run by run has little room for a new order, and the decisions of its search, made again
    with the order among them, are where that search would have gone on; but they may move every task. Orders that are due at another
    time than in the plan are put in anew as well: a search seldom finds by itself that one may let all others pass (a late order due a
    day later ended with a tenth fewer points, median of six in medium weeks). A replan keeps the plan.
    """
    kept, decisions = _kept(problem, decoder, clock), plan.solver.decisions
    if decisions is None or problem.arrays.k_total[0]:
        return _best_first(problem, decoder, kept)
    found = [kept, _decided(problem, decoder, clock, decisions)]
    dues = {row.id: row.due for row in plan.orders}
    if moved := [number for number, order in enumerate(problem.request.orders) if dues.get(order.id, order.due) != order.due]:
        found.append(_decided(problem, decoder, clock, decisions, moved))
    ways = [_best_first(problem, decoder, way) for way in found]
    ways.sort(key=lambda way: decoder.score(way[0]))
    return [choices for several in zip_longest(*ways) for choices in several if choices is not None]


def _decided(
    problem: Problem, decoder: Decoder, clock: Clock, decisions: Decisions, anew: Sequence[int] = (),
) -> list[tuple[float, Choices]]:
    """The decisions made again, with each order that has no turn yet, or whose turns are given up (`anew`), put in where it costs least,
    one after the other by due date.
    """
    choices, plain = choices_of(problem, decisions), split_tokens(problem, sequences(problem)["due"])
    choices = choices._replace(tokens=choices.tokens[~np.isin(choices.tokens, anew)])
    found: list[tuple[float, Choices]] = []
    for order in dict.fromkeys(plain.tokens.tolist()):
        if order not in choices.tokens:
            choices.quota[order] = plain.quota[order]
            later = problem.arrays.o_due[choices.tokens] > problem.arrays.o_due[order]
            by_due = int(np.argmax(later)) if later.any() else len(later)
            found = _put_in(decoder, clock, choices, plain.tokens[plain.tokens == order], by_due)
            choices = copy_choices(found[0][1])
            choices.skip[:] = 0
    return found or [_tried(decoder, clock, choices)]


def _put_in(
    decoder: Decoder, clock: Clock, choices: Choices, turns: npt.NDArray[np.int64], likely: int,
) -> list[tuple[float, Choices]]:
    """Choices with more turns, side by side, at the places of the sequence where that costs least, the best first; `likely` is always
    tried.
    """
    size = len(choices.tokens)
    step = max(1, size // PLACES)
    found: dict[int, tuple[float, Choices]] = {}

    def look(places: Iterable[int]) -> int:
        for place in places:
            if found and _late(clock):
                break
            if place not in found:
                found[place] = _tried(decoder, clock, choices._replace(tokens=np.insert(choices.tokens, place, turns)))
        return min(found, key=lambda place: found[place][0])

    best = look([likely, *range(0, size + 1, step)])
    look(range(max(0, best - step), min(size, best + step) + 1, max(1, step // 4)))
    by_points = {round(points, 6): (points, one) for points, one in reversed(found.values())}
    return [by_points[points] for points in sorted(by_points)[:BEST_PLACES]]


def _kept(problem: Problem, decoder: Decoder, clock: Clock) -> list[tuple[float, Choices]]:
    """The plan that is started from, kept as far as it holds, with what is new put in behind what is kept, or before it.

    Where an order is wished for at any price, the plan is also let go from some instant on, and as a whole: what is let go claims
    resources in the plan's own sequence. Where only the score counts, what waits for those runs that do not hold any more is let go too.
    In a replan, and where nobody may be harmed, such starts look better at first and are not: a plan mended bit by bit ends with fewer
    points, and with fewer tasks moved.
    """
    p = problem.arrays
    found: list[tuple[float, Choices]] = []
    turns, new = _in_turn(problem)
    plain = keeping(problem, turns)
    plain.late[:] = 0
    cuts = np.sort(p.k_runs[:, CUT_AT]) if len(p.k_runs) else np.zeros(1, dtype=np.int64)
    ways = [(before, np.zeros(len(p.k_runs), dtype=np.bool_)) for before in dict.fromkeys((0, new))]
    if problem.wish is not None and problem.wish.harm_from is None:
        instants = (0, *(int(cuts[len(cuts) * part // 4]) for part in (1, 2, 3)))
        ways = [way for before, nothing in ways for way in ((before, nothing), *((before, p.k_runs[:, CUT_AT] >= at) for at in instants))]
    elif problem.wish is None and not p.k_total[0]:
        ways = [way for before, nothing in ways for way in ((before, nothing), *_after_loss(decoder, plain, before))]
    for room, late in ((room, late) for room in (1, 0) for late in range(LATE_HABITS)):
        for before, let_go in ways:
            if found and _late(clock):
                return found
            other = copy_choices(plain)
            other.late[:], other.room[:], other.before[:] = late, room, before
            other.keep[let_go] = 0
            other.keep[list(problem.frozen)] = FROZEN
            found.append(_tried(decoder, clock, other))
    return found


def _after_loss(decoder: Decoder, plain: Choices, before: int) -> list[tuple[int, npt.NDArray[np.bool_]]]:
    """What waits for those runs of the plan that do not hold any more, ``[run]`` each: from the first of them on what is cut at their
    mills, all of it or half a day of it, what is on their plates, what is of their orders; nothing where all hold.

    Let go, it claims resources in the plan's sequence and so goes on later (right-shift rescheduling: Abumaizar & Svestka 1997, IJPR
    35:2065-2082, cited from memory).
    """
    p, trial = decoder.problem.arrays, copy_choices(plain)
    trial.before[:] = before
    decoder.run(trial)
    lost = np.setdiff1d(np.arange(len(p.k_runs), dtype=np.int64), decoder.state.runs[:int(decoder.state.counts[RUNS]), KEPT])
    if not len(lost):
        return []
    later = p.k_runs[:, CUT_AT] >= p.k_runs[lost, CUT_AT].min()
    mills = later & np.isin(p.k_runs[:, MACHINE], p.k_runs[lost, MACHINE])
    soon = mills & (p.k_runs[:, CUT_AT] < p.k_runs[lost, CUT_AT].max() + HALF_DAY)
    plates = later & np.isin(p.k_runs[:, CARRIER], p.k_runs[lost, CARRIER])
    own = later & decoder.holds[decoder.holds[:, lost].any(axis=1)].any(axis=0)
    return [(before, rows) for rows in (mills, soon, plates, own, mills | plates, later)]


def _in_turn(problem: Problem) -> tuple[Choices, int]:
    """Choices with a turn for each run of the plan that is kept, in the sequence of its loads, and portions for what is new; how many
    turns, the first ones, what is new takes. Of an order that has grown that is one.
    """
    p = problem.arrays
    first = [int(p.i_order[p.k_pieces[run[FIRST_PIECES], ITEM]]) for run in p.k_runs]
    plain = split_tokens(problem, sequences(problem)["due"])
    loads = np.argsort(p.k_runs[:, LOAD_AT], kind="stable").tolist() if first else list[int]()
    known = [first[k] for k in loads]
    new = [int(order) for order in plain.tokens if int(order) not in set(known)]
    held = np.bincount(p.k_pieces[:, ITEM], p.k_pieces[:, PIECES], len(p.i_need))
    grown = sorted({int(order) for order in p.i_order[p.i_need > held]} & set(known))
    wished = [] if problem.wish is None else [problem.wish.order]
    tokens = [*wished, *new, *grown, *known]
    choices = first_choices(problem, tokens)
    choices.quota[:] = plain.quota
    choices.quota[sorted(set(known))] = 1
    return choices, len(tokens) - len(known)


def _tried(decoder: Decoder, clock: Clock, choices: Choices) -> tuple[float, Choices]:
    fits = fitting(decoder, choices)
    clock.count(int(decoder.state.counts[RUNS]))
    return decoder.points, fits


def _late(clock: Clock) -> bool:
    return clock.spent > CONSTRUCT_SECONDS or clock.over()


def _best_first(problem: Problem, decoder: Decoder, found: list[tuple[float, Choices]]) -> list[Choices]:
    """The choices by their points; where the best leaves an order out, beside what overtime and builds do for it."""
    best = min(found, key=lambda one: one[0])[1]
    if best.skip.any():
        found.extend(opened(problem, decoder, best))
    found.sort(key=lambda one: one[0])
    return [choices for _, choices in found]


def sequences(problem: Problem) -> dict[str, list[int]]:
    """Sequences of the orders worth starting from, by name.

    `due`: earliest due date (Jackson 1955). `work`: least work per weight first (Smith 1956). `urgency`: apparent
    tardiness cost (Vepsalainen & Morton 1987, Management Science 33:1035–1047) with look-ahead 2 mean works.
    """
    p = problem.arrays
    orders = problem.request.orders
    work = np.zeros(len(orders))
    for order, step, need in zip(p.i_order, p.i_step, p.i_need, strict=True):
        nests = max(1, int(p.nests[:, step].max())) if len(p.nests) else 1
        fixtures = [f for f in range(len(p.nests)) if p.nests[f, step] == nests]
        cycle = min((int(p.f_cycle[f] + p.f_load[f] + p.f_unload[f]) for f in fixtures), default=0)
        work[order] += need * int(p.s_cut[step]) + math.ceil(need / nests) * cycle
    weight = np.array([max(order.weight, 1e-6) for order in orders])
    slack = p.o_due - p.o_release - work
    mean = max(1.0, float(work.mean())) if len(orders) else 1.0
    machines = max(1, len(p.m_place))
    urgency = weight / np.maximum(work, 1.0) * np.exp(-np.maximum(slack, 0) / (2 * mean * max(1, len(orders) // machines)))
    numbers = range(len(orders))
    return {
        "due": sorted(numbers, key=lambda o: (int(p.o_due[o]), o)),
        "work": sorted(numbers, key=lambda o: (work[o] / weight[o], o)),
        "urgency": sorted(numbers, key=lambda o: (-urgency[o], o)),
        "slack": sorted(numbers, key=lambda o: (slack[o], o)),
    }


def split_tokens(problem: Problem, sequence: list[int], portions: int = PORTIONS) -> Choices:
    """Choices in which a long order claims resources in so many portions at most, all side by side at first."""
    p = problem.arrays
    runs = np.zeros(len(p.o_due), dtype=np.int64)
    for order, step, need in zip(p.i_order, p.i_step, p.i_need, strict=True):
        runs[order] += -(-int(need) // max(1, int(p.nests[:, step].max())))
    tokens = [order for order in sequence for _ in range(max(1, min(portions, int(runs[order]))))]
    choices = first_choices(problem, tokens)
    choices.quota[:] = np.maximum(1, -(-runs // portions))
    return choices


def opened(problem: Problem, decoder: Decoder, base: Choices) -> list[tuple[float, Choices]]:
    """What does not fit is tried again with all overtime open, and with every build allowed as well."""
    found: list[tuple[float, Choices]] = []
    for builds in (False, True):
        choices = copy_choices(base)
        choices.overtime[:], choices.skip[:] = 1, 0
        if builds:
            choices.build[:] = problem.arrays.c_build > 0
        choices = fitting(decoder, choices)
        found.append((decoder.score(choices), choices))
    return found
