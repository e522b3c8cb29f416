"""The walk's bound and what it leaves out, against plain enumeration of shops where several things share one mill and one operator."""

from dataclasses import dataclass, field
from itertools import product
from random import Random

import numpy as np
import pytest

from benchmarks.generator import make_request, read_features
from platerota_shared.reading import read_request
from platerota_solver.bounds import lower_bound
from platerota_solver.constructing import sequences, split_tokens
from platerota_solver.decoding import Decoder, fitting
from platerota_solver.exact import prove
from platerota_solver.exact.walk import Walking, children, first_label, join, take
from platerota_solver.exact.walk_steps import Labels
from platerota_solver.exact.walk_tables import Walk, walk_shop
from platerota_solver.problem import build_problem

from .shops import DAY, HOUR, Raw, order, plate, shift, tiny_shop

Fill = tuple[int, ...]  # pieces by kind
Stand = tuple[int, int, Fill]  # fixture, stage, pieces of a plate
EMPTY, LOADED, CUT, OFF = range(4)
PLACE, LOAD, LOAD_PIECE, UNLOAD, UNLOAD_PIECE, CYCLE = 10, 100, 20, 60, 10, 50


@dataclass
class TwoOps:
    """Every sequence of steps of a shop with one mill and one operator whose orders take one op or two; no bound but the time so far.

    A kind is an op of an order: `pieces`, `before` (the kind of the op before, -1 for none), `order`, `cut` seconds a piece. `nests`
    of each fixture by kind; `plates` by fixture. Orders are (due, weight).
    """

    orders: list[tuple[int, int]]
    pieces: list[int]
    before: list[int]
    order: list[int]
    cut: list[int]
    nests: list[Fill]
    plates: list[int]
    spans: list[tuple[int, int]]
    best: float = float("inf")
    seen: set[tuple[object, ...]] = field(default_factory=set[tuple[object, ...]])

    def run(self) -> float:
        """The least score: 100 points an hour late, 1 to the finish, by weight."""
        zero: Fill = (0,) * len(self.pieces)
        stands: list[Stand] = [(f, EMPTY, zero) for f, count in enumerate(self.plates) for _ in range(count)]
        self.step(0, 0, stands, tuple(self.pieces), zero)
        return self.best

    def slot(self, t: int, length: int) -> int:
        """The earliest start from t on inside working time."""
        return next(max(a, t) for a, b in self.spans if max(a, t) + length <= b)

    def step(self, t: int, free: int, stands: list[Stand], left: Fill, through: Fill, cost: float = 0.0) -> None:
        """One more step of the operator; `through` counts unloaded pieces by kind."""
        open_orders = {self.order[k] for k, pieces in enumerate(self.pieces) if through[k] < pieces}
        if cost + sum(self.points(o, t) for o in open_orders) >= self.best:
            return
        if not open_orders:
            self.best = cost
            return
        stands = sorted(stands)
        key = (t, max(free, t), tuple(stands), left, through, round(cost, 6))
        if key in self.seen:
            return
        self.seen.add(key)
        for k, stand in enumerate(stands):
            if stand not in stands[:k]:
                self.move(t, free, stands[:k] + stands[k + 1:], stand, left, through, cost)

    def move(self, t: int, free: int, others: list[Stand], stand: Stand, left: Fill, through: Fill, cost: float) -> None:
        """What may happen to one plate next."""
        fixture, stage, held = stand
        if stage == EMPTY:
            for fill in self.fills(fixture, left, through):
                end = self.slot(t, LOAD + LOAD_PIECE * sum(fill)) + LOAD + LOAD_PIECE * sum(fill)
                rest = tuple(a - b for a, b in zip(left, fill, strict=True))
                self.step(end, free, [*others, (fixture, LOADED, fill)], rest, through, cost)
        elif stage == LOADED and all(other != CUT for _, other, _ in others):
            end = self.slot(max(t, free), PLACE) + PLACE
            cut = CYCLE + sum(pieces * seconds for pieces, seconds in zip(held, self.cut, strict=True))
            self.step(end, end + cut, [*others, (fixture, CUT, held)], left, through, cost)
        elif stage == CUT:
            end = self.slot(max(t, free), PLACE) + PLACE
            self.step(end, end, [*others, (fixture, OFF, held)], left, through, cost)
        elif stage == OFF:
            end = self.slot(t, UNLOAD + UNLOAD_PIECE * sum(held)) + UNLOAD + UNLOAD_PIECE * sum(held)
            now = tuple(a + b for a, b in zip(through, held, strict=True))
            for o in range(len(self.orders)):
                own = [k for k in range(len(left)) if self.order[k] == o]
                if all(now[k] == self.pieces[k] for k in own) and any(held[k] for k in own):
                    cost += self.points(o, end)
            self.step(end, free, [*others, (fixture, EMPTY, (0,) * len(held))], left, now, cost)

    def points(self, o: int, finish: int) -> float:
        """Points of an order that finishes then."""
        due, weight = self.orders[o]
        return weight * (finish + 100 * max(0, finish - due)) / HOUR

    def fills(self, fixture: int, left: Fill, through: Fill) -> list[Fill]:
        """Every way to fill the nests with pieces that are there."""
        there = [
            left[k] if b < 0 else min(left[k], through[b] - (self.pieces[k] - left[k])) for k, b in enumerate(self.before)
        ]
        most = [min(n, pieces) for n, pieces in zip(self.nests[fixture], there, strict=True)]
        return [fill for fill in product(*(range(n + 1) for n in most)) if any(fill)]


def shop_of(random: Random) -> TwoOps:
    """One order of one op or two, beside another of one op: on plates of its own each, or the two ops on the same plates."""
    structure = random.choice(("mixed", "routed", "plain"))
    quantity, other, nests = random.choice([(2, 1, 1), (2, 2, 2), (3, 1, 2), (3, 2, 3)]) if structure == "plain" else random.choice(
        [(2, 0, 1), (2, 1, 1), (2, 1, 2)])
    orders = [(random.randrange(300, 3_000), random.choice((1, 2))) for _ in range(2 if other else 1)]
    cut = [random.choice((100, 200, 400)) for _ in range(3)]
    if structure == "plain":
        kinds: tuple[list[int], list[int], list[int]] = ([quantity], [-1], [0])
        fixtures = [(nests,)]
    else:
        kinds = ([quantity, quantity], [-1, 0], [0, 0])
        fixtures = [(nests, nests)] if structure == "mixed" else [(nests, 0), (0, 1)]
    plates = [random.choice((1, 2, 3) if structure == "mixed" else (1, 2)) for _ in fixtures]
    pieces, before, own = kinds
    if other:
        fixtures = [(*fixture, 0) for fixture in fixtures] + [(*(0,) * len(pieces), random.choice((1, 2)))]
        plates, pieces, before, own = [*plates, 1], [*pieces, other], [*before, -1], [*own, 1]
    pause = random.choice(((600, 1_200), (1_500, 2_400), (0, 0)))
    return TwoOps(orders, pieces, before, own, cut[:len(pieces)], fixtures, plates, [(0, pause[0]), (pause[1], DAY // 2)])


def request_of(shop: TwoOps) -> Raw:
    """The same shop as a request."""
    raw = tiny_shop()
    table = raw["shop"]
    hands = {
        "load_seconds": LOAD, "load_piece_seconds": LOAD_PIECE, "unload_seconds": UNLOAD, "unload_piece_seconds": UNLOAD_PIECE,
        "cycle_seconds": CYCLE,
    }
    names = [(f"W{o}", 10 if before < 0 else 20) for o, before in zip(shop.order, shop.before, strict=True)]
    table["fixtures"] = [{"id": f"F{f}", **hands} for f in range(len(shop.nests))]
    table["plates"] = [plate(f"P{f}{n}", f"F{f}") for f, count in enumerate(shop.plates) for n in range(count)]
    table["operations"] = [{"part": part, "op": op, "cut_seconds": cut} for (part, op), cut in zip(names, shop.cut, strict=True)]
    table["nests"] = [
        {"fixture": f"F{f}", "part": part, "op": op, "count": count}
        for f, own in enumerate(shop.nests) for (part, op), count in zip(names, own, strict=True) if count
    ]
    a, b = (f"{6 + at // HOUR:02d}:{at % HOUR // 60:02d}" for at in (shop.spans[0][1], shop.spans[1][0]))
    table["shifts"] = [shift("Ana", "06:00", "18:00", breaks=[f"{a}-{b}"] if a != b else [])]
    raw["orders"] = [
        order(f"O{o}", shop.pieces[shop.order.index(o)], due, part=f"W{o}", weight=weight) for o, (due, weight) in enumerate(shop.orders)
    ]
    return raw


@pytest.mark.parametrize("seed", range(24))
def test_two_ops_and_orders_that_compete_are_proved_to_the_optimum_of_plain_enumeration(seed: int) -> None:
    shop = shop_of(Random(seed))
    problem = build_problem(read_request(request_of(shop)))
    decoder = Decoder(problem)
    start = decoder.schedule(fitting(decoder, split_tokens(problem, sequences(problem)["due"])))
    proof = prove(problem, start, start.points, 0.0, 20.0, repeatable=True, should_stop=lambda: False)
    assert proof.proved
    assert proof.points == pytest.approx(shop.run())


@pytest.mark.parametrize(("features", "seed"), [
    ("plain", 3), ("plain", 8), ("routed", 7), ("mixed", 3), ("mixed", 8), ("mixed", 9), ("basic", 3),
])
def test_no_label_on_the_way_to_the_optimum_is_bounded_above_it(features: str, seed: int) -> None:
    """Else the walk could leave the best plan; the other bound of the week may not be above it either."""
    problem = build_problem(read_request(make_request("tiny", seed, read_features(features))))
    shop = walk_shop(problem)
    assert shop is not None
    near = Walking(shop, 100.0, 500, 10**6, lambda _: False).run()
    best = Walking(shop, near.total + 1e-6, None, 10**6, lambda _: False).run()
    limit, label = best.total + 1e-6, first_label(shop.walk)
    for step in best.steps:
        made = children(shop.walk, label, np.inf, range(1))
        label = take(made, np.flatnonzero((made.step == step).all(axis=1))[:1])
        assert label.total[0] <= limit
    assert label.cost[0] == pytest.approx(best.total)
    assert lower_bound(problem, 5.0, repeatable=True).points <= limit


def alike_orders(random: Random) -> Raw:
    """Two or three orders of one part, on two or three plates: each may have the pieces that lie on a plate for another."""
    raw, wanted = tiny_shop(), random.choice((2, 2, 3))
    table = raw["shop"]
    table["fixtures"] = [{
        "id": "F", "load_seconds": random.choice((60, 120)), "load_piece_seconds": random.choice((30, 60)),
        "unload_seconds": random.choice((60, 100)), "unload_piece_seconds": random.choice((20, 50)),
        "cycle_seconds": random.choice((100, 300, 900)),
    }]
    table["plates"] = [plate(f"P{n}", "F") for n in range(random.choice((2, 3)))]
    table["operations"] = [{"part": "W", "op": 10, "cut_seconds": random.choice((10, 100, 200))}]
    table["nests"] = [{"fixture": "F", "part": "W", "op": 10, "count": random.choice((2, 3))}]
    pause = random.randrange(20, 90)
    a, b = (f"{6 + minute // 60:02d}:{minute % 60:02d}" for minute in (pause, pause + 15))
    table["shifts"] = [shift("Ana", "06:00", "20:00", breaks=[f"{a}-{b}"])]
    raw["orders"] = [
        order(f"O{o}", random.randint(2, 5 - wanted // 2), random.randrange(10, 80) * 60, part="W", weight=random.choice((1, 2, 3)))
        for o in range(wanted)
    ]
    return raw


def least_from(w: Walk, label: Labels, width: int = 60) -> float:
    """Points of a good plan that goes on from a label: the cheapest found with so many labels of a layer. Infinite where an order can
    be finished no more, as its last pieces were unloaded as another's."""
    last, waiting = 5 * int(w.kinds.need.sum()), {int(label.layer[0]): [label]}
    while waiting:
        layer = min(waiting)
        labels = join(waiting.pop(layer))
        if layer == last:
            return float(labels.cost[labels.state[:, -1] == (1 << len(w.order_due)) - 1].min(initial=np.inf))
        labels = take(labels, np.argsort(labels.total, kind="stable")[:width])
        made = children(w, labels, np.inf, range(len(labels.cost)))
        for own in np.unique(made.layer):
            waiting.setdefault(int(own), []).append(take(made, np.flatnonzero(made.layer == own)))
    return np.inf


@pytest.mark.parametrize("seed", range(40))
def test_no_label_is_bounded_above_a_plan_that_goes_on_from_it(seed: int) -> None:
    """Also off the best way: a piece that was loaded for one order may be left to another one like it, and full plates loaded beside it."""
    random = Random(seed)
    shop = walk_shop(build_problem(read_request(alike_orders(random))))
    assert shop is not None
    for _ in range(5):
        label = first_label(shop.walk)
        for _ in range(random.randint(1, 14)):
            made = children(shop.walk, label, np.inf, range(1))
            if not len(made.cost):
                break
            row = min(len(made.cost) - 1, int(random.expovariate(1.0)))
            label = take(made, np.argsort(made.total, kind="stable")[[row]])
        if label.layer[0] < 5 * shop.walk.kinds.need.sum():
            assert label.total[0] <= least_from(shop.walk, label) + 1e-6


def test_a_proof_without_time_gives_back_what_is_known() -> None:
    """The search before it may have used the whole budget."""
    problem = build_problem(read_request(tiny_shop()))
    decoder = Decoder(problem)
    start = decoder.schedule(fitting(decoder, split_tokens(problem, sequences(problem)["due"])))
    proof = prove(problem, start, start.points, 0.5, 0.0, repeatable=False, should_stop=lambda: False)
    assert proof.schedule is None
    assert proof.bound >= 0.5
