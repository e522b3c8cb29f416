"""Decisions travel with the plan: a solve that starts from it makes them again, whatever became of the tables."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from benchmarks.generator import FULL, make_request
from platerota_shared import read_request
from platerota_shared.changes import apply_changes
from platerota_shared.plan import Decisions, OrderDecisions, Plan
from platerota_shared.starts import Start
from platerota_shared.tables import PlanRequest
from platerota_solver import solve
from platerota_solver.clock import Clock
from platerota_solver.constructing import construct, vary
from platerota_solver.decisions import choices_of, decisions_of
from platerota_solver.decoding import Decoder
from platerota_solver.keeping import keep_plan
from platerota_solver.listener import Listener
from platerota_solver.problem import build_problem
from platerota_solver.search import Annealing


def raw_week(family: str, features: tuple[str, ...], seed: int, seconds: float = 0.3) -> dict[str, Any]:
    raw = make_request(family, seed, features)
    raw["settings"] = {**raw.get("settings", {}), "solve_seconds": seconds, "repeatable": True}
    return raw


@pytest.mark.parametrize(("features", "seed"), [(("plain",), 1), (("mixed",), 2), (FULL, 3), (FULL, 4)])
def test_decisions_are_read_as_they_were_written(features: tuple[str, ...], seed: int) -> None:
    """After some search nothing is plain; what was written leads to the same choices, and through JSON to the same words."""
    request = read_request(raw_week("small", features, seed))
    problem = build_problem(request)
    decoder = Decoder(problem)
    walk = Annealing(decoder, construct(problem, decoder, Clock(request.settings, Listener()))[0], seed)
    walk.round(0.0, 200)
    decisions = decisions_of(problem, walk.now)
    again = choices_of(problem, Decisions.model_validate_json(decisions.model_dump_json(context=None)))
    for name, array in walk.now._asdict().items():
        if name not in ("skip", "keep", "before"):  # what has no place is tried again, and no run of another plan is kept
            assert np.array_equal(getattr(again, name), array), name
    assert decisions.orders


def test_what_the_tables_do_not_have_is_passed_over() -> None:
    """A plan may come from a file that somebody has edited, and from a week with other tables."""
    request = read_request(raw_week("small", ("plain",), 1))
    problem = build_problem(request)
    first = request.orders[0].id
    found = choices_of(problem, Decisions(
        turns=("nobody", first, first), overtime=(("nobody", 0),), builds=(("no plate", "no fixture"),), orders=(
            OrderDecisions(id="nobody", off_machines=("none",)),
            OrderDecisions(
                id=first, off_machines=("none", request.shop.machines[1].id), off_plates=(("no plate", "no fixture"),),
                habits={"quota": -3, "room": 2, "late": 99, "tokens": 1},
            ),
        ),
    ))
    assert found.tokens.tolist() == [0, 0]
    assert (found.quota[0], found.room[0], found.late[0]) == (2**40, 2, 0)
    assert found.no_machine.sum() == found.no_machine[0, 1] == 1
    assert not found.no_carrier.any()
    assert not found.overtime.any()


def rush_week(seed: int) -> tuple[Plan, PlanRequest]:
    """A week's plan, and the week with one order more, due before most others."""
    raw = raw_week("small", ("plain",), seed, 1.0)
    due = sorted(order["due"] for order in raw["orders"])[2]
    order = {"id": "RUSH", "part": raw["orders"][0]["part"], "quantity": raw["orders"][0]["quantity"], "due": due}
    return solve(read_request(raw)), apply_changes(raw, [{"kind": "add_order", **order}]).request


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_new_order_is_put_where_it_costs_least(seed: int) -> None:
    """Among the starts is one with the decisions of the plan and the order at the best of its places, which every place confirms."""
    base, request = rush_week(seed)
    problem = keep_plan(build_problem(request), Start(base))
    decoder = Decoder(problem)
    starts = vary(problem, decoder, Clock(request.settings, Listener()), base)
    assert base.solver.decisions is not None
    plain = choices_of(problem, base.solver.decisions)
    new = len(request.orders) - 1
    own = starts[0].tokens[starts[0].tokens == new]
    plain.quota[new] = starts[0].quota[new]
    every = [decoder.score(plain._replace(tokens=np.insert(plain.tokens, k, own))) for k in range(len(plain.tokens) + 1)]
    scores = [decoder.score(one) for one in starts]
    assert any(math.isclose(score, min(every)) for score in scores)
    assert scores[0] == min(scores)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_order_that_is_due_later_may_let_all_others_pass(seed: int) -> None:
    """Among the starts is one with the decisions of the plan and that order at the best of its places, which every place confirms."""
    raw = raw_week("small", ("plain",), seed)
    base = solve(read_request(raw))
    late = max(base.orders, key=lambda row: (row.finish or 0) - row.due)
    due = datetime.fromtimestamp(late.due + 86_400, UTC).isoformat()
    request = apply_changes(raw, [{"kind": "change_order", "order": late.id, "due": due}]).request
    problem = keep_plan(build_problem(request), Start(base))
    decoder = Decoder(problem)
    starts = vary(problem, decoder, Clock(request.settings, Listener()), base)
    assert base.solver.decisions is not None
    same, row = choices_of(problem, base.solver.decisions), next(k for k, one in enumerate(request.orders) if one.id == late.id)
    anew = next(one for one in starts if not one.keep.any() and one.tokens.tolist() != same.tokens.tolist())
    own, others = anew.tokens[anew.tokens == row], same.tokens[same.tokens != row]
    assert anew.tokens[anew.tokens != row].tolist() == others.tolist()
    plain = same._replace(quota=anew.quota)
    every = [decoder.score(plain._replace(tokens=np.insert(others, k, own))) for k in range(len(others) + 1)]
    assert any(math.isclose(decoder.score(one), min(every)) for one in starts)


def test_decisions_stay_with_a_plan_that_started_from_another() -> None:
    """A what-if of a what-if starts as well as the first one; the same request and start give the same bytes."""
    base, request = rush_week(1)
    first = solve(request, start=Start(base))
    assert first.solver.decisions is not None
    assert "RUSH" in first.solver.decisions.turns
    again = solve(request, start=Start.from_document(json.loads(Start(base).text())))
    assert again.text() == first.text()


def test_a_replan_hands_on_the_decisions_of_its_plan() -> None:
    """It keeps runs, so it has none of its own; a what-if of the replan still has where to start from."""
    base, _ = rush_week(1)
    request = read_request(raw_week("small", ("plain",), 1))
    again = solve(request, start=Start(base, counts_moves=True))
    assert again.solver.decisions == base.solver.decisions
    assert again.solver.decisions is not None
