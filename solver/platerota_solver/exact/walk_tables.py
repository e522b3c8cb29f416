"""The shop of one operator as the arrays that the walk reads: kinds of pieces, plates, fills, and working time.

Orders of one part with the same release and no pieces part-way are *alike* to the shop: their pieces may be credited to
either, first unloaded to first finished. They form a *group*; a *kind* is one op of one group. A *fill* is the pieces of
each kind in one run of a family of plates (same fixture, same fit, same closures).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from platerota_shared.calendars import Span, merge, subtract
from platerota_solver.problem import EXCHANGE, LOAD, UNLOAD, Arrays, Ints, Problem

Floats = npt.NDArray[np.float64]

MAX_FILLS = 400
"""Fills of one family of plates that are told apart; a week with more is left to the other model."""
MAX_PIECES = 2**40
"""More than any run holds."""
MAX_ORDERS = 10
"""Orders with work left; the bound looks at every set of them."""


class SpanLists(NamedTuple):
    """Lists of spans of time."""

    begins: Ints  # start of every span of every list
    closes: Ints  # its end
    span_from: Ints  # [list + 1] offsets
    worked: Ints  # per span: seconds of its list before it


class Kinds(NamedTuple):
    """What has to be done, by kind."""

    need: Ints  # pieces to load
    before: Ints  # the kind of the op before, -1 for raw stock
    supply: Ints  # pieces that need no new run of the op before
    kind_step: Ints
    least: Ints  # [kind, 7]: per piece cut, load, unload; per run cut, load, unload, exchange: the least of any run
    least_of: Ints  # [kind, 7]: the same, the least over the kinds of its component
    capacity: Ints  # pieces of its step in a full run
    component: Ints  # kinds that share a family of plates, directly or through others, by their first kind
    component_orders: Ints  # per component (kind): the orders that have pieces in it, as bits
    order_need: Ints  # [order, kind] pieces of every order with work left


class Walk(NamedTuple):
    """What the walk reads. Times are seconds from now."""

    horizon: Ints  # [1]
    kinds: Kinds
    spans: SpanLists
    kind_group: Ints  # per kind
    ends: Ints  # per kind: 1 where it is its group's last op
    fill_pieces: Ints  # [fill, kind]
    fill_load: Ints  # per fill: seconds
    fill_unload: Ints
    fill_cut: Ints  # [fill, machine] seconds, -1 where it may not be cut there
    fill_from: Ints  # per fill: no load before (release)
    fill_count: Ints  # per fill: pieces
    fill_least: Ints  # per fill: the fewest pieces that are of a set of orders which has any of them
    fill_later: Ints  # per fill: 1 where it holds pieces through another op
    released: Ints  # [1] from here on all raw stock is there
    family_fills: Ints  # [family + 1] offsets into the fills
    plate_family: Ints  # per plate
    plate_open: Ints  # per plate: list of open time, -1 always
    place: Ints  # per machine
    pull: Ints
    positions: Ints
    like: Ints  # per machine: the first machine that is like it for every run
    open: Ints  # per machine: list for place and pull
    cutting: Ints  # per machine: list for cuts
    mill: Ints  # per machine: list of the time it can use at most (see `_mill_time`)
    order_group: Ints  # per order with work left
    order_due: Ints
    late: Floats  # per order: points per second, float64
    finish: Floats
    makespan: Floats  # [1] points per second
    plate_component: Ints  # per plate
    component_plates: Ints  # per component: plates
    component_most: Ints  # [component, 2]: the most pieces in one run, and the most of `least` cut seconds of a piece
    component_lag: Ints  # per component: seconds from its last unload to the finish of whatever order, at least
    rhythm: Floats  # [component, hand or mill, 6]: what a plate can do in a window, see `walk_trade`
    rounds: Ints  # [1] list in which anything can happen to a plate: working time, and of every gap the longest cut


@dataclass(frozen=True)
class WalkShop:
    """The arrays and what their rows stand for.

    Attributes
    ----------
    groups
        Orders (rows of the problem) of each group.
    kinds
        Group and place of the op in its route, by kind.
    orders
        Orders with work left, by row of the arrays.
    carriers
        Carrier (row of the problem) of each plate.
    operator
        The calendar list that hand work is booked in.
    settled
        Points of the orders with nothing left to do.
    """

    walk: Walk
    groups: tuple[tuple[int, ...], ...]
    kinds: tuple[tuple[int, int], ...]
    orders: tuple[int, ...]
    carriers: tuple[int, ...]
    operator: int


def walk_shop(problem: Problem) -> WalkShop | None:
    """The shop as a walk reads it; None where hand work has several people or the fills are too many to tell apart.

    Exactly one operator must do every load, exchange and unload; overtime counts as working time that costs nothing, so
    what `problem` has and the walk does not know makes its answer a bound (see `exact.coverage`).
    """
    p = problem.arrays
    people = {int(u) for skill in (LOAD, UNLOAD, EXCHANGE) for u in np.flatnonzero(p.can[skill])}
    if len(people) != 1 or p.m_auto.any() or (p.p_stays >= 0).any() or not p.can[[LOAD, UNLOAD, EXCHANGE]].any(axis=1).all():
        return None
    operator = people.pop()
    orders = tuple(o for o in range(len(p.o_due)) if p.i_need[p.o_items[o, 0]:p.o_items[o, 1]].any())
    if not orders or len(orders) > MAX_ORDERS:
        return None
    groups = _groups(p, orders)
    kinds = tuple((g, k) for g, own in enumerate(groups) for k in range(int(np.diff(p.o_items[own[0]])[0])))
    families = _families(p)
    fills = [_fills(p, groups, kinds, family[0]) for family in families]
    if any(len(own) > MAX_FILLS for own in fills):
        return None
    kept = [f for f in range(len(families)) if fills[f]]
    families, fills = [families[f] for f in kept], [fills[f] for f in kept]
    walk = _walk(problem, operator, orders, groups, kinds, families, fills)
    carriers = tuple(c for family in families for c in family)
    return WalkShop(walk, groups, kinds, orders, carriers, int(p.l_operator[operator]))


def _groups(p: Arrays, orders: tuple[int, ...]) -> tuple[tuple[int, ...], ...]:
    """Orders whose pieces are alike to the shop, in the order of the input."""
    found: dict[tuple[int, ...], list[int]] = {}
    for o in orders:
        items = slice(int(p.o_items[o, 0]), int(p.o_items[o, 1]))
        whole = len(set(p.i_need[items].tolist())) == 1 and not (p.i_ready[items] > 0).any()
        key = (*p.i_step[items].tolist(), int(p.o_release[o]), -1 if whole else o)
        found.setdefault(key, []).append(o)
    return tuple(tuple(own) for own in found.values())


def _families(p: Arrays) -> list[list[int]]:
    """Carriers alike in every respect that a run can notice."""
    found: dict[tuple[object, ...], list[int]] = {}
    for c in range(len(p.c_plate)):
        opened = int(p.l_open[p.c_plate[c]])
        closed = tuple(int(at) for at in p.lists[p.list_from[opened]:p.list_from[opened + 1]].ravel()) if opened >= 0 else ()
        found.setdefault((int(p.c_fixture[c]), *p.fits[c].tolist(), *p.room[c].tolist(), closed), []).append(c)
    return list(found.values())


def _fills(p: Arrays, groups: tuple[tuple[int, ...], ...], kinds: tuple[tuple[int, int], ...], carrier: int) -> list[tuple[int, ...]]:
    """Pieces by kind of every run that a carrier allows (F3); most pieces first."""
    fixture = int(p.c_fixture[carrier])
    steps = [_step(p, groups, kind) for kind in kinds]
    most = [min(int(p.nests[fixture, s]), _need(p, groups, kind)) for s, kind in zip(steps, kinds, strict=True)]
    size = 1
    for count in most:
        size *= count + 1
    if size > 50 * MAX_FILLS:
        return [()] * (MAX_FILLS + 1)
    fills = [
        fill for fill in product(*(range(count, -1, -1) for count in most))
        if any(fill) and all(sum(q for q, s in zip(fill, steps, strict=True) if s == step) <= p.nests[fixture, step] for step in set(steps))
    ]
    return sorted(fills, key=lambda fill: -sum(fill))


def _step(p: Arrays, groups: tuple[tuple[int, ...], ...], kind: tuple[int, int]) -> int:
    return int(p.i_step[p.o_items[groups[kind[0]][0], 0] + kind[1]])


def _need(p: Arrays, groups: tuple[tuple[int, ...], ...], kind: tuple[int, int]) -> int:
    return sum(int(p.i_need[p.o_items[o, 0] + kind[1]]) for o in groups[kind[0]])


def _walk(
    problem: Problem, operator: int, orders: tuple[int, ...], groups: tuple[tuple[int, ...], ...], kinds: tuple[tuple[int, int], ...],
    families: list[list[int]], fills: list[list[tuple[int, ...]]],
) -> Walk:
    p = problem.arrays
    steps = np.array([_step(p, groups, kind) for kind in kinds], dtype=np.int64)
    alone = np.array([len(groups[g]) == 1 for g, _ in kinds])
    need = np.array([_need(p, groups, kind) for kind in kinds], dtype=np.int64)
    before = np.array([k - 1 if kinds[k][1] else -1 for k in range(len(kinds))], dtype=np.int64)
    pieces = np.array([fill for own in fills for fill in own], dtype=np.int64).reshape(-1, len(kinds))
    carrier = np.array([family[0] for family, own in zip(families, fills, strict=True) for _ in own], dtype=np.int64)
    fixture, count = p.c_fixture[carrier], pieces.sum(axis=1)
    release = np.array([p.o_release[groups[g][0]] if k == 0 else 0 for g, k in kinds], dtype=np.int64)
    load, unload = p.f_load[fixture] + count * p.f_load_piece[fixture], p.f_unload[fixture] + count * p.f_unload_piece[fixture]
    cut = _cut_seconds(p, carrier, pieces, steps)
    index = {o: row for row, o in enumerate(orders)}
    order_need = np.zeros((len(orders), len(kinds)), dtype=np.int64)
    for k, (g, place) in enumerate(kinds):
        for o in groups[g]:
            order_need[index[o], k] = p.i_need[p.o_items[o, 0] + place]
    spans, offsets, lists, mill = _lists(p, operator, cut.max(axis=0, initial=0))
    plates = [c for family in families for c in family]
    chosen = np.array(orders, dtype=np.int64)
    component, least = _components(pieces, carrier), _least(p, pieces, carrier, steps)
    least_of = np.array([least[component == c].min(axis=0) for c in component], dtype=np.int64)
    held_kind = [int(np.flatnonzero(np.array(own).any(axis=0))[0]) for own in fills]
    plate_component = np.array([component[held_kind[f]] for f, family in enumerate(families) for _ in family], dtype=np.int64)
    return Walk(
        horizon=p.horizon,
        kinds=Kinds(
            need=need, before=before, supply=np.where(before >= 0, np.maximum(0, need - need[before]), 0), kind_step=steps,
            least=least, least_of=least_of, capacity=_capacity(pieces, steps), component=component,
            component_orders=_component_orders(order_need, component), order_need=order_need),
        spans=SpanLists(spans[:, 0].copy(), spans[:, 1].copy(), offsets, _before(spans, offsets)),
        kind_group=np.array([g for g, _ in kinds], dtype=np.int64),
        ends=np.array([int(k + 1 == len(kinds) or kinds[k + 1][0] != kinds[k][0]) for k in range(len(kinds))], dtype=np.int64),
        fill_pieces=pieces, fill_load=load, fill_unload=unload, fill_cut=cut, fill_count=count,
        fill_later=np.array((pieces[:, before >= 0] > 0).any(axis=1), dtype=np.int64), released=np.array([release.max(initial=0)]),
        fill_least=np.where(pieces > 0, np.where(alone, pieces, 1), MAX_PIECES).min(axis=1),
        fill_from=(np.where(pieces > 0, release, 0)).max(axis=1),
        family_fills=np.concatenate([[0], np.cumsum([len(own) for own in fills])]).astype(np.int64),
        plate_family=np.array([f for f, family in enumerate(families) for _ in family], dtype=np.int64),
        plate_open=np.array([lists.get(int(p.l_open[p.c_plate[c]]), -1) for c in plates], dtype=np.int64),
        place=p.m_place, pull=p.m_pull, positions=p.m_places, like=_like_machines(p, cut, mill, spans, offsets, lists),
        open=np.array([lists[int(number)] for number in p.l_spindle], dtype=np.int64),
        cutting=np.array([lists[int(number)] for number in p.l_cut], dtype=np.int64),
        mill=mill,
        order_group=np.array([next(g for g, own in enumerate(groups) if o in own) for o in orders], dtype=np.int64),
        order_due=p.o_due[chosen], late=problem.late_rate[chosen], finish=problem.finish_rate[chosen],
        makespan=np.array([problem.request.settings.score.makespan_hour / 3600]),
        plate_component=plate_component,
        component_plates=np.array([(plate_component == c).sum() for c in range(len(kinds))], dtype=np.int64),
        component_most=np.array([
            (count[(pieces[:, component == c] > 0).any(axis=1)].max(initial=0), least[component == c, 0].max(initial=0))
            for c in range(len(kinds))
        ], dtype=np.int64),
        component_lag=np.array([_lag(kinds, component, least, c) for c in range(len(kinds))], dtype=np.int64),
        rhythm=np.array([
            _rhythm(pieces, component == c, least, least_of[c], int(p.m_place.max()), int(p.m_pull[p.m_places > 1].max(initial=0)))
            for c in range(len(kinds))
        ]),
        rounds=np.array([int(mill[-1]) + 1], dtype=np.int64),
    )


def _cut_seconds(p: Arrays, carrier: Ints, pieces: Ints, steps: Ints) -> Ints:
    """Cut seconds by fill and machine (F1), -1 where the carrier or the fill's mass does not fit (F5)."""
    plain = p.f_cycle[p.c_fixture[carrier]] + pieces @ p.s_cut[steps]
    cut = -((-plain[:, None] * p.m_factor[None, :, 0]) // p.m_factor[None, :, 1])
    allowed = (p.fits[carrier] == 1) & ((pieces @ p.s_stock[steps])[:, None] <= p.room[carrier])
    return np.where(allowed, cut, -1).astype(np.int64)


def _least(p: Arrays, pieces: Ints, carrier: Ints, steps: Ints) -> Ints:
    """The least seconds of any run that may hold a kind: each figure on its own, so no run takes less."""
    least = np.zeros((pieces.shape[1], 7), dtype=np.int64)
    for k in range(pieces.shape[1]):
        own = carrier[pieces[:, k] > 0]
        if not len(own):
            continue
        fixture = p.c_fixture[own]
        fitting = p.fits[own].any(axis=0)
        if not fitting.any():
            continue
        slow = p.m_factor[fitting]
        factor = (slow[:, 0] / slow[:, 1]).min()
        exchange = int((p.m_place + p.m_pull)[fitting].min())
        least[k] = (
            int(p.s_cut[steps[k]] * factor), p.f_load_piece[fixture].min(), p.f_unload_piece[fixture].min(),
            int(p.f_cycle[fixture].min() * factor), p.f_load[fixture].min(), p.f_unload[fixture].min(), exchange,
        )
    return least


def _like_machines(p: Arrays, cut: Ints, mill: Ints, spans: Ints, offsets: Ints, lists: dict[int, int]) -> Ints:
    """For every machine the first with the same cuts, exchange, positions and times."""
    def times(number: int) -> tuple[int, ...]:
        return tuple(int(at) for at in spans[offsets[number]:offsets[number + 1]].ravel())

    keys = [
        (int(p.m_place[m]), int(p.m_pull[m]), int(p.m_places[m]), tuple(int(c) for c in cut[:, m]), times(int(mill[m])),
         times(lists[int(p.l_spindle[m])]), times(lists[int(p.l_cut[m])]))
        for m in range(len(p.m_place))
    ]
    return np.array([keys.index(key) for key in keys], dtype=np.int64)


def _capacity(pieces: Ints, steps: Ints) -> Ints:
    """The most pieces of a kind's step in one run, whatever its orders."""
    return np.array([max(1, int(pieces[:, steps == step].sum(axis=1).max(initial=0))) for step in steps], dtype=np.int64)


def _components(pieces: Ints, carrier: Ints) -> Ints:
    """A number for each kind, the same where two kinds can lie on one plate, directly or through others."""
    mark: Ints = np.arange(pieces.shape[1], dtype=np.int64)
    for own in np.unique(carrier):
        held = np.flatnonzero((pieces[carrier == own] > 0).any(axis=0))
        for other in held[1:]:
            mark[mark == mark[other]] = mark[held[0]]
    return np.array([int((mark == own).argmax()) for own in mark], dtype=np.int64)


def _component_orders(order_need: Ints, component: Ints) -> Ints:
    """The orders with pieces in each component, as bits."""
    bits = 1 << np.arange(len(order_need), dtype=np.int64)
    return np.array([int(bits[(order_need[:, component == c] > 0).any(axis=1)].sum()) for c in range(len(component))], dtype=np.int64)


def _lag(kinds: tuple[tuple[int, int], ...], component: Ints, least: Ints, own: int) -> int:
    """The least run that still follows the last one of a component: none where any of its ops is a last one, or the next is its own."""
    held = [k for k in range(len(kinds)) if component[k] == own]
    later = [k + 1 for k in held if k + 1 < len(kinds) and kinds[k + 1][0] == kinds[k][0] and component[k + 1] != own]
    return min((int(least[k].sum()) for k in later), default=0) if len(later) == len(held) else 0


def _rhythm(pieces: Ints, own: npt.NDArray[np.bool_], least: Ints, runs: Ints, place: int, pull: int) -> list[list[float]]:
    """What one plate of a component (its kinds: `own`) can do in a window, in hand work and on a mill: columns of `walk_trade`.

    `pull`: of a mill with another position, where a cut may be done and its plate still stand when the window begins.
    """
    cut, load, unload, run_cut, run_load, run_unload, exchange = (column for column in np.where(own[:, None], least, 0).T)
    hand = load + unload
    run_cut, run_load, run_unload, exchange = (int(seconds) for seconds in runs[3:])

    def most(seconds: Ints) -> int:
        return int((pieces @ np.where(own, seconds, 0)).max(initial=0))

    def beside(other: Ints, work: Ints) -> float:
        return float((other[work > 0] / work[work > 0]).min(initial=1e9)) if (work > 0).any() else 0.0

    run_hand = run_load + run_unload + exchange
    first_hand = run_unload + most(unload) + exchange  # of a run that is cut, or waits for it, when the window begins
    return [
        [first_hand, first_hand, run_hand, run_hand + run_cut, most(hand), beside(cut, hand)],
        [run_load + most(load) + place + pull, pull, run_cut + exchange, run_cut + run_hand, most(cut), beside(hand, cut)],
    ]


def _lists(p: Arrays, operator: int, longest: Ints) -> tuple[Ints, Ints, dict[int, int], Ints]:
    """The operator's time as list 0 (overtime joined), then every other list used; their new numbers by the old; mill time by machine."""
    def of(number: int) -> list[Span]:
        return [(int(a), int(b)) for a, b in p.lists[p.list_from[number]:p.list_from[number + 1]]]

    rows = [merge(sorted(of(int(p.l_operator[operator])) + of(int(p.l_overtime[operator]))))]
    numbers: dict[int, int] = {}
    for number in [int(n) for n in (*p.l_spindle, *p.l_cut, *p.l_open) if n >= 0]:
        if number not in numbers:
            numbers[number] = len(rows)
            rows.append(of(number))
    if any(of(int(n)) for n in p.l_overtime):  # who works overtime attends the mills, so night limits are left out
        numbers.update({int(cut): numbers[int(spindle)] for cut, spindle in zip(p.l_cut, p.l_spindle, strict=True)})
    mill = np.arange(len(rows), len(rows) + len(p.m_place))
    horizon = int(p.horizon[0])
    for m in range(len(p.m_place)):
        spindle, cuts = rows[numbers[int(p.l_spindle[m])]], rows[numbers[int(p.l_cut[m])]]
        rows.append(_mill_time(rows[0], spindle, cuts, int(longest[m]) * int(p.m_places[m]), horizon))
    rows.append(_mill_time(rows[0], [(0, horizon)], [(0, horizon)], int(longest.max()), horizon))
    offsets = np.concatenate([[0], np.cumsum([len(row) for row in rows])]).astype(np.int64)
    return np.array([span for row in rows for span in row], dtype=np.int64).reshape(-1, 2), offsets, numbers, mill.astype(np.int64)


def _mill_time(worked: list[Span], spindle: list[Span], cuts: list[Span], most: int, horizon: int) -> list[Span]:
    """The time that a mill can use at most: while the operator works, all that it is open; between, the first `most` seconds of cuts.

    Nobody exchanges plates while the operator is away, so what stands on the mill then is all that can be cut: one run per
    position. Taking it at the start of the gap only helps.
    """
    closed = subtract([(0, horizon)], spindle)
    spans = subtract(worked, closed)
    forbidden = subtract([(0, horizon)], cuts)
    for gap in subtract([(0, horizon)], worked):
        left = most
        for a, b in subtract([gap], forbidden):
            if left > 0:
                spans.append((a, min(b, a + left)))
                left -= min(b - a, left)
    return merge(sorted(spans))


def _before(spans: Ints, offsets: Ints) -> Ints:
    """For every span the seconds of its list before it."""
    lengths = spans[:, 1] - spans[:, 0]
    total = np.concatenate([[0], np.cumsum(lengths)])
    return np.asarray(total[:-1] - np.repeat(total[offsets[:-1]], np.diff(offsets)), dtype=np.int64)
