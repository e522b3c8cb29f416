"""What makes a request unreadable: every such value is named, and nothing of it gets further."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platerota_shared import RequestRefused, Unreadable, read_request
from platerota_shared.document import MAX_BYTES, MAX_DEPTH, duplicate_keys, read_document


def unreadable(data: Any) -> list[tuple[str, str]]:
    with pytest.raises(Unreadable) as refused:
        read_document(data)
    return [(fault.pointer, fault.code) for fault in refused.value.faults]


def test_utf_8_with_a_byte_order_mark_is_read() -> None:
    assert read_document(b'\xef\xbb\xbf{"a": "\xc3\xbc"}') == {"a": "ü"}
    assert read_document('\ufeff{"a": 1}') == {"a": 1}


def test_a_latin_1_body_names_the_byte() -> None:
    with pytest.raises(Unreadable) as refused:
        read_document('{"a": "ü"}'.encode("latin-1"))
    assert "0xfc at position 7" in refused.value.faults[0].detail


@pytest.mark.parametrize("data", [b"", b"{", b"{'now': 1}", b"[1,]", b"id;part", b'{"a": 1} x', b"\x00"])
def test_what_is_not_json_is_refused_with_its_place(data: bytes) -> None:
    assert unreadable(data) == [("", "not-json")]


@pytest.mark.parametrize("data", [b"[]", b'"text"', b"3", b"null", b"true"])
def test_json_that_is_no_object_is_refused(data: bytes) -> None:
    assert unreadable(data) == [("", "not-json")]


@pytest.mark.parametrize("token", ["NaN", "Infinity", "-Infinity", "1e999", "1" * 400])
def test_every_number_that_is_not_finite_is_named(token: str) -> None:
    assert unreadable(f'{{"a": [0, {token}], "b/c": {{"d": {token}}}}}') == [("/a/1", "not-finite"), ("/b~1c/d", "not-finite")]


def test_a_number_of_thousands_of_digits_is_refused() -> None:
    assert unreadable('{"a": ' + "1" * 5_000 + "}") == [("", "not-finite")]


def test_nan_in_an_object_parsed_elsewhere_is_refused_as_well() -> None:
    assert unreadable({"settings": {"seed": float("nan")}}) == [("/settings/seed", "not-finite")]


@pytest.mark.parametrize("text", ['{"a": "\\ud800"}', '{"a": "x\\u0000"}'])
def test_text_that_nothing_can_store_is_refused(text: str) -> None:
    assert unreadable(text) == [("/a", "bad-text")]


def test_a_key_that_nothing_can_store_is_refused_where_it_is() -> None:
    assert unreadable('{"a": {"\\ud800": 1}}') == [("/a", "bad-text")]


def test_sixteen_mebibytes_are_read_and_one_more_is_not() -> None:
    body = b'{"a": ""}'
    assert read_document(body + b" " * (MAX_BYTES - len(body))) == {"a": ""}
    assert unreadable(body + b" " * (MAX_BYTES - len(body) + 1)) == [("", "too-large")]
    assert unreadable("é" * (MAX_BYTES // 2 + 1)) == [("", "too-large")]


@pytest.mark.parametrize("levels", [MAX_DEPTH, 500, 200_000])
def test_deep_nesting_is_refused_however_deep(levels: int) -> None:
    assert {code for _, code in unreadable('{"a":' + "[" * levels + "]" * levels + "}")} == {"too-deep"}


def test_a_pointer_can_always_be_written_as_utf_8() -> None:
    with pytest.raises(Unreadable) as refused:
        read_document('{"\\ud800": [NaN]}')
    assert [fault.pointer for fault in refused.value.faults] == ["", "/?/0"]


def test_keys_given_twice_are_found_at_every_level() -> None:
    document = read_document('{"now": 1, "now": 2, "shop": {"x": [{"id": 1, "id": 2, "id": 3}]}}')
    assert [fault.pointer for fault in duplicate_keys(document)] == ["/now", "/shop/x/0/id"]


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.sampled_from(["now", "shop", "orders", "id", "due", "x"]), inner, max_size=3),
    max_leaves=12,
)


@given(JSON)
def test_any_json_at_all_is_read_or_refused_with_faults(value: Any) -> None:
    with pytest.raises(RequestRefused) as refused:
        read_request(json.dumps(value))
    assert refused.value.faults


@given(st.binary(max_size=60))
def test_any_bytes_at_all_are_refused_with_faults(data: bytes) -> None:
    with pytest.raises(RequestRefused) as refused:
        read_request(data)
    assert refused.value.faults
