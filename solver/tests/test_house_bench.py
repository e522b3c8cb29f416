"""The measuring bench: its requests are valid, repeatable and of the size that the families promise."""

import json

import pytest

from benchmarks.due_dates import Work
from benchmarks.families import FAMILIES
from benchmarks.generator import BASIC, FEATURES, FULL, Request, make_request, read_features
from benchmarks.switches import SWITCHES
from platerota_shared.faults import RequestRefused
from platerota_shared.reading import read_request

RUNS = {"tiny": (4, 13), "small": (25, 50), "medium": (130, 190), "large": (540, 660), "huge": (2_700, 3_300)}


@pytest.mark.parametrize("features", ["plain", "routed", "mixed", "basic"])
@pytest.mark.parametrize("family", FAMILIES)
def test_a_generated_request_has_no_fault_and_the_size_of_its_family(family: str, features: str) -> None:
    for seed in (1, 2, 3):
        raw = make_request(family, seed, read_features(features))
        request = read_request(raw)
        size = FAMILIES[family]
        counts = (len(request.shop.machines), len(request.shop.operators), len(request.orders))
        assert counts == (size.machines, size.operators, size.orders)
        work = Work(raw)
        least, most = RUNS[family]
        assert least <= sum(number for order in raw["orders"] for _, number, _, _ in work.runs(order)) <= most


@pytest.mark.parametrize("feature", BASIC)
def test_each_feature_is_valid_alone_and_changes_the_request(feature: str) -> None:
    raw = make_request("medium", 4, [feature])
    read_request(raw)
    assert (raw == make_request("medium", 4)) == (feature == "plain")


def fault_codes(raw: Request) -> set[str]:
    """The codes of all faults of a request."""
    try:
        read_request(raw)
    except RequestRefused as refused:
        return {fault.code for fault in refused.faults}
    return set()


@pytest.mark.parametrize("features", [*sorted(set(FULL) - set(BASIC)), "full"])
def test_each_feature_has_no_fault(features: str) -> None:
    for family in FAMILIES:
        raw = make_request(family, 4, read_features(features))
        assert fault_codes(raw) == set()
    assert raw != make_request(family, 4)


def test_the_same_seed_gives_the_same_request_and_another_seed_another() -> None:
    texts = [json.dumps(make_request("small", seed, FEATURES)) for seed in (5, 5, 6)]
    assert texts[0] == texts[1] != texts[2]


def test_a_feature_leaves_the_rest_of_the_shop_as_it_was() -> None:
    plain, closed = make_request("small", 1), make_request("small", 1, ["closures"])
    closed["shop"]["closures"] = []
    assert closed == plain


def test_cuts_and_loads_are_of_the_lengths_promised() -> None:
    """Cuts of 10 to 90 minutes a full run and loads of 3 to 12 minutes, on every mill."""
    for family in ("small", "medium", "large"):
        shop = make_request(family, 3, ["plain", "routed", "mixed"])["shop"]
        seconds = {(row["part"], row["op"]): row["cut_seconds"] for row in shop["operations"]}
        for fixture in shop["fixtures"]:
            nests = [row for row in shop["nests"] if row["fixture"] == fixture["id"]]
            cut = fixture["cycle_seconds"] + sum(row["count"] * seconds[row["part"], row["op"]] for row in nests)
            pieces = sum(row["count"] for row in nests)
            load = fixture["load_seconds"] + fixture["clamps"] * fixture["clamp_seconds"] + pieces * fixture["load_piece_seconds"]
            assert 590 <= cut <= 5_400 / 1.15
            assert 179 <= load <= 721


def test_unknown_features_are_named() -> None:
    with pytest.raises(ValueError, match="plane"):
        read_features("plane,routed")


def test_every_feature_is_in_a_group_and_every_switch_is_a_feature() -> None:
    assert set(SWITCHES) < set(FULL)
    assert read_features("full") == FULL
    assert read_features("closures,basic,closures")[0] == "closures"
