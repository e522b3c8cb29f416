"""Fields that name a row of another table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final

from platerota_shared.document import is_list
from platerota_shared.faults import Fault, listed, pointer, shown
from platerota_shared.records import Record, Table
from platerota_shared.request_tables import RequestTables

_REFERENCES: Final[tuple[tuple[str, str, str, str], ...]] = (
    ("plates", "fixture", "fixtures", "fixture"),
    ("plates", "stays_in", "machines", "machine"),
    ("fixtures", "machines", "machines", "machine"),
    ("nests", "fixture", "fixtures", "fixture"),
    ("shifts", "operator", "operators", "operator"),
    ("closures", "machine", "machines", "machine"),
    ("closures", "plate", "plates", "plate"),
    ("closures", "operator", "operators", "operator"),
    ("pieces", "order", "orders", "order"),
    ("last_fixtures", "machine", "machines", "machine"),
    ("last_fixtures", "fixture", "fixtures", "fixture"),
    ("running", "plate", "plates", "plate"),
    ("running", "machine", "machines", "machine"),
    ("running", "order", "orders", "order"),
    ("waiting", "plate", "plates", "plate"),
    ("waiting", "machine", "machines", "machine"),
    ("waiting", "order", "orders", "order"),
)
"""Table, field, the table it names a row of, and the word for such a row."""


def unknown_references(tables: RequestTables) -> Iterator[Fault]:
    """A fault for each name that nothing has; the field that holds it is in doubt from then on."""
    for name, column, target, noun in _REFERENCES:
        yield from _unknown_ids(tables, getattr(tables, name), column, getattr(tables, target), noun)
    yield from _unknown_parts(tables)
    yield from _unknown_floor_ops(tables)
    yield from _unknown_mounts(tables)


def _unknown_ids(tables: RequestTables, table: Table[Any], column: str, target: Table[Any], noun: str) -> Iterator[Fault]:
    known = target.by_id()
    for record in table.records:
        if column in record.doubts:
            continue
        value: Any = record.value(column)
        many = is_list(value)
        names: Sequence[Any] = value if is_list(value) else (value,)
        for index, name in enumerate(names):
            if not isinstance(name, str) or name in known or target.knows(name):
                continue
            table.doubt(record, column)
            where = record.pointer + (pointer(column, index) if many else pointer(column))
            mend = tables.suggestions.mend(name, known, f"add {noun} {shown(name)}, or name one that is there")
            yield Fault(where, "unknown-id", f"{record.label}: there is no {noun} {shown(name)}", mend)


def _unknown_parts(tables: RequestTables) -> Iterator[Fault]:
    """Parts of orders and nests, and ops of nests, that no operation has."""
    parts = tables.part_ops
    for table in (tables.orders, tables.nests):
        for record in table.records:
            part = record.value("part")
            if "part" in record.doubts or not isinstance(part, str) or part in parts or tables.operations.may_hold(part=part):
                continue
            table.doubt(record, "part")  # type: ignore[arg-type]
            mend = tables.suggestions.mend(part, parts, f"add the operations of part {shown(part)}")
            yield Fault(record.pointer + "/part", "unknown-part", f"{record.label}: part {shown(part)} has no operations", mend)
    for record in tables.nests.records:
        if not record.doubts & {"part", "op"}:
            yield from _unknown_op(tables, tables.nests, record, record.value("part"))


def _unknown_floor_ops(tables: RequestTables) -> Iterator[Fault]:
    """Ops on the floor that the part of their order does not have."""
    for table in (tables.pieces, tables.running, tables.waiting):
        for record in table.records:
            order = tables.orders.by_id().get(record.value("order")) if not record.doubts & {"order", "op"} else None
            if order is not None and "part" not in order.doubts:
                yield from _unknown_op(tables, table, record, order.value("part"))


def _unknown_op(tables: RequestTables, table: Table[Any], record: Record[Any], part: Any) -> Iterator[Fault]:
    op = record.value("op")
    ops = tables.part_ops.get(part, [])
    if op in ops or tables.operations.may_hold(part=part, op=op):
        return
    table.doubt(record, "op")
    names = [str(known) for known in ops]
    yield Fault(
        record.pointer + "/op", "unknown-op", f"{record.label}: part {shown(part)} has no op {op}, only {listed(names)}",
        f"name one of its ops, or add operation {op} of the part",
    )


def _unknown_mounts(tables: RequestTables) -> Iterator[Fault]:
    """Mounts of fixtures to build that no plate has."""
    mounts = tables.plates.texts("mount")
    for record, fixture in tables.fixtures.good():
        if fixture.mount is None or fixture.mount in mounts or tables.plates.may_hold(mount=fixture.mount):
            continue
        tables.fixtures.doubt(record, "mount")
        mend = tables.suggestions.mend(fixture.mount, mounts, "name the mount of a plate, or leave it out where any will do")
        yield Fault(record.pointer + "/mount", "unknown-mount", f"{record.label}: no plate has mount {shown(fixture.mount)}", mend)
