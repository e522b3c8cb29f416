"""The nearest known name."""

from __future__ import annotations

import pytest

from platerota_shared.suggestions import MAX_COMPARISONS, Suggestions


@pytest.mark.parametrize(
    ("name", "known", "nearest"),
    [
        ("p1", ["P1", "P2"], "P1"), (" P1 ", ["P1", "P2"], "P1"), ("F2O", ["F10", "F20"], "F20"),
        ("quantty", ["quantity", "quality"], "quantity"),
        ("zzz", ["P1", "P2"], None), ("P3", [], None), ("", ["P1"], None), ("x" * 1_000, ["x" * 999], None),
        ("PA", ["PB", "PC"], None), ("plate-a", ["plate-c", "plate-b"], "plate-b"),
    ],
)
def test_the_nearest_name_is_found_or_none(name: str, known: list[str], nearest: str | None) -> None:
    assert Suggestions().nearest(name, known) == nearest


def test_a_request_cannot_buy_more_than_its_share_of_comparisons() -> None:
    suggestions = Suggestions()
    known = [f"plate-{index}" for index in range(MAX_COMPARISONS)]
    assert suggestions.nearest("plate-1", known) == "plate-1"
    assert suggestions.nearest("plate-1", known) is None
    assert suggestions.mend("plate-1", known, "name another") == "name another"
