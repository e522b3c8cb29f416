"""Names and notes of rows: every table that has them is shown by every picture, page, sheet and file, or it is said here why not.

A table or a call that is new fails here until somebody has decided.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import zipfile
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, get_args

import icalendar
import openpyxl
import pytest
from pydantic import BaseModel

from platerota_service.board import Standing, board_page, comparison_page, load_sheets_page, machine_sheets_page
from platerota_service.calendar_file import load_windows_calendar
from platerota_service.operations_schedule import operations_schedule
from platerota_service.pictures import gantt_svg, load_svg
from platerota_service.workbook import PLAN_TABLES, PlanBook, plan_csvs, plan_table, plan_workbook
from platerota_shared.plan import Plan
from platerota_shared.tables import NamedRow, PlanRequest, Shop

from .drawn_plans import full_plan, small_request

HERE = "/v1/plans/{plan_id}"
NOW = dt.datetime(2027, 3, 1, 6, tzinfo=dt.UTC)
LONG = "word " * 390 + "last word"


def named_tables(model: type[BaseModel]) -> list[str]:
    """The fields of a model that are tables of rows with a name and a note."""
    rows = {name: (get_args(field.annotation) or (None,))[0] for name, field in model.model_fields.items()}
    return [name for name, row in rows.items() if isinstance(row, type) and issubclass(row, NamedRow)]


SHOP_TABLES = named_tables(Shop)
TABLES = [*SHOP_TABLES, *named_tables(PlanRequest)]


def marker(field: str, table: str) -> str:
    """A text that is markup wherever it is not escaped, short enough never to be cut as a name."""
    return f"<i onload=a>{field} of {table}</i>"


def told(**texts: str) -> PlanRequest:
    """The small request with a name and a note on every row that can have them; `texts` are given to all rows, else each its marker."""
    request = small_request()

    def marked(table: str) -> tuple[NamedRow, ...]:
        rows: tuple[NamedRow, ...] = getattr(request.shop if table in SHOP_TABLES else request, table)
        assert rows, f"the small request has no {table}"
        given = {field: texts.get(field, marker(field, table)) for field in ("name", "note")}
        return tuple(row.model_copy(update=given) for row in rows)

    shop = request.shop.model_copy(update={table: marked(table) for table in SHOP_TABLES})
    return request.model_copy(update={"shop": shop, **{table: marked(table) for table in TABLES if table not in SHOP_TABLES}})


class Read(HTMLParser):
    """What a page or drawing says, and its tags."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.texts: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        assert not [name for name, _ in attrs if name.startswith("on")]

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def read(text: str) -> str:
    """The words of a page or drawing, whose markup is its own."""
    page = Read(text)
    assert "i" not in page.tags
    return "\n".join(page.texts)


def state(plan: Plan) -> Standing:
    return Standing(plan.model_copy(update={"status": "ready"}))


def calendar_words(plan: Plan, request: PlanRequest) -> str:
    calendar = icalendar.Calendar.from_ical(load_windows_calendar(plan, stamp=NOW, request=request))
    return "\n".join(str(event["DESCRIPTION"]) for event in calendar.walk("VEVENT"))


def csv_words(plan: Plan, request: PlanRequest) -> str:
    with zipfile.ZipFile(io.BytesIO(plan_csvs(PlanBook(plan, request)))) as files:
        rows = [row for name in files.namelist() for row in csv.reader(io.StringIO(files.read(name).decode(), newline=""))]
    return "\n".join(cell for row in rows for cell in row)


def workbook_words(plan: Plan, request: PlanRequest) -> str:
    book: Any = openpyxl.load_workbook(io.BytesIO(plan_workbook(PlanBook(plan, request))))
    return "\n".join(str(cell.value) for page in book for row in page.iter_rows() for cell in row)


OUTPUTS: dict[str, Callable[[Plan, PlanRequest], str]] = {
    f"{HERE}/board": lambda plan, request: read(board_page(state(plan), request).html),
    f"{HERE}/board?day": lambda plan, request: read(board_page(state(plan), request, "2027-03-01").html),
    f"{HERE}/board/against/{{other_id}}": lambda plan, request: read(comparison_page((state(plan), request), (state(plan), request)).html),
    f"{HERE}/load-sheets": lambda plan, request: read(load_sheets_page(state(plan), request).html),
    f"{HERE}/machine-sheets": lambda plan, request: read(machine_sheets_page(state(plan), request).html),
    f"{HERE}/gantt.svg": lambda plan, request: read(gantt_svg(plan, request)),
    f"{HERE}/load.svg": lambda plan, request: read(load_svg(plan, request)),
    f"{HERE}/load-windows.ics": calendar_words,
    f"{HERE}/operations-schedule": lambda plan, request: "\n".join(strings(operations_schedule(request, plan))),
    f"{HERE}?format=zip": csv_words,
    f"{HERE}?format=xlsx": workbook_words,
}


def strings(value: Any) -> list[str]:
    """Every text in JSON values."""
    if isinstance(value, dict | list):
        inside: list[Any] = list(value.values() if isinstance(value, dict) else value)  # pyright: ignore[reportUnknownArgumentType]
        return [text for one in inside for text in strings(one)]
    return [value] if isinstance(value, str) else []


LEFT_OUT = {
    (f"{HERE}/machine-sheets", "operators"): ("name note", "a mill's sheet says who comes when, by id; theirs is the load sheet"),
    **{
        (f"{HERE}/board/against/{{other_id}}", table): ("name note", "it compares orders and names nothing else")
        for table in ("machines", "plates", "fixtures", "operators")
    },
    (f"{HERE}/board/against/{{other_id}}", "orders"): ("note", "each plan's own board has it"),
    **{(f"{HERE}/load.svg", table): ("name note", "it is of mills and people alone") for table in ("plates", "fixtures", "orders")},
    **{
        (f"{HERE}/operations-schedule", table): ("name note", "the standard's objects refer to an ERP's own equipment by id")
        for table in ("machines", "plates", "fixtures")
    },
}
"""(output, table) -> what is not shown there, and why."""

NOT_SHOWN = {
    "": "the plan as data; its request, which the caller has, holds them", "/events": "the same, while it is solved",
    "/costs": "figures by id", "/differences": "figures by id; orders with their names",
    "/gantt.png": "gantt.svg", "/load.png": "load.svg",
    "/board/rush-order": "a form", "/board/promise": "a form", "/board/levers": "a form",
}
"""What else can be read of a plan, and why it is not in the table above."""


@pytest.fixture(scope="module")
def words() -> dict[str, str]:
    """What every output says about the small week with a marker in each name and note."""
    request = told()
    plan = full_plan(request)
    return {path: made(plan, request) for path, made in OUTPUTS.items()}


@pytest.mark.parametrize("field", ["name", "note"])
@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("path", OUTPUTS)
def test_a_name_and_a_note_are_shown_or_it_is_said_why_not(words: dict[str, str], path: str, table: str, field: str) -> None:
    fields, _why = LEFT_OUT.get((path, table), ("", ""))
    assert (marker(field, table) in words[path]) is (field not in fields.split())


def test_everything_that_can_be_read_of_a_plan_shows_names_and_notes_or_it_is_said_why_not() -> None:
    described = json.loads((Path(__file__).parents[1] / "openapi.json").read_text("utf-8"))["paths"]
    reads = {path for path, calls in described.items() if path.startswith(HERE) and "get" in calls}
    assert reads == {path.partition("?")[0] for path in OUTPUTS} | {f"{HERE}{path}" for path in NOT_SHOWN}


def test_what_is_said_not_to_be_shown_is_of_a_table_and_an_output_that_there_are() -> None:
    assert set(LEFT_OUT) <= {(path, table) for path in OUTPUTS for table in TABLES}


def said(table: str, row_id: str) -> str:
    """A row's id and name, and its note, as the title of its head says them."""
    return f"{row_id} ({marker('name', table)}); note on {table.removesuffix('s')} {row_id}: {marker('note', table)}"


@pytest.mark.parametrize("path", ["/board?day", "/gantt.svg", "/load.svg"])
def test_a_head_that_is_pointed_at_says_name_and_note(words: dict[str, str], path: str) -> None:
    found = words[f"{HERE}{path}"].splitlines()
    assert {said("machines", "M1"), said("operators", "Ana")} <= set(found)
    assert (said("plates", "P1") in found) is (path == "/board?day")


@pytest.mark.parametrize("path", ["/board", "/gantt.svg"])
def test_an_orders_row_and_its_due_mark_say_its_name_and_the_row_its_note(words: dict[str, str], path: str) -> None:
    found = words[f"{HERE}{path}"].splitlines()
    row = f"O1 X ×4 ({marker('name', 'orders')}): done Mon 1 Mar 11:00, due Mon 1 Mar 11:00; note on order O1: {marker('note', 'orders')}"
    assert row in found
    assert (f"O1, {marker('name', 'orders')}, due Mon 1 Mar 11:00" in found) is (path == "/board")


@pytest.mark.parametrize("path", ["load-sheets", "machine-sheets", "load-windows.ics", "gantt.svg", "load.svg"])
def test_a_long_note_gives_way_where_it_is_read_at_work(path: str) -> None:
    request = told(note=LONG)
    lines = [line for line in OUTPUTS[f"{HERE}/{path}"](full_plan(request), request).splitlines() if "word word" in line]
    assert lines
    assert all("word…" in line and "last word" not in line for line in lines)
    assert all(line.count("word") <= 24 * line.count("note on") for line in lines)


@pytest.mark.parametrize("path", ["/board", "?format=zip", "?format=xlsx"])
def test_a_long_note_is_whole_on_the_board_and_in_the_files(path: str) -> None:
    request = told(note=LONG)
    assert LONG in OUTPUTS[f"{HERE}{path}"](full_plan(request), request)


def test_without_notes_nothing_speaks_of_any() -> None:
    request = told(note="  ")
    plan = full_plan(request)
    assert [path for path, made in OUTPUTS.items() if "note on" in made(plan, request)] == []
    assert 'id="notes"' not in board_page(state(plan), request).html
    assert 'class="remark' not in load_sheets_page(state(plan), request).html


@pytest.mark.parametrize(("name", "columns"), [
    ("load_windows", "operator start end earliest_start latest_end plate fixture pieces_held machine place_at run"),
    ("machines", "machine start end kind operator plate fixture pieces_held run id"),
    ("orders", "id name part quantity start finish due late_seconds placed runs why"),
])
def test_names_and_notes_stand_behind_the_columns_that_callers_know_by_place(name: str, columns: str) -> None:
    table = plan_table(name)
    assert table is not None
    known = columns.split()
    assert [column.name for column in table.columns][:len(known)] == known
    assert len(table.columns) > len(known)


def test_a_row_of_each_table_has_a_value_for_every_column() -> None:
    request = told()
    book = PlanBook(full_plan(request), request)
    for table in PLAN_TABLES:
        assert {len(row) for row in table.rows(book)} <= {len(table.columns)}, table.name


@pytest.mark.parametrize("name", ["machines", "orders"])
def test_the_tables_of_machines_and_orders_have_name_and_note_of_each(name: str) -> None:
    request = told()
    table = plan_table(name)
    assert table is not None
    heads = [column.name for column in table.columns]
    found = [dict(zip(heads, row, strict=True)) for row in table.rows(PlanBook(full_plan(request), request))]
    assert found
    assert all((row["name"], row["note"]) == (marker("name", name), marker("note", name)) for row in found)


def test_the_load_window_of_a_table_names_its_own_operator_plate_and_fixture() -> None:
    request = told()
    table = plan_table("load_windows")
    assert table is not None
    heads = [column.name for column in table.columns]
    first = dict(zip(heads, next(table.rows(PlanBook(full_plan(request), request))), strict=True))
    assert {head: first[head] for head in ("operator_name", "plate_name", "fixture_name")} == {
        f"{table.removesuffix('s')}_name": marker("name", table) for table in ("operators", "plates", "fixtures")
    }
    assert str(first["notes"]).split("; ") == [
        f"note on {table.removesuffix('s')} {row_id}: {marker('note', table)}"
        for table, row_id in (("operators", "Ana"), ("plates", "P1"), ("fixtures", "F1"), ("orders", "O1"), ("machines", "M1"))
    ]
