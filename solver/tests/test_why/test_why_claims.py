"""No sentence about a late order claims more than is known: what it rules out, its own plan does not reach."""

from __future__ import annotations

import re
from random import Random
from zoneinfo import ZoneInfo

import pytest

from benchmarks.generator import FULL, make_request
from platerota_shared.tables import PlanRequest
from platerota_solver import due_date_plan, solve
from platerota_solver.bounds.profiles import bounding_shop
from platerota_solver.problem import build_problem

from .conftest import Shop, plate

_DURATION = r"((?:\d+ h)? ?(?:\d+ min)?(?:\d+ s)?)"
_RULED_OUT = re.compile(rf"^even alone in the empty shop (?:it needs at least|no finish in less than) {_DURATION}\b")
_SECONDS = {"h": 3_600, "min": 60, "s": 1}


def ruled_out(why: str) -> int:
    """The seconds from `now` before which the sentence knows of no finish, 0 where it says no such thing."""
    found = _RULED_OUT.match(why)
    words = found[1].split() if found else []
    return sum(int(count) * _SECONDS[unit] for count, unit in zip(words[::2], words[1::2], strict=True))


def week(seed: int) -> PlanRequest:
    """One or two orders of a piece up to a plateful on two mills and two or three plates, due before most can be done."""
    random, shop = Random(seed), Shop(days=4)
    shop.machines.append(shop.machines[0] | {"id": "M2"})
    shop.plates = [plate(f"P{number}", "F") for number in range(random.randint(2, 3))]
    shop.fixtures[0] |= {"load_seconds": random.randint(1, 10) * 60, "unload_seconds": random.randint(1, 10) * 60}
    shop.operations[0]["cut_seconds"] = random.randint(10, 80) * 60
    for number in range(random.randint(1, 2)):
        shop.order(f"O{number}", quantity=random.randint(1, 5), due=random.choice([0.0, 0.5, 1.0, 2.0, 3.0]))
    return shop.request(solve_seconds=1, repeatable=True)


@pytest.mark.parametrize("seed", range(12))
def test_no_sentence_rules_out_what_its_own_plan_reaches(seed: int) -> None:
    request = week(seed)
    for plan in (solve(request), due_date_plan(request)):
        for order in plan.orders:
            if order.why is not None and order.finish is not None:
                assert ruled_out(order.why) <= order.finish - request.now, order.why


def test_some_sentences_rule_something_out_for_certain_and_some_only_tell_what_was_found() -> None:
    sentences = [order.why or "" for seed in range(12) for order in due_date_plan(week(seed)).orders]
    assert any("it needs at least" in why and ruled_out(why) for why in sentences)
    assert any("was found" in why and ruled_out(why) for why in sentences)


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5, 6])
def test_what_an_order_needs_at_least_is_reached_by_no_plan_sooner(seed: int) -> None:
    raw = make_request("small", seed, FULL, 1)
    for request in (week(seed), PlanRequest.model_validate(raw, context={"zone": ZoneInfo(raw["shop"]["timezone"])})):
        least, plan = bounding_shop(build_problem(request)).earliest, due_date_plan(request)
        for number, order in enumerate(plan.orders):
            assert order.finish is None or least[number] <= order.finish - request.now
