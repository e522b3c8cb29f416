"""Names that nobody expects, as ids, names and notes of everything, through every way in and out: they stay text and what they are."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from html.parser import HTMLParser
from typing import Any
from urllib.parse import quote
from xml.etree import ElementTree

import httpx
import icalendar
import openpyxl
import pytest

from platerota_service.answers import example
from platerota_service.formats import XLSX
from platerota_service.store.plan_rows import BestPlan
from platerota_service.workbook import plan_table, read_sheets
from platerota_service.workbook.csv_reading import guarded, unguarded

from ..sheet_files import Sheets, csv_bytes, zipped  # noqa: TID252 - it serves the tests of both folders
from .conftest import HandWorker

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
NAMES = ("mill-1", "P1", "bracket-vise", "bracket", "ana", "A-1042")
"""Every id of the example week."""
HOSTILE = {
    "markup": "<script>alert(1)</script><img src=x onerror=a>", "quotes": "a & b \" ' ]]> --> %{}", "long": "W" * 190,
    "wide": "\u6a5f\u68b0" * 95,
    "right to left": "\u05e2\u05d2\u05dc\u05d4 \u202e\u05d2\u05d3\u05d5", "emoji": "\U0001f469\u200d\U0001f3ed\U0001f527",
    "combining": "e\u0301\u0328" * 20,
    "control": "bell\x07 esc\x1b[31m del\x7f nel\x85", "breaks": "a\tb\nc\r\nd\u2028e", "formula": "=HYPERLINK(\"http://x\";\"y\")",
    "at": "@SUM(A1)",
    "template": "{{ 7 * 7 }}{% raw %}", "path": "../..;/a%2fb?c#d", "calendar": "x\r\nEND:VEVENT\r\nBEGIN:VEVENT\r\nUID:y",
    "sql": "'; DROP TABLE plans; --",
    "private": "x\ue000\ufeff", "escape": "_x0041_ \\N \\; \\u0041",
}
READS = (
    "", "/events", "/board", "/board?day=2027-03-01", "/board/against/{id}", "/load-sheets", "/machine-sheets", "/gantt.svg", "/load.svg",
    "/load-windows.ics", "/operations-schedule", "/costs", "/differences?against={id}", "/differences?against={id}&format=csv",
    *(f"?format=csv&table={table}" for table in ("plan", "orders", "load_windows", "machines")), "?format=xlsx", "?format=zip",
)

PLAIN: dict[str, httpx.Response] = {}
"""The answers under plain names, the same for every test."""


def renamed(value: Any, name: str) -> Any:
    """A document with `name` and the old id as each id, so that they differ from each other."""
    if isinstance(value, dict):
        return {key: renamed(one, name) for key, one in value.items()}
    if isinstance(value, list):
        return [renamed(one, name) for one in value]
    return new_id(value, name) if isinstance(value, str) and value in NAMES else value


def noted(request: Document, name: str) -> Document:
    """A request with the hostile name as name and note of each row that can have them; with plain words under plain names."""
    shop = request["shop"]
    for row in (*(row for table in ("machines", "plates", "fixtures", "operators") for row in shop[table]), *request["orders"]):
        row |= {"name": name or "plain", "note": name or "plain words"}
    return request


def new_id(old: str, name: str) -> str:
    """The hostile id of a thing: the name comes first, so that a formula begins with its sign."""
    return f"{name}{NAMES.index(old)}" if name else old


class Tags(HTMLParser):
    """The tags of a page or a drawing, with the names of their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, tuple[str, ...]]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, tuple(name for name, _ in attrs)))


async def answers(client: httpx.AsyncClient, worker: HandWorker, name: str) -> dict[str, httpx.Response]:
    """What every way of reading a plan answers about the example week under a hostile name."""
    made = await client.post("/v1/plans", json=noted(renamed(example("request"), name), name), headers={"Prefer": "respond-async"})
    assert made.status_code == 202, made.text
    plan_id = made.json()["id"]
    beside = ("id", "status", "problem", "progress", "shop", "base", "compare")
    plan = {field: renamed(value, name) for field, value in example("plan").items() if field not in beside}
    worker.find(plan_id, BestPlan(json.dumps(plan), plan["score"]["total"], plan["score"]["bound"], plan["quality"]))
    found = {path: await client.get(f"/v1/plans/{plan_id}{path.format(id=plan_id)}") for path in READS}
    assert {path: answer.status_code for path, answer in found.items() if answer.status_code != 200} == {}
    return found


def rows_of(content: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""), strict=True))


def check_pages(plain: dict[str, httpx.Response], hostile: dict[str, httpx.Response]) -> None:
    """Pages and drawings have the elements that they have under plain names, and no character that turns or hides the words around."""
    for path, answer in hostile.items():
        kind = answer.headers["content-type"]
        if kind.startswith("text/html") or kind == "image/svg+xml":
            known = {one for one, _ in Tags(plain[path].text).found}
            assert {one for one, _ in Tags(answer.text).found} <= known, path
            assert not [char for char in answer.text if char in "\u202e\x07\x1b\x7f\x85\ufeff"], path
            assert not any(name.startswith("on") for _, names in Tags(answer.text).found for name in names), path
        if kind == "image/svg+xml":
            ElementTree.fromstring(answer.content)


def check_data(hostile: dict[str, httpx.Response], name: str) -> None:
    """JSON and the ERP's hold every id as it was; CSV gives it back behind its guard; the calendar and the workbook stay whole."""
    order, plate = new_id("A-1042", name), new_id("P1", name)
    plan = hostile[""].json()
    assert (plan["orders"][0]["id"], plan["runs"][0]["plate"]) == (order, plate)
    exported = json.dumps(hostile["/operations-schedule"].json(), ensure_ascii=False)
    assert all(json.dumps(new_id(one, name), ensure_ascii=False)[1:-1] in exported for one in NAMES)
    tables = {path: rows_of(answer.content) for path, answer in hostile.items() if answer.headers["content-type"].startswith("text/csv")}
    with zipfile.ZipFile(io.BytesIO(hostile["?format=zip"].content)) as archive:
        tables |= {inside: rows_of(archive.read(inside)) for inside in archive.namelist()}
    cells = [cell for rows in tables.values() for row in rows for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "@", "\t", "\r"))]
    assert {guarded(order), guarded(plate), guarded(name)} <= set(cells)
    calendar = icalendar.Calendar.from_ical(hostile["/load-windows.ics"].content)
    assert len(calendar.walk("VEVENT")) == len(plan["load_windows"]) == 1
    for page in openpyxl.load_workbook(io.BytesIO(hostile["?format=xlsx"].content)).worksheets:
        assert not [cell.coordinate for row in page.iter_rows() for cell in row if cell.data_type == "f"]


@pytest.mark.parametrize("kind", HOSTILE)
async def test_a_hostile_name_stays_text_in_every_answer(client: httpx.AsyncClient, worker: HandWorker, kind: str) -> None:
    if not PLAIN:
        PLAIN.update(await answers(client, worker, ""))
    hostile = await answers(client, worker, HOSTILE[kind])
    check_pages(PLAIN, hostile)
    check_data(hostile, HOSTILE[kind])


@pytest.mark.parametrize("kind", HOSTILE)
def test_a_hostile_name_comes_through_workbooks_and_csv_files(kind: str) -> None:
    document = renamed(example("request"), HOSTILE[kind])
    sheets = Sheets(document)
    texts = {
        name: csv_bytes([[guarded(cell) if isinstance(cell, str) else cell for cell in row] for row in rows])
        for name, rows in sheets.rows.items()
    }
    for body in (sheets.xlsx(), zipped({f"{name}.csv": text for name, text in texts.items()})):
        # Spreadsheets keep a line break as one character, whichever it was.
        assert read_sheets(body).request.shop.plates[0].id.split() == new_id("P1", HOSTILE[kind]).split()


@pytest.mark.parametrize("kind", HOSTILE)
async def test_a_fault_about_a_hostile_name_is_told_in_every_format(client: httpx.AsyncClient, kind: str) -> None:
    document = example("request") | {"orders": [{**example("request")["orders"][0], "part": HOSTILE[kind]}]}
    refused = await client.post("/v1/plans", json=document)
    assert (refused.status_code, refused.json()["errors"][0]["code"]) == (422, "unknown-part")
    assert refused.json()["errors"][0]["detail"].isprintable()
    marked = await client.post("/v1/plans", content=Sheets(document).xlsx(), headers={"Content-Type": XLSX})
    assert (marked.status_code, marked.headers["platerota-faults"]) == (200, "1")
    for page in openpyxl.load_workbook(io.BytesIO(marked.content)).worksheets:
        assert not [cell.coordinate for row in page.iter_rows() for cell in row if cell.data_type == "f"]


@pytest.mark.parametrize("kind", HOSTILE)
async def test_a_row_with_a_hostile_id_is_stored_under_its_address_and_found_there(client: httpx.AsyncClient, kind: str) -> None:
    name = HOSTILE[kind]
    assert (await client.put("/v1/shops/main", json=example("request")["shop"])).status_code == 201
    row = {**example("request")["shop"]["plates"][0], "id": name, "fixture": None}
    stored = await client.put(f"/v1/shops/main/plates/{quote(name, safe='')}", json=row)
    assert stored.status_code == 201, stored.text
    assert (await client.get(stored.headers["location"])).json() == row
    assert (await client.delete(stored.headers["location"], headers={"If-Match": "*"})).status_code == 204


@pytest.mark.parametrize("name", ["\u200b", "\ufeff\u2028", "\x07\x1b", "\u00a0 ", "\ue000"])
async def test_an_id_that_nobody_could_see_is_refused(client: httpx.AsyncClient, name: str) -> None:
    document = example("request") | {"orders": [{**example("request")["orders"][0], "id": name}]}
    refused = await client.post("/v1/plans", json=document)
    assert refused.status_code == 422
    assert [(one["pointer"], one["code"]) for one in refused.json()["errors"]] == [("/orders/0/id", "bad-text")]


def test_what_is_guarded_is_given_back() -> None:
    for name in (*HOSTILE.values(), *(f"'{name}" for name in HOSTILE.values())):
        assert unguarded(guarded(name)) == name
    assert plan_table("orders") is not None
