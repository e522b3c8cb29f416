"""The sheets of a request and their columns, read from the contract's own models: no second list of them anywhere.

Every input table is one sheet, named as the contract names it (``machines``, ``floor.pieces``). What is not in a table
(`now`, the timezone, the settings) is one row each of the sheet ``settings``: its name, its value, what it means.
"""

from __future__ import annotations

import types
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin, get_type_hints

from annotated_types import Ge, Gt, Le
from pydantic import BaseModel, BeforeValidator
from pydantic.fields import FieldInfo

from platerota_shared.document import is_object
from platerota_shared.fields import Number, Whole
from platerota_shared.instants import read_instant
from platerota_shared.local_times import read_break, read_date, read_local_time
from platerota_shared.tables import PlanRequest, Row
from platerota_shared.units import read_length, read_mass

Kind = Literal["text", "whole", "number", "flag", "choice", "instant", "date", "time", "break", "length", "mass"]

SETTINGS: Final = "settings"
"""The sheet of what is in no table."""

FIELD_HEADINGS: Final = ("field", "value", "meaning")
"""The headings of that sheet; `meaning` is for people and not read."""

_READERS: Final[dict[Any, Kind]] = {
    read_instant: "instant", read_date: "date", read_local_time: "time", read_break: "break", read_length: "length", read_mass: "mass",
    get_args(Whole)[1].func: "whole", get_args(Number)[1].func: "number",
}
_OTHER_TABLES: Final = {"stays_in": "machines", "machines": "machines"}


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a sheet, or one row of the sheet ``settings``.

    Attributes
    ----------
    name
        As requests name it.
    steps
        The steps from the row's object (from the request, for a setting) to the value.
    many
        Whether a cell holds a list, its entries parted by ``;``.
    default
        What a blank cell means, None where the contract says null.
    low, high
        Bounds of a number, where there are any; `above` where `low` itself is not allowed.
    table
        The sheet whose ids it names, where it names one.
    """

    name: str
    steps: tuple[str, ...]
    kind: Kind
    many: bool
    required: bool
    default: Any
    choices: tuple[str, ...]
    low: float | None
    above: bool
    high: float | None
    meaning: str
    table: str | None

    @property
    def holds_seconds(self) -> bool:
        """Whether its numbers are seconds, so that a cell with a time of day or a duration can be read."""
        return self.kind == "whole" and self.name.endswith("_seconds")


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet: its name, the steps from the request to its list of rows, its columns, and what it holds."""

    name: str
    steps: tuple[str, ...]
    columns: tuple[Column, ...]
    meaning: str

    def column(self, name: str) -> Column | None:
        """The column of that name."""
        return next((column for column in self.columns if column.name == name), None)


@cache
def request_sheets() -> tuple[Sheet, ...]:
    """Every sheet of a request: ``settings`` first, then the tables in the order of the contract."""
    tables = tuple(_tables(PlanRequest, ()))
    settings = Sheet(SETTINGS, (), tuple(_settings(PlanRequest, ())), "What is in no table: when the plan begins, where, and how to plan.")
    return settings, *tables


def sheet_named(name: str) -> Sheet | None:
    """The sheet of that name."""
    return next((sheet for sheet in request_sheets() if sheet.name == name), None)


def value_at(document: Any, steps: tuple[str, ...]) -> Any:
    """The value of a JSON document at the end of `steps`; None where there is none."""
    for step in steps:
        document = document.get(step) if is_object(document) else None
    return document


def _tables(model: type[BaseModel], steps: tuple[str, ...]) -> Iterator[Sheet]:
    names = _id_tables()
    for name, hint, info in _fields(model):
        inner, _ = _unwrapped(hint)
        if (row := _row_of(inner)) is not None:
            columns = tuple(_column((column,), column, row_hint, row_info, names) for column, row_hint, row_info in _fields(row))
            yield Sheet(_sheet_name((*steps, name)), (*steps, name), columns, info.description or "")
        elif isinstance(inner, type) and issubclass(inner, Row):
            yield from _tables(inner, (*steps, name))


def _settings(model: type[BaseModel], steps: tuple[str, ...]) -> Iterator[Column]:
    for name, hint, info in _fields(model):
        inner, _ = _unwrapped(hint)
        path = (*steps, name)
        if _row_of(inner) is not None:
            continue
        if isinstance(inner, type) and issubclass(inner, Row):
            yield from _settings(inner, path)
        else:
            shown = path[1:] if path[0] in ("shop", "settings") else path
            yield _column(path, ".".join(shown), hint, info, frozenset())


def _sheet_name(steps: tuple[str, ...]) -> str:
    return ".".join(steps[1:] if steps[0] == "shop" else steps)


def _fields(model: type[BaseModel]) -> Iterator[tuple[str, Any, FieldInfo]]:
    hints = get_type_hints(model, include_extras=True)
    for name, info in model.model_fields.items():
        yield info.alias or name, hints[name], info


@cache
def _id_tables() -> frozenset[str]:
    """The names of tables whose rows have ids, wherever they stand."""
    return frozenset(_with_ids(PlanRequest))


def _with_ids(model: type[BaseModel]) -> Iterator[str]:
    for name, hint, _ in _fields(model):
        inner, _ = _unwrapped(hint)
        if (row := _row_of(inner)) is not None:
            if "id" in row.model_fields:
                yield name
        elif isinstance(inner, type) and issubclass(inner, Row):
            yield from _with_ids(inner)


def _column(steps: tuple[str, ...], name: str, hint: Any, info: FieldInfo, tables: frozenset[str]) -> Column:
    inner, marks = _unwrapped(hint)
    kind = _kind(inner, marks)
    many = kind is None and get_origin(inner) is tuple
    if many:
        inner, marks = _unwrapped(get_args(inner)[0])
        kind = _kind(inner, marks)
    if kind is None:
        raise TypeError(f"a sheet has no cell for {name}: {hint}")
    bounds = [*marks, *info.metadata]
    low = next((mark for mark in bounds if isinstance(mark, Ge | Gt)), None)
    return Column(
        name=name, steps=steps, kind=kind, many=many, required=info.is_required(), default=None if info.is_required() else info.default,
        choices=get_args(inner) if kind == "choice" else (),
        low=_figure(low.gt if isinstance(low, Gt) else low.ge) if low is not None else None, above=isinstance(low, Gt),
        high=next((_figure(mark.le) for mark in bounds if isinstance(mark, Le)), None),
        meaning=info.description or "", table=_table_of(name, tables),
    )


def _table_of(name: str, tables: frozenset[str]) -> str | None:
    table = _OTHER_TABLES.get(name, f"{name}s")
    return table if table in tables else None


def _figure(bound: Any) -> float:
    return float(bound)


def _unwrapped(hint: Any) -> tuple[Any, list[Any]]:
    """The type inside ``Annotated`` and ``| None``, with everything that was annotated."""
    marks: list[Any] = []
    while True:
        origin = get_origin(hint)
        if origin is Annotated:
            for mark in hint.__metadata__:
                marks.extend([mark, *mark.metadata] if isinstance(mark, FieldInfo) else [mark])
            hint = hint.__origin__
        elif origin in (Union, types.UnionType):
            hint = next(one for one in get_args(hint) if one is not type(None))
        else:
            return hint, marks


def _row_of(hint: Any) -> type[Row] | None:
    """The model of a table's rows; None for what is no table."""
    args = get_args(hint)
    found = args[0] if get_origin(hint) is tuple and args else None
    return found if isinstance(found, type) and issubclass(found, Row) else None


def _kind(inner: Any, marks: list[Any]) -> Kind | None:
    for mark in marks:
        if isinstance(mark, BeforeValidator) and mark.func in _READERS:
            return _READERS[mark.func]
    if get_origin(inner) is Literal:
        return "choice"
    if inner is bool:
        return "flag"
    return "text" if inner is str else None
