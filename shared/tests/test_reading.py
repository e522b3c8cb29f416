"""Reading a whole request: what is accepted, and every fault of a bad one at once."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platerota_shared import LIMITS, PlanRequest, RequestRefused, read_request

from .tiny_shop import Document, add, changed, faults, found, request, row, rows, tiny_shop, whole_floor


def test_the_tiny_shop_is_read_from_bytes_text_and_objects_alike() -> None:
    text = json.dumps(tiny_shop())
    assert read_request(text) == read_request(text.encode()) == read_request(tiny_shop())
    assert isinstance(read_request(text), PlanRequest)


def test_defaults_are_those_of_the_contract() -> None:
    plan = request()
    machine, fixture, operator, order = plan.shop.machines[0], plan.shop.fixtures[0], plan.shop.operators[0], plan.orders[0]
    assert (machine.places, machine.place_seconds, machine.pull_seconds, machine.exchange_seconds) == (1, 10, 10, 20)
    assert (machine.setup_seconds, machine.tool_load_seconds, machine.cut_factor, machine.unattended_minutes) == (0, 60, 1.0, None)
    assert (fixture.clamps, fixture.cycle_seconds, fixture.machines, fixture.build_seconds) == (0, 0, (), None)
    assert operator.can("bench")
    assert (order.release, order.weight) == (None, 1.0)
    assert (plan.settings.horizon_days, plan.settings.solve_seconds, plan.settings.seed, plan.settings.repeatable) == (28, 20.0, 1, False)
    assert plan.settings.score.model_dump() == {
        "late_hour": 100, "finish_hour": 1, "overtime_hour": 20, "setup": 5, "makespan_hour": 0, "moved_task": 2, "unplaced_order": 1e6,
    }
    assert plan.horizon_end == plan.now + 28 * 86_400


def test_now_and_orders_are_in_the_shops_timezone() -> None:
    # 2027-03-01T06:00 in New York (UTC-5 in winter) is 11:00 UTC.
    document = changed(lambda d: d["shop"].update(timezone="America/New_York"))
    assert read_request(document).now == 1_803_898_800


def test_an_empty_order_list_and_an_empty_shop_are_no_fault() -> None:
    assert found({"now": "2027-03-01T06:00:00", "shop": {"timezone": "UTC"}, "orders": []}) == []
    assert found({"now": "2027-03-01T06:00:00", "shop": {"timezone": "UTC"}}) == []


def test_many_faults_at_once_are_all_named_with_their_pointers() -> None:
    document = changed(
        row("machines", travel_x="5 furlongs", wight=3), row("plates", 1, fixture="F2O"), row("nests", 0, count=0),
        row("operations", 1, cut_seconds=-1), row("shifts", start="6:00"), row("orders", due="46449.5"),
        add("orders", id="O2", part="A", quantity=True, due="2027-03-28T01:30:00"),
        add("orders", id="O1", part="A", quantity=1, due="soon"),
        add("closures", machine="M1", plate="P1", start="2027-03-02T08:00:00", end="2027-03-02T06:00:00"),
        lambda d: d.update(setings={}, settings={"horizon_days": 121, "score": {"late_hours": 3}}),
        lambda d: d["shop"].update(timezone="Europe/Lisboa"),
    )
    assert sorted(found(document)) == sorted([
        ("/setings", "unknown-field"), ("/shop/timezone", "unknown-timezone"),
        ("/settings/horizon_days", "out-of-range"), ("/settings/score/late_hours", "unknown-field"),
        ("/shop/machines/0/travel_x", "bad-unit"), ("/shop/machines/0/wight", "unknown-field"), ("/shop/plates/1/fixture", "unknown-id"),
        ("/shop/nests/0/count", "out-of-range"), ("/shop/operations/1/cut_seconds", "out-of-range"),
        ("/shop/shifts/0/start", "bad-time-of-day"), ("/shop/closures/0", "closure-names-several"),
        ("/shop/closures/0/end", "ends-before-start"),
        ("/orders/0/due", "bare-number-instant"), ("/orders/1/quantity", "wrong-type"), ("/orders/2/due", "bad-instant"),
        ("/orders/2/id", "duplicate-row"),
    ])


def test_a_bad_timezone_does_not_hide_bad_instants() -> None:
    document = changed(lambda d: d["shop"].update(timezone="Mars"), lambda d: d.update(now="now"), row("orders", due="soon"))
    assert found(document) == [("/shop/timezone", "unknown-timezone"), ("/now", "bad-instant"), ("/orders/0/due", "bad-instant")]


@pytest.mark.parametrize("name", ["", "Europe", "../../etc/passwd", "/etc/localtime", "localtime", "lisbon", "europe/lisbon",
    "UTC+1", "posix", "zones", ".", " UTC", "UTC\0", "x" * 5_000, 3, None, []])
def test_only_names_of_the_public_database_are_timezones(name: Any) -> None:
    assert [pointer for pointer, _ in found(changed(lambda d: d["shop"].update(timezone=name)))] == ["/shop/timezone"]


@pytest.mark.parametrize(("part", "pointers"), [
    ({}, ["/shop", "/now"]), ({"shop": {}}, ["/shop/timezone", "/now"]), ({"shop": [], "now": None}, ["/shop", "/now"]),
])
def test_the_parts_that_must_be_there_are_named(part: Document, pointers: list[str]) -> None:
    assert [pointer for pointer, _ in found(part)] == pointers


@pytest.mark.parametrize("name", ["floor", "settings"])
def test_null_is_no_object(name: str) -> None:
    assert found({**tiny_shop(), name: None}) == [(f"/{name}", "wrong-type")]


@pytest.mark.parametrize("table", ["machines", "plates", "fixtures", "nests", "operations", "operators", "shifts", "closures"])
@pytest.mark.parametrize("value", [None, {}, "M1", 3])
def test_a_table_that_is_no_list_is_one_fault_and_hides_what_it_might_hold(table: str, value: Any) -> None:
    assert found(changed(lambda d: d["shop"].update({table: value}))) == [(f"/shop/{table}", "wrong-type")]


@pytest.mark.parametrize("value", [None, [], "O1", 3])
def test_a_row_that_is_no_object_is_one_fault(value: Any) -> None:
    assert found(changed(lambda d: d["orders"].append(value))) == [("/orders/1", "wrong-type")]


@pytest.mark.parametrize(("table", "place"), [(name, f"/shop/{name}") for name in ("machines", "plates", "fixtures", "nests")] + [
    ("orders", "/orders"), ("floor.pieces", "/floor/pieces"), ("floor.running", "/floor/running"),
])
def test_a_table_past_its_limit_is_refused_with_the_limit(table: str, place: str) -> None:
    limit = LIMITS[table.removeprefix("floor.")]
    (fault,) = faults(changed(lambda d: rows(d, table).extend([{}] * (limit + 1 - len(rows(d, table))))))
    assert (fault.pointer, fault.code) == (place, "too-many-rows")
    assert f"{limit:,}" in fault.detail


def test_the_limits_are_those_agreed() -> None:
    assert (LIMITS["orders"], LIMITS["machines"], LIMITS["plates"]) == (5_000, 500, 5_000)


def test_a_row_of_thousands_of_fields_is_one_fault() -> None:
    assert found(changed(row("orders", **{f"f{index}": 1 for index in range(5_000)}))) == [("/orders/0", "unknown-field")]


TABLES = (
    "machines", "plates", "fixtures", "nests", "operations", "operators", "shifts", "closures", "orders",
    "floor.pieces", "floor.last_fixtures", "floor.running", "floor.waiting",
)
EVERY_FIELD = [(table, index, field) for table in TABLES for index, record in enumerate(rows(whole_floor(), table)) for field in record]
ODD_VALUES = [None, True, -1, 0, 3.5, 10**18, "", " ", "x", "10", "2027-13-01", [], ["x"], [None], {}, {"x": 1}]


@pytest.mark.parametrize(("holder", "place"), [((), ""), (("shop",), "/shop"), (("settings",), "/settings")])
def test_an_object_of_thousands_of_fields_is_one_fault(holder: tuple[str, ...], place: str) -> None:
    document = changed(lambda d: d.update(settings={}))
    target = document[holder[0]] if holder else document
    target.update({f"f{index}": 1 for index in range(60_000)})
    assert found(document) == [(place, "unknown-field")]


def test_a_table_too_long_to_look_into_is_refused_by_its_limit() -> None:
    assert found(changed(lambda d: d.update(orders=[{"x": float("nan")}] * 50_001))) == [("/orders", "too-many-rows")]


def read_or_refused(document: Document) -> bool:
    """Whether a request is read, or refused with faults; any other error is let through."""
    try:
        read_request(document)
    except RequestRefused as refused:
        return bool(refused.faults)
    return True


@given(st.sampled_from(EVERY_FIELD), st.sampled_from(ODD_VALUES))
def test_any_one_field_with_any_value_is_read_or_refused_never_an_error(where: tuple[str, int, str], value: Any) -> None:
    table, index, field = where
    document = changed(lambda d: rows(d, table)[index].update({field: value}), base=whole_floor)
    assert read_or_refused(document)


@given(st.lists(st.tuples(st.sampled_from(EVERY_FIELD), st.sampled_from(ODD_VALUES)), min_size=2, max_size=12))
def test_any_fields_with_any_values_are_read_or_refused_never_an_error(slips: list[tuple[tuple[str, int, str], Any]]) -> None:
    document = whole_floor()
    for (table, index, field), value in slips:
        rows(document, table)[index][field] = value
    assert read_or_refused(document)


@pytest.mark.parametrize(("table", "index", "field"), EVERY_FIELD)
def test_one_field_that_is_no_kind_of_value_gives_one_fault_and_no_train_behind_it(table: str, index: int, field: str) -> None:
    document = changed(lambda d: rows(d, table)[index].update({field: {"x": 1}}), base=whole_floor)
    place = f"/{table.replace('.', '/')}/{index}/{field}"
    assert [pointer for pointer, _ in found(document)] == [place if table.startswith(("floor", "orders")) else f"/shop{place}"]


@pytest.mark.parametrize(("table", "index", "field"), EVERY_FIELD)
def test_one_misspelt_field_gives_no_train_behind_it_but_that_the_field_is_missing(table: str, index: int, field: str) -> None:
    def misspell(document: Document) -> None:
        record = rows(document, table)[index]
        record[field + "e"] = record.pop(field)

    place = f"{'' if table.startswith(('floor', 'orders')) else '/shop'}/{table.replace('.', '/')}/{index}/{field}"
    pointers = {pointer for pointer, _ in found(changed(misspell, base=whole_floor))}
    assert place + "e" in pointers
    assert pointers <= {place, place + "e"}
