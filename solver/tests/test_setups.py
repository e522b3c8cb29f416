"""Setups depend on what was cut before: the least tool changes are a shortest path through the fixtures (travelling salesman).

Outside check: exhaustion over every sequence, worked out here.
"""

from __future__ import annotations

from itertools import permutations
from random import Random

import pytest

from platerota_shared.plan import Plan

from .shops import DAY, Raw, finish, mill, order, plate, rate, shift, solved, tasks, times, tiny_shop

CUT = 2_400
TOOL = 60
"""Seconds to load one tool."""


def tool_shop(seed: int, fixtures: int) -> tuple[Raw, list[frozenset[str]]]:
    """One mill, one order per fixture, each with tools of its own drawing; T1 is resident."""
    random = Random(seed)
    tools = [frozenset(random.sample([f"T{number}" for number in range(1, 11)], random.randint(2, 5))) for _ in range(fixtures)]
    raw = tiny_shop()
    shop = raw["shop"]
    shop["machines"] = [mill("M1", tools=["T1"], tool_load_seconds=TOOL, setup_seconds=30)]
    shop["plates"] = [plate(f"P{number}", f"F{number}") for number in range(fixtures)]
    shop["fixtures"] = [{"id": f"F{number}", "load_seconds": 600, "unload_seconds": 300} for number in range(fixtures)]
    shop["nests"] = [{"fixture": f"F{number}", "part": f"W{number}", "op": 10, "count": 1} for number in range(fixtures)]
    shop["operations"] = [{"part": f"W{number}", "op": 10, "cut_seconds": CUT, "tools": sorted(own)} for number, own in enumerate(tools)]
    raw["orders"] = [order(f"O{number}", part=f"W{number}") for number in range(fixtures)]
    raw["settings"]["solve_seconds"] = 1.0
    rate(raw, makespan_hour=1)
    return raw, tools


def setup_seconds(tools: list[frozenset[str]], sequence: tuple[int, ...], last: int | None) -> list[int]:
    """The setups of a sequence of fixtures after fixture `last` (None: unknown): 30 s and a minute per missing tool."""
    held, found = frozenset({"T1"}) | (tools[last] if last is not None else frozenset()), list[int]()
    for number in sequence:
        found.append(0 if number == last else 30 + TOOL * len(tools[number] - held))
        held, last = frozenset({"T1"}) | tools[number], number
    return found


@pytest.mark.parametrize(("seed", "fixtures", "last"), [(1, 5, None), (2, 5, 3), (3, 6, None), (4, 6, 0), (5, 6, None)])
def test_the_sequence_with_the_least_tool_changes_is_found(seed: int, fixtures: int, last: int | None) -> None:
    """First load and setup come one after the other, every later load hides behind a cut; n cuts with place and pull, an unload."""
    raw, tools = tool_shop(seed, fixtures)
    if last is not None:
        raw["floor"]["last_fixtures"] = [{"machine": "M1", "fixture": f"F{last}"}]
    best = min(sum(setup_seconds(tools, sequence, last)) for sequence in permutations(range(fixtures)))
    plan = solved(raw)
    assert sum(end - start for start, end in times(plan, "setup")) == best
    assert finish_of_all(plan) == 600 + best + fixtures * (CUT + 20) + 300


def finish_of_all(plan: Plan) -> int:
    """When the last order finishes."""
    return max(finish(plan, result.id) for result in plan.orders)


def two_fixtures(setup: int) -> Raw:
    """Fixtures F and G on two plates each, three runs of each."""
    raw = tiny_shop()
    shop = raw["shop"]
    shop["machines"] = [mill("M1", setup_seconds=setup)]
    shop["fixtures"].append({"id": "G", "load_seconds": 600, "unload_seconds": 300})
    shop["plates"] = [plate(f"P{number}", fixture) for number, fixture in enumerate("FFGG")]
    shop["nests"].append({"fixture": "G", "part": "V", "op": 10, "count": 1})
    shop["operations"].append({"part": "V", "op": 10, "cut_seconds": CUT})
    raw["orders"] = [order(f"{part}{number}", part=part) for number in range(3) for part in "WV"]
    return raw


def test_runs_of_one_fixture_are_grouped() -> None:
    """Whatever the sequence of the orders, two setups of half an hour are enough; at 5 points each they cost 10."""
    plan = solved(two_fixtures(setup=1_800))
    assert len(tasks(plan, "setup")) == 2
    assert plan.score.parts.setup == pytest.approx(10)


def test_the_fixture_the_mill_is_set_up_for_comes_first() -> None:
    """The floor says G: its three runs need no setup."""
    raw = two_fixtures(setup=1_800)
    raw["floor"]["last_fixtures"] = [{"machine": "M1", "fixture": "G"}]
    plan = solved(raw)
    assert [task.fixture for task in tasks(plan, "setup")] == ["F"]


def test_an_urgent_order_is_worth_a_setup() -> None:
    """W0 is due now and an hour costs 10,000 points: it goes first, though the mill is set up for the other fixture."""
    raw = two_fixtures(setup=300)
    raw["floor"]["last_fixtures"] = [{"machine": "M1", "fixture": "G"}]
    raw["orders"][0].update(due=raw["now"], weight=100)
    plan = solved(raw)
    # Load by 600, set up by 900, place by 910, cut by 3,310, pull by 3,320, unload by 3,620.
    assert finish(plan, "W0") == 3_620


@pytest.mark.parametrize(("resident", "fixed", "seconds"), [(["a"], 0, 120), (["a", "b", "c"], 300, 300), ([], 300, 480)])
def test_resident_tools_are_not_loaded(resident: list[str], fixed: int, seconds: int) -> None:
    """Tools a b c, a minute each; load and setup by the same person come one after the other."""
    raw = tiny_shop()
    raw["shop"]["machines"] = [mill("M1", tools=resident, setup_seconds=fixed)]
    raw["shop"]["operations"][0]["tools"] = ["a", "b", "c"]
    plan = solved(raw)
    assert [end - start for start, end in times(plan, "setup")] == [seconds]
    assert finish(plan) == 3_320 + seconds


@pytest.mark.parametrize(("slots", "machine", "done"), [(3, "M1", 3_320), (2, "M2", 920 + 2 * CUT)])
def test_tools_that_find_no_slot_send_the_work_elsewhere(slots: int, machine: str, done: int) -> None:
    """Three tools; the other mill is half as fast. No setup takes time here."""
    raw = tiny_shop()
    raw["shop"]["machines"] = [mill("M1", tool_slots=slots, tool_load_seconds=0), mill("M2", cut_factor=2, tool_load_seconds=0)]
    raw["shop"]["operations"][0]["tools"] = ["a", "b", "c"]
    plan = solved(raw)
    assert plan.runs[0].machine == machine
    assert finish(plan) == done


def test_a_setup_waits_for_somebody_who_can() -> None:
    """Ana cannot set up; Bo can, from 07:00: setup 3,600-3,900, place by 3,910, cut by 6,310, pull and unload by 6,620."""
    raw = tiny_shop(due=DAY)
    shop = raw["shop"]
    shop["machines"] = [mill("M1", setup_seconds=300)]
    shop["operators"] = [{"id": "Ana", "skills": ["load", "unload", "exchange"]}, {"id": "Bo", "skills": ["setup"]}]
    shop["shifts"] = [shift("Ana"), shift("Bo", "07:00", "14:00")]
    assert finish(solved(raw)) == 6_620
