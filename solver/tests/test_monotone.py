"""Proved optima of random tiny weeks: what helps never makes one worse, names and the sequence of the tables never change it.

Two kinds of week that `solve` proves: one mill and one operator with free fills of the plates, and several mills and ops with
one piece a run. Repeatable mode, so that the same week is proved on every machine.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from .shops import HOUR, Raw, add_part, at, mill, order, plate, shift, solved, tiny_shop

QUICK = settings(max_examples=6, derandomize=True, deadline=None, database=None, suppress_health_check=list(HealthCheck))
LONG = settings(max_examples=150, deadline=None, database=None, suppress_health_check=list(HealthCheck))
LESS = 1e-6


def optimum(raw: Raw) -> float:
    """The proved and audited optimum."""
    plan = solved(raw)
    assert plan.quality == "optimal"
    return plan.score.total


@st.composite
def walked_weeks(draw: st.DrawFn) -> Raw:
    """One mill, one operator from 06:00 to 12:00 with a break, one or two parts, up to five runs."""
    raw = tiny_shop(quantity=draw(st.integers(1, 3)), due=draw(st.integers(1, 30)) * HOUR)
    raw["shop"]["nests"][0]["count"] = draw(st.integers(1, 2))
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "12:00", breaks=["09:00-09:20"])]
    add_part(raw, "V", "G", cut=draw(st.integers(600, 5_000)))
    raw["orders"].append(order("Q", draw(st.integers(1, 2)), draw(st.integers(1, 30)) * HOUR, part="V", weight=draw(st.integers(1, 3))))
    return _budgeted(raw)


@st.composite
def single_run_weeks(draw: st.DrawFn) -> Raw:
    """Two mills, one operator from 06:00 to 12:00, three orders of one piece and one or two ops, each op on a plate of its own."""
    raw = tiny_shop(due=draw(st.integers(1, 30)) * HOUR)
    shop = raw["shop"]
    shop["machines"].append(mill("M2", cut_factor=draw(st.sampled_from([1, 1.2]))))
    shop["shifts"] = [shift("Ana", "06:00", "12:00")]
    for part in ("V", "U"):
        for op in range(draw(st.integers(1, 2))):
            add_part(raw, part, f"{part}{op}", op=10 * op + 10, cut=draw(st.integers(600, 5_000)))
        raw["orders"].append(order(f"Q{part}", 1, draw(st.integers(1, 30)) * HOUR, part=part, weight=draw(st.integers(1, 3))))
    return _budgeted(raw)


def _budgeted(raw: Raw) -> Raw:
    raw["settings"]["solve_seconds"] = 5
    return raw


def another_plate(raw: Raw) -> None:
    raw["shop"]["plates"].append(plate("P9"))


def another_operator(raw: Raw) -> None:
    raw["shop"]["operators"].append({"id": "Eva"})
    raw["shop"]["shifts"].append(shift("Eva", "08:00", "16:00"))


def another_shift(raw: Raw) -> None:
    raw["shop"]["shifts"].append(shift("Ana", "13:00", "17:00"))


def another_mill(raw: Raw) -> None:
    raw["shop"]["machines"].append(mill("M9"))


def a_later_due_date(raw: Raw) -> None:
    raw["orders"][0]["due"] = at(40 * HOUR)


def reversed_tables(raw: Raw) -> None:
    for rows in (*raw["shop"].values(), raw["orders"]):
        if isinstance(rows, list):
            rows.reverse()


def renamed(raw: Raw) -> None:
    """Every id gets a name that sorts the other way round."""
    ids = sorted({row[key] for table in (*raw["shop"].values(), raw["orders"]) if isinstance(table, list) for row in table
                  for key in ("id", "part") if key in row})
    names = {name: f"{len(ids) - place:03} {name}" for place, name in enumerate(ids)}

    def other(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: other(one) for key, one in value.items()}
        if isinstance(value, list):
            return [other(one) for one in value]
        return names.get(value, value) if isinstance(value, str) else value

    raw.update({key: other(raw[key]) for key in ("shop", "orders")})


HELPS = [another_plate, another_operator, another_shift, another_mill, a_later_due_date]
NOTHING_TO_IT = [reversed_tables, renamed]
Change = Callable[[Raw], None]


def changed(raw: Raw, change: Change) -> Raw:
    """A changed copy."""
    other = copy.deepcopy(raw)
    change(other)
    assert other != raw
    return other


@pytest.mark.parametrize("help_", [help_ for help_ in HELPS if help_ is not another_operator])  # two people are not walked
@QUICK
@given(raw=walked_weeks())
def test_what_helps_never_worsens_a_week_of_one_mill(help_: Change, raw: Raw) -> None:
    assert optimum(changed(raw, help_)) <= optimum(raw) + LESS


@pytest.mark.parametrize("help_", HELPS)
@QUICK
@given(raw=single_run_weeks())
def test_what_helps_never_worsens_a_week_of_single_runs(help_: Change, raw: Raw) -> None:
    assert optimum(changed(raw, help_)) <= optimum(raw) + LESS


@pytest.mark.parametrize("change", NOTHING_TO_IT)
@QUICK
@given(raw=st.one_of(walked_weeks(), single_run_weeks()))
def test_names_and_sequence_of_the_tables_never_change_an_optimum(change: Change, raw: Raw) -> None:
    assert optimum(changed(raw, change)) == pytest.approx(optimum(raw), abs=LESS)


@pytest.mark.nightly
@LONG
@given(raw=single_run_weeks(), help_=st.sampled_from(HELPS), change=st.sampled_from(NOTHING_TO_IT))
def test_many_weeks_of_single_runs(raw: Raw, help_: Change, change: Change) -> None:
    before = optimum(raw)
    assert optimum(changed(raw, help_)) <= before + LESS
    assert optimum(changed(raw, change)) == pytest.approx(before, abs=LESS)
