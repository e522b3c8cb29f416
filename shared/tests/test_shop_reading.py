"""A shop by itself is read like the shop of a request; its pointers begin at the shop."""

from __future__ import annotations

import json

import pytest

from platerota_shared import RequestRefused, Unreadable, read_request, read_shop

from .tiny_shop import changed, row, tiny_shop


def pointers(shop: object) -> list[tuple[str, str]]:
    with pytest.raises(RequestRefused) as refused:
        read_shop(json.dumps(shop))
    return [(fault.pointer, fault.code) for fault in refused.value.faults]


def test_the_shop_of_a_request_is_read_the_same_alone() -> None:
    assert read_shop(tiny_shop()["shop"]) == read_shop(json.dumps(tiny_shop()["shop"]).encode()) == read_request(tiny_shop()).shop


def test_every_fault_of_rows_and_between_tables_is_named_at_once() -> None:
    shop = changed(row("machines", travel_x="5 furlongs"), row("plates", 1, fixture="F2O"), row("nests", 0, part="B"))["shop"]
    assert {"/machines/0/travel_x", "/plates/1/fixture", "/nests/0/part"} <= {pointer for pointer, _ in pointers(shop)}


def test_orders_and_now_are_no_part_of_a_shop() -> None:
    assert pointers({**tiny_shop()["shop"], "orders": [], "now": "2027-03-01T06:00:00"}) == [
        ("/orders", "unknown-field"), ("/now", "unknown-field"),
    ]


def test_a_key_given_twice_is_found_at_the_top_too() -> None:
    with pytest.raises(RequestRefused) as refused:
        read_shop('{"timezone": "UTC", "timezone": "Europe/Lisbon"}')
    assert [(fault.pointer, fault.code) for fault in refused.value.faults] == [("/timezone", "duplicate-key")]


@pytest.mark.parametrize("text", ["", "[]", '{"timezone": NaN}', '{"machines": 1e999}'])
def test_what_is_no_object_of_finite_numbers_is_unreadable(text: str) -> None:
    with pytest.raises(Unreadable):
        read_shop(text)


def test_an_empty_shop_is_a_shop() -> None:
    assert read_shop('{"timezone": "UTC"}').machines == ()
