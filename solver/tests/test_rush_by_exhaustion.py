"""A rush order on one plate against every list of runs there is: the earliest harmless finish, and the earliest at any price.

One mill, one plate of two nests, Ana. A run of n pieces by F1, seconds: load 600, place 10, cut 2,400 n, pull 10, unload 300. With one
plate the runs follow each other, and each task as early as it can is best for every order; so all that is open is which pieces lie in
which run.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import product

import pytest

from platerota_shared.audit import audit
from platerota_shared.effects import effect
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from platerota_shared.rush_orders import Standing, front
from platerota_shared.starts import Aim, Start
from platerota_shared.tables import PlanRequest
from platerota_solver import solve

from .shops import HOUR, NOW, Raw, Times, order, shift, tiny_shop

NESTS = 2
RUSH = "R"
Orders = Mapping[str, tuple[int, int, float]]
"""Order -> pieces, seconds from `now` to the due date, weight."""

CASES: dict[str, tuple[Orders, Orders, str | None]] = {
    "two orders as tight as can be": ({"A": (2, 5_720, 1.0), "B": (2, 11_440, 3.0)}, {RUSH: (2, 5_720, 1.0)}, None),
    "room in a run that is half empty": ({"A": (1, 3 * HOUR, 1.0), "B": (2, 3 * HOUR, 1.0)}, {RUSH: (1, HOUR, 1.0)}, None),
    "one is late already, and may not be later": ({"A": (2, HOUR, 2.0), "B": (1, 24 * HOUR, 1.0)}, {RUSH: (2, 2 * HOUR, 5.0)}, None),
    "a break in the way": ({"A": (2, 4 * HOUR, 1.0), "B": (1, 4 * HOUR, 2.0)}, {RUSH: (2, 3 * HOUR, 1.0)}, "08:00-09:00"),
}


def week(orders: Orders, pause: str | None) -> Raw:
    """The raw request."""
    raw = tiny_shop()
    raw["shop"]["nests"][0]["count"] = NESTS
    raw["shop"]["shifts"] = [shift("Ana", breaks=[pause] if pause is not None else [])]
    raw["orders"] = [order(name, pieces, due, weight=weight) for name, (pieces, due, weight) in orders.items()]
    return raw


def working(pause: str | None) -> list[Times]:
    """Ana's working time in the first day, seconds after `now`."""
    if pause is None:
        return [(0, 48 * HOUR)]
    start, end = (int(text[:2]) * HOUR - 6 * HOUR for text in pause.split("-"))
    return [(0, start), (end, start + 24 * HOUR)]


def every_list(left: Mapping[str, int]) -> Iterator[list[dict[str, int]]]:
    """Every list of runs that makes the pieces left."""
    if not any(left.values()):
        yield []
        return
    for counts in product(*(range(count + 1) for count in left.values())):
        if 0 < sum(counts) <= NESTS:
            run = dict(zip(left, counts, strict=True))
            for rest in every_list({name: left[name] - run[name] for name in left}):
                yield [run, *rest]


def finishes(runs: list[dict[str, int]], spans: list[Times]) -> dict[str, int]:
    """When each order is finished, seconds after `now`: tasks one after the other, hand work in working time alone."""
    clock, found = 0, dict[str, int]()
    for run in runs:
        for seconds, by_hand in ((600, True), (10, True), (2_400 * sum(run.values()), False), (10, True), (300, True)):
            if by_hand:
                clock = min(max(clock, start) for start, end in spans if max(clock, start) + seconds <= end)
            clock += seconds
        found |= {name: clock for name, count in run.items() if count}
    return found


def standings(base: Plan, orders: Orders, pause: str | None) -> list[Standing]:
    """How every list of runs stands for the rush order."""
    before = {result.id: result.late_seconds or 0 for result in base.orders}
    found = list[Standing]()
    for runs in every_list({name: pieces for name, (pieces, _, _) in orders.items()}):
        ends = finishes(runs, working(pause))
        later = {name: max(ends[name] - orders[name][1], 0) - late for name, late in before.items()}
        pays = {name: seconds for name, seconds in later.items() if seconds > 0}
        pain = sum(orders[name][2] * seconds / HOUR for name, seconds in pays.items())
        found.append(Standing(str(runs), NOW + ends[RUSH], 0, len(pays), pain, 0.0))
    return found


def planned(request: PlanRequest, base: Plan, aim: Aim | None) -> Plan:
    plan = solve(request, start=Start(base, aim=aim))
    assert audit(request, plan) == []
    return plan


@pytest.mark.parametrize("case", CASES)
def test_what_is_found_for_a_rush_order_is_what_exhaustion_finds(case: str) -> None:
    orders, rush, pause = CASES[case]
    base_request, request = read_request(week(orders, pause)), read_request(week({**orders, **rush}, pause))
    base = solve(base_request)
    every = standings(base, {**orders, **rush}, pause)
    aims = (Aim(RUSH, 1e5, harmless=True), Aim(RUSH, 1e6), None)
    plans = [planned(request, base, aim) for aim in aims]
    finish = [next(result.finish for result in plan.orders if result.id == RUSH) for plan in plans]
    found = [Standing.of("", finish[index], effect(base_request, base, request, plan)) for index, plan in enumerate(plans)]
    assert {(one.finish, round(one.pain, 6)) for one in found} <= {(one.finish, round(one.pain, 6)) for one in every}
    assert found[0].harmless
    assert found[0].finish == min(one.finish or 0 for one in every if one.harmless)
    assert found[1].finish == min(one.finish or 0 for one in every)
    assert (found[1].finish or 0) <= (found[0].finish or 0)
    best = {(one.finish, round(one.pain, 6)) for one in front(every)}
    assert {(one.finish, round(one.pain, 6)) for one in front(found[:2])} <= best
