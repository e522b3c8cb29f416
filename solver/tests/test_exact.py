"""Proofs of small weeks: against plain enumeration, by the audit, and unchanged by what cannot matter."""

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from benchmarks.generator import make_request, read_features
from benchmarks.job_shops import job_shop_request
from platerota_shared.audit import audit
from platerota_shared.plan import SolverReport
from platerota_shared.reading import read_request
from platerota_solver import solve
from platerota_solver.constructing import sequences
from platerota_solver.decoding import Decoder, fitting
from platerota_solver.describe import describe
from platerota_solver.exact import Proof, prove
from platerota_solver.exact.walk import Walking
from platerota_solver.exact.walk_tables import walk_shop
from platerota_solver.kernel.state import first_choices
from platerota_solver.problem import Problem, build_problem
from platerota_solver.schedule import Schedule, runs_and_tasks
from proof_tools.outside import Outside

from .shops import DAY, HOUR, add_part, at, mill, order, plate, shift, tiny_shop

SECONDS = 20.0
Raw = dict[str, Any]
Pieces = tuple[int, ...]  # by order
Plates = list[tuple[int, Pieces]]  # stage and pieces


def start_of(problem: Problem) -> Schedule:
    """The plan of the due-date sequence."""
    decoder = Decoder(problem)
    return decoder.schedule(fitting(decoder, first_choices(problem, sequences(problem)["due"])))


def proof_of(raw: Raw, seconds: float = SECONDS) -> Proof:
    """The proof of a week, any better plan audited."""
    request = read_request(raw)
    problem = build_problem(request)
    start = start_of(problem)
    proof = prove(problem, start, start.points, 0.0, seconds, repeatable=True, should_stop=lambda: False)
    if proof.schedule is not None:
        runs, tasks = runs_and_tasks(problem, proof.schedule)
        quality = "optimal" if proof.proved else "feasible"
        plan = describe(request, runs, tasks, bound=proof.bound, quality=quality, unplaced={}, solver=SolverReport(seconds=0.0, seed=1))
        assert audit(request, plan) == []
        assert plan.score.total == pytest.approx(proof.points)
    return proof


def optimum(raw: Raw) -> float:
    """The proved optimum."""
    proof = proof_of(raw)
    assert proof.proved
    return proof.points


class Enumeration:
    """Every sequence of loads, places, pulls and unloads of a shop with one mill, one op, one operator: no bound, no dominance.

    Plates alike, each with `nests` nests; `orders` are (pieces, due, weight); hand work only within `spans`.
    """

    def __init__(self, orders: list[tuple[int, int, int]], nests: int, plates: int, spans: list[tuple[int, int]]) -> None:
        self.orders, self.nests, self.plates, self.spans = orders, nests, plates, spans
        self.best = float("inf")

    def slot(self, t: int, length: int) -> int:
        """The earliest start from t on inside working time."""
        return next(max(a, t) for a, b in self.spans if max(a, t) + length <= b)

    def run(self) -> float:
        """The least score: 100 points an hour late, 1 to the finish, by weight."""
        self.step(0, 0, [(0, ())] * self.plates, tuple(pieces for pieces, _, _ in self.orders), 0.0)
        return self.best

    def step(self, t: int, free: int, plates: Plates, left: Pieces, cost: float) -> None:
        """Stages of a plate: 0 empty, 1 loaded, 2 cut in the mill, 3 pulled. Its pieces are counted by order."""
        if cost >= self.best:
            return
        if not any(left) and all(stage == 0 for stage, _ in plates):
            self.best = cost
            return
        seen = set[tuple[int, Pieces]]()
        for k, (stage, held) in enumerate(plates):
            if (stage, held) in seen:
                continue
            seen.add((stage, held))
            if stage == 0:
                for fill in self.fills(left):
                    at_, length = self.slot(t, 100 + 20 * sum(fill)), 100 + 20 * sum(fill)
                    rest = tuple(a - b for a, b in zip(left, fill, strict=True))
                    self.step(at_ + length, free, self.put(plates, k, 1, fill), rest, cost)
            elif stage == 1 and all(other != 2 for other, _ in plates):
                at_ = self.slot(max(t, free), 10)
                self.step(at_ + 10, at_ + 10 + 50 + 200 * sum(held), self.put(plates, k, 2, held), left, cost)
            elif stage == 2:
                at_ = self.slot(max(t, free), 10)
                self.step(at_ + 10, at_ + 10, self.put(plates, k, 3, held), left, cost)
            elif stage == 3:
                at_ = self.slot(t, 60 + 10 * sum(held))
                end = at_ + 60 + 10 * sum(held)
                self.unload(end, free, self.put(plates, k, 0, ()), held, left, cost)

    def unload(self, end: int, free: int, plates: Plates, held: Pieces, left: Pieces, cost: float) -> None:
        """Score the orders whose last pieces these are."""
        for o, pieces in enumerate(held):
            if pieces and not left[o] and not any(other and other[o] for _, other in plates):
                _, due, weight = self.orders[o]
                cost += weight * (end + 100 * max(0, end - due)) / HOUR
        self.step(end, free, plates, left, cost)

    def fills(self, left: Pieces) -> list[Pieces]:
        """Every way to fill up to `nests` nests."""
        found: list[Pieces] = [()]
        for most in left:
            found = [(*fill, pieces) for fill in found for pieces in range(most + 1)]
        return [fill for fill in found if 0 < sum(fill) <= self.nests]

    @staticmethod
    def put(plates: Plates, k: int, stage: int, held: Pieces) -> Plates:
        return [*plates[:k], (stage, held), *plates[k + 1:]]


@pytest.mark.parametrize("seed", range(8))
def test_the_optimum_is_that_of_plain_enumeration(seed: int) -> None:
    random = Random(seed)
    nests, plates = random.choice([(1, 1), (1, 2), (2, 1), (2, 2), (3, 1)])
    sizes = (1, 2) if plates == 2 else random.choice([(2, 2), (1, 3)])
    orders = [(pieces, random.randrange(200, 2_400), random.choice((1, 2))) for pieces in sizes]
    breaks = random.choice(([], ["06:10-06:20"], ["06:08-06:40"]))
    raw = tiny_shop()
    raw["shop"]["fixtures"] = [
        {"id": "F", "load_seconds": 100, "load_piece_seconds": 20, "unload_seconds": 60, "unload_piece_seconds": 10, "cycle_seconds": 50}]
    raw["shop"]["nests"][0]["count"] = nests
    raw["shop"]["operations"][0]["cut_seconds"] = 200
    raw["shop"]["plates"] = [plate(f"P{k}") for k in range(plates)]
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "18:00", breaks=breaks)]
    raw["orders"] = [order(f"O{k}", pieces, due, weight=weight) for k, (pieces, due, weight) in enumerate(orders)]
    pauses = [tuple(60 * (60 * int(hm[:2]) + int(hm[3:]) - 360) for hm in one.split("-")) for one in breaks]
    spans = [(0, pauses[0][0]), (pauses[0][1], DAY // 2)] if pauses else [(0, DAY // 2)]
    assert optimum(raw) == pytest.approx(Enumeration(orders, nests, plates, spans).run())


@pytest.mark.parametrize(("features", "seed"), [
    ("plain", 1), ("plain", 3), ("plain", 8), ("routed", 1), ("routed", 6), ("mixed", 7), ("mixed", 8),
    ("basic", 2), ("basic", 3), ("basic", 8),
])
def test_generated_weeks_are_proved_and_their_plans_valid(features: str, seed: int) -> None:
    optimum(make_request("tiny", seed, read_features(features)))


@pytest.mark.parametrize("features", ["setups", "first_articles", "bench", "overtime"])
def test_rules_that_the_models_leave_out_give_a_bound_and_no_plan(features: str) -> None:
    raw = tiny_shop(quantity=2, due=HOUR)
    shop = raw["shop"]
    if features == "setups":
        shop["machines"][0]["setup_seconds"] = 300
    elif features == "first_articles":
        shop["operations"][0]["first_article_seconds"] = 300
    elif features == "bench":
        shop["operations"][0]["bench_seconds"] = 300
    else:
        shop["shifts"] = [shift("Ana", "06:00", "07:00"), shift("Ana", "07:00", "20:00", overtime=True)]
    proof = proof_of(raw)
    assert proof.schedule is None
    assert not proof.proved
    assert 0 < proof.bound < proof.points


def helped(raw: Raw, help_: str) -> None:
    """Change a shop so that no plan of it becomes impossible."""
    shop = raw["shop"]
    if help_ == "plate":
        shop["plates"].append(plate("P9"))
    elif help_ == "mill":
        shop["machines"].append(mill("M9"))
    elif help_ == "shift":
        shop["shifts"].append(shift("Ana", "14:00", "22:00"))
    elif help_ == "later due date":
        raw["orders"][0]["due"] = at(20 * HOUR)


@pytest.mark.parametrize("help_", ["plate", "mill", "shift", "later due date"])
def test_what_helps_never_worsens_an_optimum(help_: str) -> None:
    raw = tiny_shop(quantity=3, due=2 * HOUR)
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "14:00")]
    add_part(raw, "V", "G", cut=4_000)
    raw["orders"].append(order("Q", 2, 3 * HOUR, part="V"))
    before = optimum(raw)
    helped(raw, help_)
    assert optimum(raw) <= before + 1e-6


def reversed_tables(raw: Raw) -> None:
    for rows in (*raw["shop"].values(), raw["orders"]):
        if isinstance(rows, list):
            rows.reverse()


def renamed(raw: Raw) -> None:
    for row in raw["orders"]:
        row["id"] = f"Z{row['id']}"
    for row in raw["shop"]["plates"]:
        row["id"] = f"X{row['id']}"


@pytest.mark.parametrize("change", [reversed_tables, renamed])
def test_names_and_sequence_of_the_tables_do_not_matter(change: Callable[[Raw], None]) -> None:
    raw = make_request("tiny", 3, ("plain",))
    before = optimum(raw)
    change(raw)
    assert optimum(raw) == pytest.approx(before)


def test_a_job_shop_with_hand_work_is_solved_run_by_run() -> None:
    """Two mills, two ops an order, an operator for 100 s loads: the model of single runs, audited."""
    raw = job_shop_request([[(0, 300), (1, 200)], [(1, 250), (0, 150)], [(0, 100), (1, 400)]], 5.0)
    for fixture in raw["shop"]["fixtures"]:
        fixture.update(load_seconds=100, unload_seconds=50)
    for machine in raw["shop"]["machines"]:
        machine.update(place_seconds=10, pull_seconds=10)
    proof = proof_of(raw)
    assert proof.proved
    assert proof.detail == "one run per op"
    assert proof.points >= 100 + 10 + 800 + 2 * 20 + 50


def test_two_people_at_one_mill_are_proved_run_by_run(outside: Outside) -> None:
    """The walk knows one person; Johnson 1954 for loads before cuts, the numbers a textbook example (Baker, from memory): 24."""
    loads, cuts = (3, 5, 1, 6, 7), (6, 2, 2, 6, 5)
    request = job_shop_request([[(0, cut)] for cut in cuts], 10.0)
    for fixture, seconds in zip(request["shop"]["fixtures"], loads, strict=True):
        fixture.update(machines=[], load_seconds=seconds)
    request["shop"]["operators"] = [{"id": "O1", "skills": ["load"]}, {"id": "O2", "skills": ["exchange", "unload"]}]
    request["shop"]["shifts"].append(request["shop"]["shifts"][0] | {"operator": "O2"})
    request["settings"]["repeatable"] = True
    plan = solve(read_request(request))
    assert plan.quality == "optimal"
    found = plan.score.parts.makespan_hour
    outside(f"makespan of loads {list(loads)}, cuts {list(cuts)}, proved run by run", found, 24, "Baker", "memory", off=1e-6)


def test_a_narrow_walk_still_bounds() -> None:
    """What a narrow walk drops counts with the least that it could have led to."""
    problem = build_problem(read_request(make_request("tiny", 3, ("plain",))))
    shop = walk_shop(problem)
    assert shop is not None
    whole = Walking(shop, 50.0, None, 10**6, lambda _: False).run()
    for width in (1, 10, 100):
        narrow = Walking(shop, 50.0, width, 10**6, lambda _: False).run()
        assert narrow.bound <= whole.total + 1e-9 <= narrow.total + 2e-9


def test_a_walk_that_must_stop_says_what_is_left() -> None:
    problem = build_problem(read_request(make_request("tiny", 2, ("plain",))))
    start = start_of(problem)
    proof = prove(problem, start, start.points, 0.0, 0.01, repeatable=True, should_stop=lambda: False)
    assert not proof.proved
    assert 0 < proof.bound <= proof.points


def test_orders_left_out_of_the_only_plan_known_are_no_proof() -> None:
    raw = tiny_shop(quantity=30)
    raw["settings"]["horizon_days"] = 1
    problem = build_problem(read_request(raw))
    start = start_of(problem)
    assert start.unplaced
    assert not prove(problem, start, start.points, 0.0, SECONDS, repeatable=True, should_stop=lambda: False).proved


def test_a_week_that_neither_model_knows_is_not_called_proved() -> None:
    """Two mills and plates that go round: nothing is claimed beyond what was known before."""
    problem = build_problem(read_request(make_request("small", 1, read_features("full"))))
    start = start_of(problem)
    proof = prove(problem, start, start.points, 1.0, SECONDS, repeatable=True, should_stop=lambda: False)
    assert (proof.schedule, proof.proved, proof.bound, proof.detail) == (None, False, 1.0, "not for the exact models")
