"""What-if changes: each kind does what it says and nothing else; every fault comes at once, at the change that brings it."""

from __future__ import annotations

import copy
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from platerota_shared import Fault, RequestRefused, read_request
from platerota_shared.changes import EXAMPLES, KINDS, MAX_CHANGES, Change, Changed, apply_changes
from platerota_shared.faults import CODES

from .single_change_faults import CHANGE_FAULTS
from .tiny_shop import Document, add, changed, row, tiny_shop, whole_floor

DAY = {"start": "2027-03-02T06:00:00", "end": "2027-03-02T07:00:00"}
ALWAYS = {"start": "2027-03-01T00:00:00", "end": "2027-05-01T00:00:00"}
ORDER = {"kind": "add_order", "id": "O9", "part": "A", "quantity": 4, "due": "2027-03-04T12:00:00"}


def made(*changes: Document, base: Document | None = None) -> Changed:
    document = whole_floor() if base is None else base
    before = copy.deepcopy(document)
    found = apply_changes(document, list(changes))
    assert document == before
    return found


def refused(*changes: Any, base: Document | None = None) -> list[tuple[str, str]]:
    document = whole_floor() if base is None else base
    before = copy.deepcopy(document)
    with pytest.raises(RequestRefused) as found:
        apply_changes(document, list(changes))
    assert document == before
    return [(fault.pointer, fault.code) for fault in found.value.faults]


def shop_for_examples() -> Document:
    """The tiny shop with the names that the examples of the catalogue use."""
    return changed(
        row("orders", id="O-101"), add("orders", id="O-104", part="A", quantity=4, due="2027-03-04T12:00:00"),
        add("operations", part="bracket", op=10, cut_seconds=60), add("nests", fixture="F10", part="bracket", op=10, count=2),
        add("machines", id="M2", mount="A", travel_x=500, travel_y=400), row("fixtures", machines=["M1"]),
    )


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_an_example_that_can_be_made(kind: str) -> None:
    example = EXAMPLES[kind]
    TypeAdapter[Any](Change).validate_python(example, context={"zone": ZoneInfo("Europe/Lisbon")})
    base = shop_for_examples()
    assert made(example, base=base).request != read_request(base)


def test_the_catalogue_names_the_kinds_of_the_union() -> None:
    schema = TypeAdapter[Any](Change).json_schema()
    assert set(schema["discriminator"]["mapping"]) == set(KINDS) == set(EXAMPLES)


@pytest.mark.parametrize("code", CHANGE_FAULTS)
def test_one_slip_in_a_change_gives_one_fault_in_its_place(code: str) -> None:
    changes, pointer = CHANGE_FAULTS[code]
    assert refused(*changes) == [(pointer, code)]


def test_what_no_change_names_stays_as_the_caller_wrote_it() -> None:
    found = made(ORDER, {"kind": "copy_plate", "plate": "P3", "id": "P3-second", "stays_in": None}).document
    plates = found["shop"]["plates"]
    assert [plate["mass"] for plate in plates if plate["id"].startswith("P3")] == ["24 lb", "24 lb"]
    assert plates[-1]["stays_in"] is None
    found["shop"]["plates"] = plates[:-1]
    assert {name: value for name, value in found.items() if name != "orders"} == {
        name: value for name, value in whole_floor().items() if name != "orders"
    }
    assert found["orders"][:-1] == whole_floor()["orders"]
    assert found["orders"][-1] == {name: value for name, value in ORDER.items() if name != "kind"}


def test_an_order_is_changed_in_the_named_fields_only() -> None:
    before = {order.id: order for order in read_request(whole_floor()).orders}
    request = made({"kind": "change_order", "order": "O2", "quantity": 20, "release": None}).request
    after = {order.id: order for order in request.orders}
    assert after["O1"] == before["O1"]
    assert after["O2"] == before["O2"].model_copy(update={"quantity": 20, "release": None})


def test_a_dropped_order_takes_its_waiting_pieces_along() -> None:
    base = changed(add("floor.pieces", order="O1", op=10, pieces=3))
    found = made({"kind": "drop_order", "order": "O1"}, base=base).request
    assert found.orders == ()
    assert found.floor.pieces == ()


def test_a_copied_mill_may_run_every_fixture_that_names_the_first() -> None:
    request = made({"kind": "copy_machine", "machine": "M2", "id": "M3"}).request
    assert request.shop.machines[-1] == request.shop.machines[1].model_copy(update={"id": "M3"})
    assert {fixture.id: fixture.machines for fixture in request.shop.fixtures}["FB"] == ("M2", "M3")


def test_a_fixture_gets_other_nests_where_it_has_some_and_new_ones_where_not() -> None:
    nests = [{"part": "A", "op": 10, "count": 6}, {"part": "A", "op": 20, "count": 1}]
    request = made({"kind": "change_fixture", "fixture": "F10", "clamps": 3, "nests": nests}).request
    assert [(nest.part, nest.op, nest.count) for nest in request.shop.nests if nest.fixture == "F10"] == [("A", 10, 6), ("A", 20, 1)]
    assert next(fixture for fixture in request.shop.fixtures if fixture.id == "F10").clamps == 3


def test_a_new_operator_comes_with_shifts() -> None:
    change = {"kind": "add_operator", "id": "Cy", "shifts": [{"days": ["sat"], "start": "06:00", "end": "10:00", "from": "2027-03-06"}]}
    request = made(change).request
    assert request.shop.operators[-1].id == "Cy"
    assert (request.shop.shifts[-1].operator, request.shop.shifts[-1].days) == ("Cy", ("sat",))


NEW_PART = [
    {"kind": "add_nest", "fixture": "FC", "part": "C", "op": 10, "count": 6},
    {"kind": "add_operation", "part": "C", "op": 10, "cut_seconds": 100},
    {"kind": "add_fixture", "id": "FC", "load_seconds": 60, "build_seconds": 3600, "mount": "B"},
    ORDER | {"part": "C"},
]


def test_a_new_part_comes_with_its_op_its_fixture_and_its_nests() -> None:
    request = made(*NEW_PART).request
    assert (request.orders[-1].part, request.shop.fixtures[-1].id, request.shop.nests[-1].count) == ("C", "FC", 6)


@pytest.mark.parametrize(("left_out", "expected"), [
    (0, [("/changes/0", "no-nest")]), (1, [("/changes/0/part", "unknown-part"), ("/changes/2/part", "unknown-part")]),
    (2, [("/changes/0/fixture", "unknown-id")]),
])
def test_a_new_part_that_lacks_something_is_refused_at_what_needs_it(left_out: int, expected: list[tuple[str, str]]) -> None:
    assert refused(*(change for place, change in enumerate(NEW_PART) if place != left_out)) == expected


def test_settings_change_alone_and_rates_one_by_one() -> None:
    before = read_request(whole_floor()).settings
    after = made({"kind": "change_settings", "seed": 7, "score": {"setup": 3}}).request.settings
    assert after == before.model_copy(update={"seed": 7, "score": before.score.model_copy(update={"setup": 3.0})})


def test_a_change_is_made_upon_what_the_ones_before_it_left() -> None:
    close = {"kind": "close", "machine": "M3"} | DAY
    copied = {"kind": "copy_machine", "machine": "M1", "id": "M3"}
    assert made(copied, close).request.shop.closures[-1].machine == "M3"


FAULTY: list[tuple[list[Any], list[tuple[str, str]]]] = [
    ([{"kind": "drop_order", "order": "o2"}], [("/changes/0/order", "unknown-id")]),
    ([{"kind": "close", "machine": "M9"} | DAY], [("/changes/0/machine", "unknown-id")]),
    ([{"kind": "close", "start": "2027-03-02T06:00:00", "end": "2027-03-02T06:00:00"}], [("/changes/0/end", "ends-before-start")]),
    ([{"kind": "add_plate", "id": "P1", "mount": "A", "size_x": 9, "size_y": 9, "mass": 1}], [("/changes/0/id", "duplicate-row")]),
    ([{"kind": "copy_plate", "plate": "P1", "id": "P2"}], [("/changes/0/id", "duplicate-row")]),
    ([{"kind": "copy_plate", "plate": "P1"}], [("/changes/0/id", "missing-field")]),
    ([ORDER | {"quantity": 0}], [("/changes/0/quantity", "out-of-range")]),
    ([ORDER | {"quantity": 2.5}], [("/changes/0/quantity", "wrong-type")]),
    ([{"kind": "change_order", "order": "O1", "quantity": 2}], [("/changes/0/quantity", "too-many-pieces")]),
    ([{"kind": "change_order", "order": "O1", "due": None}], [("/changes/0/due", "bad-instant")]),
    ([{"kind": "change_order", "order": "O1", "part": "B"}], [("/changes/0/part", "unknown-field"), ("/changes/0", "changes-nothing")]),
    ([ORDER | {"part": "Q"}], [("/changes/0/part", "unknown-part")]),
    ([ORDER, ORDER], [("/changes/1/id", "changes-contradict"), ("/changes/1/id", "duplicate-row")]),
    ([{"kind": "drop_order", "order": "O2"}, {"kind": "change_order", "order": "O2", "weight": 2}],
     [("/changes/1/weight", "changes-contradict")]),
    ([{"kind": "allow_machine", "fixture": "F10", "machine": "M1"}], [("/changes/0", "changes-nothing")]),
    ([{"kind": "allow_machine", "fixture": "FB", "machine": "M7"}], [("/changes/0/machine", "unknown-id")]),
    ([{"kind": "change_settings", "horizon_days": 500}], [("/changes/0/horizon_days", "out-of-range")]),
    ([{"kind": "change_settings"}], [("/changes/0", "changes-nothing")]),
    ([{"kind": "change_fixture", "fixture": "F10", "nests": [{"part": "A", "op": 10, "count": 1}]}], [("/changes/0", "nests-overfilled")]),
    ([{"kind": "change_fixture", "fixture": "F10", "nests": [{"part": "A", "op": 30, "count": 1}]}],
     [("/changes/0/nests/0/op", "unknown-op")]),
    ([{"kind": "add_operator", "id": "Cy", "shifts": []}], [("/changes/0/shifts", "missing-field")]),
    ([{"kind": "add_operator", "id": "Cy", "shifts": [{"days": ["sat"], "start": "6", "end": "10:00"}]}],
     [("/changes/0/shifts/0/start", "bad-time-of-day")]),
    ([{"kind": "add_shift", "operator": "Anne", "days": ["sat"], "start": "06:00", "end": "10:00"}],
     [("/changes/0/operator", "unknown-id")]),
    ([ORDER, {"kind": "close", "operator": "Ann"} | ALWAYS,
      {"kind": "close", "operator": "Bob"} | ALWAYS], [("/changes/2", "nobody")]),
    ([{"kind": "rush"}], [("/changes/0/kind", "unknown-choice")]),
    ([{}], [("/changes/0/kind", "missing-field")]),
    ([3], [("/changes/0", "wrong-type")]),
    ([], [("/changes", "changes-nothing")]),
    ([ORDER] * (MAX_CHANGES + 1), [("/changes", "too-many-rows")]),
]


@pytest.mark.parametrize(("changes", "expected"), FAULTY)
def test_a_fault_is_found_at_the_change_that_brings_it(changes: list[Any], expected: list[tuple[str, str]]) -> None:
    assert refused(*changes) == expected


def test_every_fault_of_every_change_comes_at_once() -> None:
    changes = [change for changes, _ in FAULTY[:3] for change in changes] + [ORDER | {"due": "soon"}]
    assert refused(*changes) == [
        ("/changes/0/order", "unknown-id"), ("/changes/1/machine", "unknown-id"), ("/changes/2/end", "ends-before-start"),
        ("/changes/3/due", "bad-instant"),
    ]


def test_the_nearest_name_is_suggested() -> None:
    with pytest.raises(RequestRefused) as found:
        apply_changes(whole_floor(), [{"kind": "drop_order", "order": "o2"}, {"kind": "ad_order"}])
    assert [fault.mend for fault in found.value.faults] == ["did you mean 'O2'?", "did you mean 'add_order'?"]


def test_a_name_in_doubt_brings_no_second_fault() -> None:
    operator = {"kind": "add_operator", "id": "Cy", "hour_cost": -1, "shifts": [{"days": ["sat"], "start": "06:00", "end": "10:00"}]}
    away = {"kind": "close", "operator": "Cy"} | DAY
    assert refused(operator, away) == [("/changes/0/hour_cost", "out-of-range")]


WORDS = st.sampled_from(["O1", "M1", "P1", "F10", "A", "", "2027-03-02T06:00:00", "mon"])
NAMES = st.sampled_from(["part", "op", "count", "days", "start"])
JUNK = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 50) | WORDS,
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(NAMES, inner, max_size=2), max_leaves=4,
)


@given(st.lists(st.sampled_from(sorted(KINDS)).flatmap(
    lambda kind: st.fixed_dictionaries(
        {"kind": st.just(kind)}, optional={name: JUNK for name in [*KINDS[kind].model_fields, "colour"] if name != "kind"},
    )), min_size=1, max_size=3))
def test_any_changes_are_made_or_refused_with_known_codes_below_the_changes(changes: list[Document]) -> None:
    document = tiny_shop()
    faults: tuple[Fault, ...] = ()
    try:
        found = apply_changes(document, changes)
    except RequestRefused as error:
        faults = error.faults
    else:
        assert read_request(found.document) == found.request
    assert all(fault.pointer.startswith("/changes") and fault.code in CODES for fault in faults)
    assert document == tiny_shop()
