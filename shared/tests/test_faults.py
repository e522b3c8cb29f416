"""The parts of a fault's sentence."""

from __future__ import annotations

from typing import Any

import pytest

from platerota_shared import Fault, RequestRefused, Unreadable
from platerota_shared.faults import listed, pointer, shown
from proof_tools.outside import Outside


@pytest.mark.parametrize(("steps", "written"), [((), ""), (("",), "/"), (("a/b", 0), "/a~1b/0"), (("m~n",), "/m~0n"), (("~1",), "/~01")])
def test_pointers_escape_as_rfc_6901_says(outside: Outside, steps: tuple[str | int, ...], written: str) -> None:
    # Cases of section 5 of RFC 6901, quoted from memory, and the order of escapes of its section 4.
    outside(f"pointer to the steps {list(steps)}", pointer(*steps), written, "RFC 6901", "memory")


@pytest.mark.parametrize(
    ("value", "words"),
    [(None, "null"), (True, "true"), (False, "false"), (0, "0"), (1.5, "1.5"), ("a", "'a'"), ("a\nb", "'a?b'"),
     ([1], "a list"), ({}, "an object"),
     (10**100, "a huge number")],
)
def test_values_are_shown_in_jsons_words(value: Any, words: str) -> None:
    assert shown(value) == words


def test_long_text_is_cut() -> None:
    assert shown("x" * 61) == "'" + "x" * 57 + "...'"
    assert shown("x" * 60) == "'" + "x" * 60 + "'"


@pytest.mark.parametrize(
    ("names", "words"),
    [([], "none"), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c"), (list("abcdefg"), "a, b, c, d, e and 2 more")],
)
def test_names_are_listed_as_they_are_read_aloud(names: list[str], words: str) -> None:
    assert listed(names) == words


def test_a_refusal_carries_its_faults_and_says_the_first_ones() -> None:
    refused = Unreadable([Fault("", "not-json", "the request is not JSON", "send JSON")])
    assert isinstance(refused, RequestRefused)
    assert refused.faults[0].code == "not-json"
    assert str(refused) == "/: the request is not JSON"
