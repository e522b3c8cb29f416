"""Monolith and PyJobShop: audited plans of the same request, never worse than where they began, and clear refusals."""

from __future__ import annotations

import pytest
from ortools.sat.python import cp_model

from benchmarks.generator import make_request, read_features
from benchmarks.measure import Job, measure
from benchmarks.monolith import Week, solve_monolith
from benchmarks.pyjobshop_model import solve_pyjobshop
from benchmarks.trips import CannotExpress, NoFigure, Trip, answer, constructive_plan, links, trips_of
from platerota_shared.audit import audit
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest
from platerota_solver.problem import build_problem

from .shops import add_part, finish, plate, solved, tiny_shop

BOTH = "plain,positions,unattended,skills,weights,release,pieces"


def generated(family: str, seed: int, features: str) -> PlanRequest:
    return read_request(make_request(family, seed, read_features(features), 1.0))


@pytest.mark.parametrize("fills_free", [False, True])
@pytest.mark.parametrize("features", ["plain", "routed", "mixed", "basic", "routed,after"])
def test_the_monoliths_hint_is_a_complete_plan_of_the_same_score(features: str, fills_free: bool) -> None:
    """With every variable fixed to its hint the model has a solution, and its objective is the plan's score."""
    request = generated("small", 2, features)
    plan, problem = constructive_plan(request), build_problem(request)
    week = Week(problem, trips_of(problem, plan), [], fills_free=fills_free)
    assert len(week.model.proto.solution_hint.vars) == len(week.model.proto.variables)
    solver = cp_model.CpSolver()
    solver.parameters.fix_variables_to_their_hinted_value = True
    solver.parameters.num_workers = 1
    assert solver.solve(week.model) == cp_model.OPTIMAL
    settled = plan.score.total - solver.objective_value / (3_600 * _unit(request))
    assert settled == pytest.approx(0.0, abs=1e-6)


def _unit(request: PlanRequest) -> int:
    """Whole units in a point-hour: the weights of `basic` have halves."""
    return 2 if any(order.weight % 1 for order in request.orders) else 1


@pytest.mark.parametrize(("features", "seed"), [("plain", 3), ("routed", 1), ("mixed", 3), (BOTH, 2)])
def test_both_references_give_audited_plans_no_worse_than_their_start(features: str, seed: int) -> None:
    request = generated("tiny", seed, features)
    start = constructive_plan(request)
    for reference in (solve_monolith, solve_pyjobshop):
        found = reference(request, 1.0, workers=1, plan=start)
        assert audit(request, found.plan) == []
        assert found.plan.score.total <= start.score.total + 1e-6


@pytest.mark.parametrize(("features", "seed"), [("plain", 3), ("mixed", 8), ("basic", 2)])
def test_no_reference_beats_our_bound_and_none_a_proved_optimum(features: str, seed: int) -> None:
    raw = make_request("tiny", seed, read_features(features), 4.0)
    raw["settings"]["repeatable"] = True
    request, ours = read_request(raw), solved(raw)
    assert ours.quality == "optimal"
    assert solve_monolith(request, 2.0, workers=2).plan.score.total >= ours.score.bound - 1e-6


@pytest.mark.parametrize("reference", [solve_monolith, solve_pyjobshop])
def test_a_week_that_both_prove_has_our_optimum(reference: object) -> None:
    """Two plates, two orders, two ops: small enough for every model to prove."""
    raw = tiny_shop(quantity=2, due=7_000)
    raw["shop"]["plates"].append(plate("P2"))
    add_part(raw, "W", "G", op=20)
    request, ours = read_request(raw), solved(raw)
    assert ours.quality == "optimal"
    found = reference(request, 20.0, workers=2)  # type: ignore[operator]
    assert found.plan.score.total == pytest.approx(ours.score.total)
    assert finish(found.plan) == finish(ours)


def test_what_a_reference_does_not_know_is_refused_by_name() -> None:
    full = generated("tiny", 1, "full")
    with pytest.raises(CannotExpress, match="setups") as refused:
        solve_monolith(full, 1.0)
    assert {"setups", "first articles", "bench work", "automatic exchange", "overtime"} <= set(refused.value.features)
    with pytest.raises(CannotExpress, match="closures of one plate"):
        solve_pyjobshop(generated("small", 3, "closures"), 1.0)
    raw = tiny_shop(quantity=2)
    add_part(raw, "W", "G", op=20)
    raw["shop"]["fixtures"].append({"id": "H"})
    raw["shop"]["plates"].append(plate("P-H", "H"))
    raw["shop"]["nests"].append({"fixture": "H", "part": "W", "op": 20, "count": 1})
    request = read_request(raw)
    with pytest.raises(CannotExpress, match="several fixtures"):
        solve_monolith(request, 1.0)


def test_the_monolith_waits_after_an_op() -> None:
    """A run of op 10, an hour to cool, a run of op 20."""
    raw = tiny_shop()
    raw["shop"]["operations"][0]["after_seconds"] = 3_600
    add_part(raw, "W", "G", op=20)
    found = solve_monolith(read_request(raw), 1.0, workers=1)
    assert finish(found.plan) == 2 * 3_320 + 3_600


def test_a_refusal_is_a_row_without_a_score() -> None:
    row = measure(Job("pyjobshop", "tiny", "closures", 1, 1.0))
    assert "score" not in row["figures"]
    assert "closures of one plate" in row["how"]["refused"]


def test_a_plan_with_findings_is_no_figure() -> None:
    request = generated("tiny", 1, "plain")
    problem = build_problem(request)
    trips = trips_of(problem, constructive_plan(request))
    late = trips[0]
    broken = Trip(late.carrier, late.machine, late.pieces, (late.at[0] + 60, *late.at[1:]), late.end, late.by)
    with pytest.raises(NoFigure, match="findings"):
        answer("a broken one", problem, [broken, *trips[1:]], [], "", 0.0)


def test_pieces_go_from_op_to_op_first_in_first_out() -> None:
    request = generated("small", 1, "routed")
    problem = build_problem(request)
    trips = trips_of(problem, constructive_plan(request))
    found = links(problem, trips)
    assert found
    for maker, user in found:
        assert trips[maker].end[4] <= trips[user].at[0]
        made = {int(problem.arrays.i_next[item]) for item, _ in trips[maker].pieces}
        assert made & {item for item, _ in trips[user].pieces}
