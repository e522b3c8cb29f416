"""Features to come are refused field by field; what works now is not."""

from __future__ import annotations

from typing import Any

import pytest

from platerota_shared import RequestRefused, read_request
from platerota_shared.not_yet import FIELDS, TABLES

from .tiny_shop import add, changed, row, whole_floor


def not_yet(document: Any) -> set[str]:
    with pytest.raises(RequestRefused) as refused:
        read_request(document)
    assert {fault.code for fault in refused.value.faults} == {"not-supported-yet"}
    return {fault.pointer for fault in refused.value.faults}


def test_every_field_and_table_to_come_is_refused_where_it_is_used() -> None:
    refused = not_yet(whole_floor())
    used = {pointer.split("/")[-1] for pointer in refused}
    assert used == {column for _, column, _ in FIELDS} | {name for name, _, _ in TABLES}


@pytest.mark.parametrize(("table", "column"), [(table, column) for table, column, _ in FIELDS])
def test_the_default_written_out_is_not_refused(table: str, column: str) -> None:
    read_request(changed())
    default: Any = {"exchange": "hand", "tools": [], "tool_slots": None, "stays_in": None, "build_seconds": None,
        "overtime": False}.get(column, 0)
    read_request(changed(row(table, **{column: default})))


@pytest.mark.parametrize(
    "change",
    [
        row("machines", positions=2), row("machines", unattended_minutes=0), row("orders", weight=3, release="2027-03-02T06:00:00"),
        add("floor.pieces", order="O1", op=10, pieces=3), add("closures", start="2027-03-02T06:00:00", end="2027-03-02T08:00:00"),
        row("shifts", start="22:00", end="06:00", breaks=[]),
    ],
)
def test_what_works_now_is_accepted(change: Any) -> None:
    read_request(changed(change))
