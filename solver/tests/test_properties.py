"""Any mix of features gives a plan that the audit passes; any single corruption of a request gives faults, and nothing else."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from datetime import datetime, timedelta
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st

from benchmarks.generator import FEATURES, make_request
from platerota_shared import RequestRefused, read_request
from platerota_shared.audit import audit
from platerota_shared.faults import CODES
from platerota_solver import due_date_plan, solve

Raw = dict[str, Any]
EXAMPLES, NIGHTLY = 200, 2_000
TIDIED_OVER: dict[str, Any] = {
    "family": "small", "seed": 4_194_305, "horizon_days": 23, "changes": 6,
    "features": {"builds", "automatic", "floor", "bench", "skills", "weights", "mixed", "family"},
}
"""Tidying laid bench work over an exchange that takes no time."""
"""Examples of each property in the normal run and at night."""
QUIET = (HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example)



def mix_of(seed: int) -> dict[str, Any]:
    """A family, features, a horizon and a number of changes, all from one number, so that every mix is as likely as another."""
    random = Random(seed)
    return {
        "family": random.choice(("tiny", "tiny", "small")), "seed": seed, "horizon_days": random.randint(1, 28),
        "features": {name for name in FEATURES if random.random() < 0.4}, "changes": random.randint(0, 6),
    }


mixes = st.integers(1, 2**31 - 1).map(mix_of)


def generated(family: str, seed: int, features: set[str], horizon_days: int, changes: int) -> Raw:
    """A request of that mix, with a few of its rows struck out, halved, closed or set to nothing."""
    raw = make_request(family, seed, [name for name in FEATURES if name in features], solve_seconds=0.02)
    raw["settings"].update(horizon_days=horizon_days, repeatable=True)
    random = Random(seed)
    for _ in range(changes):
        random.choice((strike, close, quicken, hurry))(raw, random)
    return raw


def strike(raw: Raw, random: Random) -> None:
    """A row is gone; what named it may be a fault now."""
    name = random.choice(["plates", "operators", "shifts", "closures", "machines", "nests"])
    if len(raw["shop"][name]) > 1:
        raw["shop"][name].pop(random.randrange(len(raw["shop"][name])))


def close(raw: Raw, random: Random) -> None:
    """Something is closed from some hour for up to three days."""
    begin = datetime.fromisoformat(raw["now"]) + timedelta(minutes=random.randrange(-600, 6_000))
    closure = {"start": begin.isoformat(), "end": (begin + timedelta(minutes=random.randrange(1, 4_000))).isoformat()}
    table = random.choice(["machines", "plates", "operators", None])
    if table is not None:
        closure[table[:-1]] = random.choice(raw["shop"][table])["id"]
    raw["shop"]["closures"].append(closure)


def quicken(raw: Raw, random: Random) -> None:
    """Some work takes no time, or a second."""
    table, fields = random.choice([
        ("fixtures", ["load_seconds", "load_piece_seconds", "clamps"]), ("fixtures", ["unload_seconds", "unload_piece_seconds", "clamps"]),
        ("machines", ["place_seconds"]), ("machines", ["pull_seconds"]), ("operations", ["cut_seconds"]), ("operations", ["bench_seconds"]),
        ("machines", ["setup_seconds", "tool_load_seconds"]),
    ])
    row = random.choice(raw["shop"][table])
    row.update(dict.fromkeys(fields, random.choice((0, 1))))


def hurry(raw: Raw, random: Random) -> None:
    """An order is due already, or wanted by the hundred."""
    row = random.choice(raw["orders"])
    row.update(random.choice(({"due": raw["now"]}, {"quantity": row["quantity"] * 3})))


def check_plans(mix: dict[str, Any]) -> None:
    """Both plans of a valid request pass the audit; a request that a struck row has spoilt is refused with faults."""
    try:
        request = read_request(generated(**mix))
    except RequestRefused as refused:
        event("refused")
        assert mix["changes"], "what the generator makes is valid"
        assert_readable(refused)
        return
    event("planned")
    for make in (solve, due_date_plan):
        assert audit(request, make(request)) == []


def assert_readable(refused: RequestRefused) -> None:
    """Every fault says where, what kind, what is wrong and what to change."""
    assert refused.faults
    for fault in refused.faults:
        assert fault.pointer == "" or fault.pointer.startswith("/")
        assert fault.code in CODES
        assert fault.detail
        assert fault.mend


def places(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Every place in a document but its root."""
    children = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, child in children:
        yield (*path, key)
        yield from places(child, (*path, key))


REQUIRED = {
    "now", "shop", "timezone", "id", "mount", "travel_x", "travel_y", "size_x", "size_y", "mass", "fixture", "part", "op", "count",
    "cut_seconds", "operator", "days", "start", "end", "due", "quantity", "order", "pieces", "plate", "stage", "cut_end", "machine",
}
NOT_REQUIRED = {
    ("closures", "machine"), ("closures", "plate"), ("closures", "operator"), ("waiting", "machine"), ("plates", "fixture"),
    ("fixtures", "mount"), ("fixtures", "mass"), ("floor", "pieces"),
}
"""Fields of those names that may be left out after all, by table."""
COUNTS = {"quantity", "count", "pieces", "horizon_days", "solve_seconds", "positions", "cut_factor"}


def wrongs(path: tuple[str | int, ...], value: Any) -> list[Any]:
    """What the value at `path` may not be, whatever else the request says."""
    name = path[-1]
    found: list[Any] = [{"no": "such thing"}]
    if isinstance(value, bool):
        return [*found, "yes", 2]
    if isinstance(value, (int, float)):
        return [*found, -1, "many", [1], float("inf"), *([0] if name in COUNTS else [])]
    if isinstance(value, str):
        empty = [] if name in ("name", "note", "reason") else [""]
        return [*found, 17, True, ["A"], *empty, *(["no such thing"] if name in NAMES else [])]
    return [*found, 3, "a list"] if isinstance(value, list) else [5, "an object", ["a list"]]


NAMES = {
    "timezone", "now", "due", "release", "start", "end", "cut_end", "fixture", "machine", "plate", "operator", "order", "stays_in", "stage",
    "exchange",
}
"""Fields whose text must be a known name, a choice or a time."""


def corruptions(raw: Raw) -> Iterator[tuple[str, tuple[str | int, ...], Any]]:
    """Every single corruption that must be refused: a field dropped that has no default, one too many, or a wrong value."""
    for path in places(raw):
        holder: Any = raw
        for key in path[:-1]:
            holder = holder[key]
        value = holder[path[-1]]
        table = path[1] if len(path) > 3 else path[0]
        if path[-1] in REQUIRED and (table, path[-1]) not in NOT_REQUIRED:
            yield "drop", path, None
        for wrong in wrongs(path, value):
            yield "set", path, wrong
        if isinstance(value, dict):
            yield "set", (*path, "no_such_field"), 1


def corrupted(raw: Raw, kind: str, path: tuple[str | int, ...], wrong: Any) -> Raw:
    """The document with that one change."""
    document = copy.deepcopy(raw)
    holder: Any = document
    for key in path[:-1]:
        holder = holder[key]
    if kind == "drop":
        del holder[path[-1]]
    else:
        holder[path[-1]] = wrong
    return document


def check_corruption(mix: dict[str, Any], pick: float) -> None:
    """One corruption of a valid request is refused, with pointers."""
    raw = make_request(mix["family"], mix["seed"], [name for name in FEATURES if name in mix["features"]])
    found = list(corruptions(raw))
    kind, path, wrong = found[int(pick * (len(found) - 1))]
    with pytest.raises(RequestRefused) as caught:
        read_request(corrupted(raw, kind, path, wrong))
    assert_readable(caught.value)


picks = st.floats(0, 1, allow_nan=False)


@settings(derandomize=True, deadline=None, max_examples=EXAMPLES, suppress_health_check=QUIET)
@given(mixes)
@example(TIDIED_OVER)
def test_any_mix_of_features_gives_a_plan_the_audit_passes(mix: dict[str, Any]) -> None:
    check_plans(mix)


@settings(derandomize=True, deadline=None, max_examples=EXAMPLES, suppress_health_check=QUIET)
@given(mixes, picks)
def test_any_single_corruption_is_refused_with_pointers(mix: dict[str, Any], pick: float) -> None:
    check_corruption(mix, pick)


@pytest.mark.nightly
@settings(deadline=None, max_examples=NIGHTLY, suppress_health_check=QUIET)
@given(mixes)
def test_any_mix_at_night(mix: dict[str, Any]) -> None:
    check_plans(mix)


@pytest.mark.nightly
@settings(deadline=None, max_examples=NIGHTLY, suppress_health_check=QUIET)
@given(mixes, picks)
def test_any_corruption_at_night(mix: dict[str, Any], pick: float) -> None:
    check_corruption(mix, pick)
