"""The sheets follow the contract's models: every table, every column, each of which comes back from a file as it went in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pytest

from platerota_service.workbook import request_sheets, template_csvs, template_workbook
from platerota_service.workbook.cells import Rules
from platerota_service.workbook.columns import SETTINGS, Column
from platerota_service.workbook.document import document_from
from platerota_service.workbook.grids import read_grids
from platerota_shared.reading import LIMITS
from platerota_shared.records import field_names
from platerota_shared.tables import Floor, Machine, PlanRequest, ScoreRates, Settings, Shift, Shop

VALUES: dict[str, tuple[Any, Any]] = {
    "text": ("R-7 é", "0012"), "whole": (7, 8), "number": (1.5, 0.25), "flag": (True, False), "instant": ("2027-03-01T06:00:07", None),
    "date": ("2027-03-01", None), "time": ("06:30", "24:00"), "break": ("10:00-10:15", "22:45-23:00"), "length": ("16 in", 381.5),
    "mass": (3.5, "24 lb"),
}


def value(column: Column) -> Any:
    """A value that only this kind of column holds; of a list two."""
    first, second = column.choices[-2:] if column.kind == "choice" else VALUES[column.kind]
    return [first, second] if column.many else second if column.name == "end" and column.kind == "time" else first


def put(document: dict[str, Any], steps: tuple[str, ...], what: Any) -> None:
    for step in steps[:-1]:
        document = document.setdefault(step, {})
    document[steps[-1]] = what


def full_document() -> dict[str, Any]:
    """A document with a value in every column; not a sensible request."""
    document: dict[str, Any] = {}
    for sheet in request_sheets():
        if sheet.name == SETTINGS:
            for column in sheet.columns:
                put(document, column.steps, value(column))
        else:
            put(document, sheet.steps, [{column.name: value(column) for column in sheet.columns}])
    return document


def test_there_is_a_sheet_for_each_table_and_a_column_for_each_field() -> None:
    sheets = {sheet.name: [column.name for column in sheet.columns] for sheet in request_sheets()}
    tables = {f"floor.{name}" for name in Floor.model_fields} | set(Shop.model_fields) - {"timezone"} | {"orders"}
    assert set(sheets) == tables | {SETTINGS}
    assert {name.removeprefix("floor.") for name in tables} == set(LIMITS)
    assert sheets["machines"] == list(field_names(Machine))
    assert sheets["shifts"] == list(field_names(Shift))
    scores = {f"score.{name}" for name in ScoreRates.model_fields}
    single = set(PlanRequest.model_fields) - {"shop", "orders", "floor", "settings"}
    assert set(sheets[SETTINGS]) == single | {"timezone"} | set(Settings.model_fields) - {"score"} | scores


def test_every_column_says_what_it_means() -> None:
    assert [(sheet.name, column.name) for sheet in request_sheets() for column in sheet.columns if not column.meaning] == []


@pytest.mark.parametrize("write", [template_workbook, template_csvs], ids=["workbook", "csv"])
def test_every_value_comes_back_from_a_file_as_it_went_in(write: Callable[[Mapping[str, Any]], bytes]) -> None:
    document = full_document()
    grids = read_grids(write(document))
    made = document_from(grids.by_name, Rules())
    assert (list(made.all_faults(())), made.remarks) == ([], [])
    assert made.document == document
