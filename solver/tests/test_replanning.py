"""Any plan, at any instant, gives a request for a replan that is accepted, whose pieces add up, and whose replan the audit passes."""

from __future__ import annotations

from collections import Counter
from functools import cache
from itertools import pairwise
from random import Random
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchmarks.generator import FEATURES, FULL, make_request
from platerota_shared import Plan, PlanRequest, read_request
from platerota_shared.audit import audit
from platerota_shared.instants import local_text
from platerota_shared.replanning import Replanning, floor_at
from platerota_shared.starts import Start
from platerota_solver import due_date_plan, solve, solving
from platerota_solver.kernel.state import Choices
from platerota_solver.search import Walks

Raw = dict[str, Any]
EXAMPLES, NIGHTLY = 60, 600
WEEKS = [("tiny", seed) for seed in range(1, 9)] + [("small", seed) for seed in (1, 2)]


@cache
def planned(family: str, seed: int) -> tuple[Raw, PlanRequest, Plan]:
    """A week with a mix of features, and its plan by due date."""
    random = Random(seed)
    chosen = FULL if seed % 4 == 0 else tuple(name for name in FEATURES if random.random() < 0.5)
    raw = make_request(family, seed, chosen, solve_seconds=0.02)
    request = read_request(raw)
    plan = due_date_plan(request)
    assert audit(request, plan) == []
    return raw, request, plan


def replanned(family: str, seed: int, share: float) -> tuple[Replanning, Raw, PlanRequest, Plan]:
    """The request for a replan when that share of the plan's time is over."""
    raw, request, plan = planned(family, seed)
    last = max((task.end for task in plan.tasks), default=plan.now + 3600)
    instant = plan.now + int(share * (min(last + 3600, plan.horizon_end - 1) - plan.now))
    return floor_at(raw, plan, local_text(instant, request.shop.zone)), raw, request, plan


def needed(request: PlanRequest) -> Counter[tuple[str, int]]:
    """Pieces of each op that new runs must make (F13)."""
    found: Counter[tuple[str, int]] = Counter()
    rows = (*request.floor.pieces, *request.floor.running, *request.floor.waiting)
    for order in request.orders:
        for op in {row.op for row in request.shop.operations if row.part == order.part}:
            found[order.id, op] = order.quantity - sum(row.pieces for row in rows if row.order == order.id and row.op >= op)
    return found


def to_come(plan: Plan, now: int) -> Counter[tuple[str, int]]:
    """Pieces of each op in runs of the plan that nobody has begun to load by `now`."""
    loads = {task.run: task for task in plan.tasks if task.kind == "load"}
    found: Counter[tuple[str, int]] = Counter()
    for run in plan.runs:
        load = loads.get(run.id)
        if load is not None and not load.start < now:
            found.update({(row.order, row.op): row.pieces for row in run.pieces})
    return found


def check(family: str, seed: int, share: float) -> None:
    found, _, _, plan = replanned(family, seed, share)
    placed = {result.id for result in plan.orders if result.placed}
    still = {order.id for order in found.request.orders}
    assert all(result.finish is not None and result.finish <= found.request.now for result in plan.orders if result.id not in still)
    wanted, coming = needed(found.request), to_come(plan, found.request.now)
    assert {piece: count for piece, count in wanted.items() if piece[0] in placed and count} == {
        piece: count for piece, count in coming.items() if piece[0] in placed
    }
    assert min(wanted.values(), default=0) >= 0
    again = due_date_plan(found.request)
    assert audit(found.request, again) == []


@settings(max_examples=EXAMPLES, deadline=None, derandomize=True)
@given(st.sampled_from(WEEKS), st.floats(0, 1))
@example(("tiny", 6), 0.25)  # a plate that stays is cut, and another one is being cut on that mill: it is unloaded after that
def test_at_any_instant_the_floor_is_accepted_and_its_pieces_add_up(week: tuple[str, int], share: float) -> None:
    check(*week, share)


@pytest.mark.nightly
@settings(max_examples=NIGHTLY, deadline=None, derandomize=True)
@given(st.integers(1, 10_000), st.floats(0, 1))
def test_at_any_instant_of_many_weeks(seed: int, share: float) -> None:
    check("tiny", seed, share)


def check_broken(family: str, seed: int, share: float, hours: int) -> None:
    """A mill breaks while it cuts: what is planned around that keeps every rule."""
    raw, request, plan = planned(family, seed)
    cuts = sorted((task for task in plan.tasks if task.kind == "cut"), key=lambda task: task.start)
    cut = cuts[int(share * (len(cuts) - 1))]
    now = max(cut.start + 60, plan.now)
    until = local_text(now + hours * 3_600, request.shop.zone)
    happened = {"closed": [{"machine": cut.machine, "until": until, "reason": "spindle"}]}
    found = floor_at(raw, plan, local_text(now, request.shop.zone), happened)
    repeatable = found.request.settings.model_copy(update={"repeatable": True})
    again = solve(found.request.model_copy(update={"settings": repeatable}), None, Start(plan, counts_moves=True, frozen_until=now + 3_600))
    assert audit(found.request, again, plan) == []


@settings(max_examples=EXAMPLES, deadline=None, derandomize=True)
@given(st.sampled_from(WEEKS), st.floats(0, 1), st.integers(1, 8))
@example(("small", 2), 0.63, 5)  # a plate stands in the mill whose cut is put off, and one that is loaded was to follow it there
@example(("small", 2), 0.69, 3)
def test_a_mill_breaks_at_any_instant(week: tuple[str, int], share: float, hours: int) -> None:
    check_broken(*week, share, hours)


@pytest.mark.nightly
@settings(max_examples=NIGHTLY, deadline=None, derandomize=True)
@given(st.integers(1, 10_000), st.floats(0, 1), st.integers(1, 8))
def test_a_mill_breaks_at_any_instant_of_many_weeks(seed: int, share: float, hours: int) -> None:
    check_broken("small", seed, share, hours)


def test_each_search_of_a_replan_begins_at_the_plan_and_walks_elsewhere(monkeypatch: pytest.MonkeyPatch) -> None:
    _, request, plan = planned("small", 1)
    began: list[tuple[int, list[Choices]]] = []

    class Watched(Walks):
        def __post_init__(self) -> None:
            super().__post_init__()
            began.append((self.seed, self.starts))

    monkeypatch.setattr(solving, "Walks", Watched)
    repeatable = request.settings.model_copy(update={"repeatable": True})
    again = solve(request.model_copy(update={"settings": repeatable}), None, Start(plan, counts_moves=True))
    searches = [stage for stage in again.solver.stages if stage.name == "search"]
    assert len(searches) == len(solving.REPLAN_TRIES) > 1
    assert all(starts is began[0][1] for _, starts in began)
    seeds = sorted(seed for seed, _ in began)
    assert all(later - sooner >= solving.MOST_STARTS for sooner, later in pairwise(seeds))  # each walk adds one to it


@pytest.mark.parametrize("week", WEEKS)
def test_at_the_plans_own_now_the_floor_stays_as_it_was(week: tuple[str, int]) -> None:
    found, _, request, _ = replanned(*week, 0.0)
    before, after = request.floor, found.request.floor
    assert sorted(map(repr, after.running)) == sorted(map(repr, before.running))
    assert sorted(map(repr, after.waiting)) == sorted(map(repr, before.waiting))
    cutting = {row.machine for row in before.running}  # there the fixture being cut is the last one (F8)
    held = [{row.machine: row.fixture for row in floor.last_fixtures if row.machine not in cutting} for floor in (after, before)]
    assert held[0] == held[1]
