"""Somebody with each needed skill has a shift inside the horizon (F11)."""

from __future__ import annotations

from typing import Any

import pytest

from .tiny_shop import add, changed, faults, found, row, whole_floor

NO_SKILL = [("/shop/operators", "nobody")]
NO_SHIFT = [("/shop/shifts", "nobody")]
BUILT = (row("plates", 1, fixture=None), row("fixtures", 1, build_seconds=3_600))


@pytest.mark.parametrize(
    ("changes", "skills", "faults"),
    [
        ((), [], []), ((), ["load", "unload", "exchange"], []), ((), ["load", "unload"], NO_SKILL), ((), ["exchange", "unload"], NO_SKILL),
        ((), ["load", "exchange"], NO_SKILL),
        ((row("orders", quantity=8), add("floor.pieces", order="O1", op=20, pieces=8)), ["bench"], []),
        ((row("machines", setup_seconds=60),), ["load", "unload", "exchange"], NO_SKILL),
        ((row("machines", setup_seconds=60),), ["load", "unload", "exchange", "setup"], []),
        ((row("operations", 0, tools=["T1"]),), ["load", "unload", "exchange"], NO_SKILL),
        ((row("operations", 0, tools=["T1"]), row("machines", tools=["T1"])), ["load", "unload", "exchange"], []),
        ((row("operations", 0, tools=["T1"]), row("machines", tool_load_seconds=0)), ["load", "unload", "exchange"], []),
        ((row("operations", 0, bench_seconds=30),), ["load", "unload", "exchange"], NO_SKILL),
        ((row("operations", 1, first_article_seconds=30),), ["load", "unload", "exchange"], NO_SKILL),
        ((row("operations", 0, first_article_seconds=30), add("floor.pieces", order="O1", op=10, pieces=1)),
         ["load", "unload", "exchange"], []),
        (BUILT, ["load", "unload", "exchange"], NO_SKILL), (BUILT, ["load", "unload", "exchange", "build"], []),
        ((row("plates", 0, stays_in="M1"), row("plates", 1, stays_in="M1"), row("machines", positions=2)), ["load", "unload"], []),
    ],
)
def test_the_skills_that_an_order_needs(changes: tuple[Any, ...], skills: list[str], faults: list[Any]) -> None:
    assert found(changed(*changes, row("operators", skills=skills))) == faults


def test_a_fixture_already_on_the_machine_needs_no_setup_but_the_other_does() -> None:
    changes = (row("machines", setup_seconds=60), row("operators", skills=["load", "unload", "exchange"]))
    second = add("machines", id="M2", mount="A", travel_x=500, travel_y=400, setup_seconds=60)
    last = [add("floor.last_fixtures", machine=machine, fixture=fixture) for machine, fixture in (("M1", "F10"), ("M2", "F20"))]
    assert found(changed(*changes, last[0])) == NO_SKILL
    assert found(changed(*changes, second, *last)) == []


def test_the_sentence_names_the_skills_together() -> None:
    (fault,) = faults(changed(row("operators", skills=["bench"])))
    assert fault.detail == "the orders need load, exchange and unload, and no operator has that skill"


@pytest.mark.parametrize(
    ("shift", "faults"),
    [
        ({}, []), ({"to": "2027-02-28"}, NO_SHIFT), ({"from_": "2027-03-29"}, []), ({"from_": "2027-03-30"}, NO_SHIFT),
        ({"from_": "2027-03-28", "days": ["sun"]}, []), ({"overtime": True}, []),
    ],
)
def test_a_shift_counts_only_inside_the_horizon(shift: dict[str, Any], faults: list[Any]) -> None:
    # 28 days from Monday 2027-03-01 06:00 end on Monday 2027-03-29 at 07:00, because the clock was put forward on the 28th: the
    # shift of that last day is an hour old.
    assert found(changed(row("shifts", **shift))) == faults


@pytest.mark.parametrize(("who", "faults"), [({}, NO_SHIFT), ({"operator": "Ann"}, NO_SHIFT), ({"machine": "M1"}, [])])
def test_closures_of_the_shop_or_the_operator_take_the_shifts_away(who: dict[str, str], faults: list[Any]) -> None:
    assert found(changed(add("closures", **who, start="2027-03-01T00:00:00", end="2027-04-01T00:00:00"))) == faults


def test_an_operator_without_a_shift_does_nothing() -> None:
    document = changed(row("operators", skills=["load", "unload"]), add("operators", id="Bob"))
    assert found(document) == NO_SHIFT


def test_nobody_is_needed_where_nothing_is_to_do() -> None:
    assert found(changed(lambda d: d.update(orders=[]), lambda d: d["shop"].update(operators=[], shifts=[]))) == []


def test_runs_on_the_floor_need_hands_too() -> None:
    # O1 is all done or under way (1 + 2 + 2 of 5 pieces), O2 is gone: what is left is to finish both runs.
    document = changed(
        lambda d: d["orders"].pop(), row("orders", quantity=5), row("floor.pieces", op=20), row("floor.running", op=10), base=whole_floor,
    )
    assert found(changed(row("operators", 0, skills=["bench"]), row("operators", 1, skills=["bench"]), base=lambda: document)) == NO_SKILL
