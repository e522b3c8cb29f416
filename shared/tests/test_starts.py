"""What a solve starts from travels as JSON and comes back as it was."""

from __future__ import annotations

import json
from typing import Any

import pytest

from platerota_shared.starts import Aim, Start

from .audit_drafts import Draft


@pytest.mark.parametrize(
    ("counts_moves", "frozen_until", "aim"), [(False, None, None), (True, 1_803_900_000, None), (False, None, Aim("O1", 1e6, True))],
)
def test_a_start_is_read_back(counts_moves: bool, frozen_until: int | None, aim: Aim | None) -> None:
    start = Start(Draft.of("setups").plan, counts_moves, frozen_until, aim)
    assert "\n" not in start.text()
    assert Start.from_document(json.loads(start.text())) == start
    assert start.replanned == (start.plan if counts_moves else None)


@pytest.mark.parametrize("document", [None, [], 7, "start"])
def test_what_is_no_object_is_no_start(document: Any) -> None:
    with pytest.raises(TypeError, match="a start is an object"):
        Start.from_document(document)
