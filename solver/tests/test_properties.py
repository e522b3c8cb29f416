"""Any mix of features gives a plan that the audit passes; any single corruption of a request gives faults, and nothing else."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st

from benchmarks.generator import make_request
from benchmarks.mixes import Mix, examine, mix_of, unreadable
from platerota_shared import RequestRefused, read_request

Raw = dict[str, Any]
EXAMPLES, NIGHTLY = 200, 2_000
"""Examples of each property in the normal run and at night."""
TIDIED_OVER = Mix(
    "small", 4_194_305, ("mixed", "skills", "weights", "family", "bench", "automatic", "floor", "builds"), horizon_days=23, changes=6)
"""Tidying laid bench work over an exchange that takes no time."""
HANDED_OVER = (
    Mix("small", 8_361, ("plain", "routed", "positions", "release", "skills", "setups", "first_article", "bench", "after", "floor"),
        horizon_days=11, changes=6),
    Mix("small", 10_217, ("plain", "routed", "weights", "after", "stays", "floor", "overtime"), horizon_days=26, changes=6),
)
"""One pulls a plate and another places the next at the same instant, in no time: the audit placed it first, and found other floats."""
QUIET = (HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example)

mixes = st.integers(1, 2**31 - 1).map(mix_of)


def check_plans(mix: Mix) -> None:
    """Both plans of a valid request pass the audit; a request that a struck row has spoilt is refused with faults."""
    outcome = examine(mix)
    event("planned" if outcome.planned else "refused")
    assert outcome.findings == ()


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


def check_corruption(mix: Mix, pick: float) -> None:
    """One corruption of a valid request is refused, with pointers."""
    raw = make_request(mix.family, mix.seed, mix.features)
    found = list(corruptions(raw))
    kind, path, wrong = found[int(pick * (len(found) - 1))]
    with pytest.raises(RequestRefused) as caught:
        read_request(corrupted(raw, kind, path, wrong))
    assert unreadable(caught.value) == []


picks = st.floats(0, 1, allow_nan=False)


@settings(derandomize=True, deadline=None, max_examples=EXAMPLES, suppress_health_check=QUIET)
@given(mixes)
@example(TIDIED_OVER)
@example(HANDED_OVER[0])
@example(HANDED_OVER[1])
def test_any_mix_of_features_gives_a_plan_the_audit_passes(mix: Mix) -> None:
    check_plans(mix)


@settings(derandomize=True, deadline=None, max_examples=EXAMPLES, suppress_health_check=QUIET)
@given(mixes, picks)
def test_any_single_corruption_is_refused_with_pointers(mix: Mix, pick: float) -> None:
    check_corruption(mix, pick)


@pytest.mark.nightly
@settings(deadline=None, max_examples=NIGHTLY, suppress_health_check=QUIET)
@given(mixes)
def test_any_mix_at_night(mix: Mix) -> None:
    check_plans(mix)


@pytest.mark.nightly
@settings(deadline=None, max_examples=NIGHTLY, suppress_health_check=QUIET)
@given(mixes, picks)
def test_any_corruption_at_night(mix: Mix, pick: float) -> None:
    check_corruption(mix, pick)
