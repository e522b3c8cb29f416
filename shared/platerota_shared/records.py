"""Tables row by row: what could be read of each row, and what of it is in doubt.

A row with a fault is still known to be there. Checks between tables ask :meth:`Table.knows` and :meth:`Table.may_hold`
before they call something missing, so one slip gives one fault and no train of others behind it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Generic, TypeVar, get_args
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from platerota_shared.document import is_object
from platerota_shared.faults import Fault, pointer, shown
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import Row
from platerota_shared.wording import fault_of

MAX_FIELDS = 100
"""Fields of one row that are looked at; the contract's longest row has fewer than twenty."""

MAX_DOUBTFUL = 500
"""Rows in doubt that are looked at one by one; a table with more might hold anything."""

R = TypeVar("R", bound=Row)


@dataclass(slots=True)
class Record(Generic[R]):
    """One row as it came: its pointer, its name in sentences, its value where it is good, and the fields in doubt."""

    pointer: str
    label: str
    raw: Mapping[str, Any]
    row: R | None
    doubts: set[str] = field(default_factory=set[str])

    def value(self, name: str) -> Any:
        """The field `name` of the row, as it came where the row is faulty."""
        return self.raw.get(name) if self.row is None else getattr(self.row, name)


@dataclass(slots=True)
class Table(Generic[R]):
    """The records of one table; `unread` where the table itself could not be read, so that anything may be in it."""

    records: list[Record[R]] = field(default_factory=list["Record[R]"])
    unread: bool = False
    _doubtful: list[Record[R]] = field(default_factory=list["Record[R]"])
    _ids: dict[str, Record[R]] | None = None

    def add(self, record: Record[R]) -> None:
        """Append a record as it was read."""
        self.records.append(record)
        if record.doubts:
            self._doubtful.append(record)

    def doubt(self, record: Record[R], name: str) -> None:
        """Put the field `name` of a record in doubt, because a check between tables found a fault there."""
        if not record.doubts:
            self._doubtful.append(record)
        record.doubts.add(name)

    def good(self) -> Iterator[tuple[Record[R], R]]:
        """The records whose row could be read, with the row."""
        for record in self.records:
            if record.row is not None:
                yield record, record.row

    def rows(self) -> tuple[R, ...]:
        """The rows that could be read."""
        return tuple(row for _, row in self.good())

    def by_id(self) -> dict[str, Record[R]]:
        """Records by id, faulty ones included; of two with one id the first."""
        if self._ids is None:
            self._ids = {}
            for record in self.records:
                if isinstance(name := record.value("id"), str):
                    self._ids.setdefault(name, record)
        return self._ids

    def texts(self, name: str) -> set[str]:
        """The texts in the field `name`, those of faulty rows included where that field is good."""
        values = (record.value(name) for record in self.records if name not in record.doubts)
        return {value for value in values if isinstance(value, str)}

    def row(self, name: str | None) -> R | None:
        """The good row with that id, or None."""
        record = self.by_id().get(name) if name is not None else None
        return record.row if record is not None else None

    def knows(self, name: str) -> bool:
        """Whether a row has, or might have, that id."""
        return name in self.by_id() or self.may_hold(id=name)

    def may_hold(self, **wanted: Any) -> bool:
        """Whether a row in doubt might be the one with the `wanted` values (by field)."""
        if self.unread or len(self._doubtful) > MAX_DOUBTFUL:
            return True
        return any(
            all(name in record.doubts or record.value(name) == value for name, value in wanted.items()) for record in self._doubtful
        )


@lru_cache(maxsize=64)
def field_names(model: type[Row]) -> tuple[str, ...]:
    """The fields of `model` as requests name them."""
    return tuple(info.alias or name for name, info in model.model_fields.items())


def read_row(model: type[R], raw: Any, place: str, label: str, zone: ZoneInfo, suggestions: Suggestions) -> tuple[Record[R], list[Fault]]:
    """One row by its model, with every fault of it."""
    names = field_names(model)
    if not is_object(raw):
        fault = Fault(place, "wrong-type", f"{label} must be an object, not {shown(raw)}", "give an object with the row's fields")
        return Record(place, label, {}, None, set(names)), [fault]
    if len(raw) > MAX_FIELDS:
        words = f"{label} has {len(raw):,} fields; its table has {len(names)}"
        fault = Fault(place, "unknown-field", words, f"give only {', '.join(names)}")
        return Record(place, label, {}, None, set(names)), [fault]
    try:
        return Record(place, label, raw, model.model_validate(raw, context={"zone": zone})), []
    except ValidationError as error:
        return _faulty(model, raw, place, label, error, suggestions)


def _faulty(
    model: type[R], raw: Mapping[str, Any], place: str, label: str, error: ValidationError, suggestions: Suggestions,
) -> tuple[Record[R], list[Fault]]:
    faults: list[Fault] = []
    doubts: set[str] = set()
    details = error.errors(include_url=False)
    broken_lists = {
        detail["loc"][:depth] for detail in details for depth, step in enumerate(detail["loc"]) if isinstance(step, int)
    }
    for detail in details:
        if detail["type"] == "extra_forbidden":
            # What was meant by the unknown field is open, so every field not given is in doubt.
            doubts.update({"unknown field"}, (name for name in field_names(model) if name not in raw))
            *outer, name = detail["loc"]
            faults.append(unknown_field(place + pointer(*outer), label, str(name), _names_at(model, detail["loc"]), suggestions))
            continue
        if detail["type"] == "too_short" and detail["loc"] in broken_lists:
            continue  # the list is only empty because its entries were refused
        doubts.add(str(detail["loc"][0]))
        faults.append(fault_of(detail, place, label))
    return Record(place, label, raw, None, doubts), faults


def _names_at(model: type[Row], steps: tuple[int | str, ...]) -> tuple[str, ...]:
    """The field names of the object that holds the last of `steps`: the row itself, or an object in one of its fields."""
    if len(steps) == 1:
        return field_names(model)
    inner = next((info for name, info in model.model_fields.items() if steps[0] in (name, info.alias)), None)
    found = _row_in(inner.annotation) if inner is not None else None
    return field_names(found) if found is not None else ()


def _row_in(annotation: Any) -> type[Row] | None:
    """The row that a field holds: itself, or what may be null, or the entries of a list."""
    if isinstance(annotation, type) and issubclass(annotation, Row):
        return annotation
    return next((found for part in get_args(annotation) if (found := _row_in(part)) is not None), None)


def unknown_field(place: str, label: str, name: str, known: tuple[str, ...], suggestions: Suggestions) -> Fault:
    """The fault of a field that the object at `place` does not have."""
    mend = suggestions.mend(name, known, f"leave it out; the fields are {', '.join(known)}")
    return Fault(place + pointer(name), "unknown-field", f"{label} has no field {shown(name)}", mend)
