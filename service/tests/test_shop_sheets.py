"""Planning a stored shop with a spreadsheet: the list of orders as CSV, or a workbook without the shop's own sheets."""

import copy
import csv
import io
import json
from typing import Any

import httpx
import openpyxl
import pytest
import time_machine

from platerota_service.formats import WORKBOOK_BODIES, XLSX
from platerota_service.workbook import SOLVE_SECONDS

from .sheet_files import Sheets

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
CSV = {"Content-Type": "text/csv; charset=utf-8"}
ASYNC = {"Prefer": "respond-async"}
ORDERS = "id;part;quantity;due\r\nA-1042;bracket;4;2027-03-02T14:00:00\r\nA-1043;bracket;8;2027-03-03 12:00\r\n"
SHOP_SHEETS = ("machines", "plates", "fixtures", "nests", "operations", "operators", "shifts", "closures")


@pytest.fixture
async def shop(client: httpx.AsyncClient, request_document: Document) -> Document:
    """The stored shop `main`."""
    assert (await client.put("/v1/shops/main", json=request_document["shop"])).status_code == 201
    return dict(copy.deepcopy(request_document["shop"]))


@pytest.fixture
def sheets(request_document: Document) -> Sheets:
    """The request in sheets, without those of the shop."""
    sheets = Sheets(request_document)
    for name in SHOP_SHEETS:
        del sheets.rows[name]
    return sheets.put("settings", "timezone", "")


def problem(answer: httpx.Response, status: int = 422) -> list[Document]:
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json"), answer.text
    return list(answer.json()["errors"])


async def test_a_solve_that_is_too_long_to_wait_for_is_told_at_its_cell(
    client: httpx.AsyncClient, shop: Document, sheets: Sheets,
) -> None:
    body, query = sheets.put("settings", "solve_seconds", 60).xlsx(), {"format": "json"}
    answer = await client.post("/v1/shops/main/plans", params=query, content=body, headers={"Content-Type": XLSX})
    assert answer.json()["type"] == "/v1/problems/too-long-to-wait"
    assert [(one["sheet"], one["code"]) for one in problem(answer, 400)] == [("settings", "out-of-range")]


async def test_a_csv_file_of_orders_is_planned_for_the_stored_shop(client: httpx.AsyncClient, shop: Document) -> None:
    made = await client.post("/v1/shops/main/plans?now=2027-03-01T06:00:00", content=ORDERS.encode(), headers=CSV | ASYNC)
    assert made.status_code == 202, made.text
    plan = made.json()
    assert (plan["now"], plan["shop"]["id"], plan["shop"]["stale"]) == ("2027-03-01T06:00:00+00:00", "main", False)
    await client.post(made.headers["location"] + "/stop")
    query, until_ended = {"format": "csv", "table": "load_windows"}, {"Prefer": "wait=20"}
    answer = await client.get(made.headers["location"], params=query, headers=until_ended)
    assert next(csv.reader(io.StringIO(answer.text)))[0] == "operator"
    changed = await client.put("/v1/shops/main", json={**shop, "timezone": "Europe/Vienna"}, headers={"If-Match": "*"})
    assert changed.status_code == 200
    assert (await client.get(made.headers["location"])).json()["shop"]["stale"] is True


async def test_without_now_the_plan_begins_at_this_minute_of_the_shop_s_clock(client: httpx.AsyncClient, shop: Document) -> None:
    with time_machine.travel("2027-03-01T06:02:41+00:00", tick=False):
        made = await client.post("/v1/shops/main/plans", content=ORDERS.encode(), headers=CSV | ASYNC)
    assert made.json()["now"] == "2027-03-01T06:02:00+00:00"


async def test_a_file_with_faults_names_each_row_and_stores_nothing(client: httpx.AsyncClient, shop: Document) -> None:
    text = "id,part,quantity,due,colour\r\nA-1,bracket,four,2027-03-02T14:00:00,red\r\nA-2,brackett,4,03/04/2027,\r\n"
    faults = problem(await client.post("/v1/shops/main/plans?now=2027-03-01T06:00:00", content=text.encode(), headers=CSV))
    assert {(one["sheet"], one.get("row"), one["code"]) for one in faults} >= {
        ("orders", 1, "unknown-column"), ("orders", 2, "bad-number"), ("orders", 3, "unknown-part"), ("orders", 3, "ambiguous-date"),
    }
    assert (await client.get("/v1/plans")).json()["items"] == []


@pytest.mark.parametrize("body", [b"", b"\r\n", b"\xff\xfeid", b'id,part\r\n"A,1'])
async def test_a_file_that_is_none_is_unreadable(client: httpx.AsyncClient, shop: Document, body: bytes) -> None:
    (fault,) = problem(await client.post("/v1/shops/main/plans", content=body, headers=CSV), 400)
    assert (fault["sheet"], bool(fault["mend"])) == ("orders", True)


async def test_now_is_said_once(client: httpx.AsyncClient, shop: Document, request_document: Document, sheets: Sheets) -> None:
    del request_document["shop"]
    for kind, body in (("application/json", json.dumps(request_document).encode()), (XLSX, sheets.xlsx())):
        headers = {"Content-Type": kind, "Accept": "application/json"}
        (fault,) = problem(await client.post("/v1/shops/main/plans?now=2027-03-01T06:00:00", content=body, headers=headers))
        assert fault["pointer"] == "/query/now"
    faults = problem(await client.post("/v1/shops/main/plans?now=monday", content=ORDERS.encode(), headers=CSV))
    assert faults[0]["code"] == "bad-instant"


async def test_another_now_under_the_same_idempotency_key_is_another_request(client: httpx.AsyncClient, shop: Document) -> None:
    headers = CSV | ASYNC | {"Idempotency-Key": "monday"}
    first, again, other = [
        await client.post("/v1/shops/main/plans", params={"now": now}, content=ORDERS.encode(), headers=headers)
        for now in ("2027-03-01T06:00:00", "2027-03-01T06:00:00", "2027-03-02T06:00:00")
    ]
    assert first.json()["id"] == again.json()["id"]
    assert other.json()["type"] == "/v1/problems/idempotency-key-reused"


@pytest.mark.parametrize("kind", [*WORKBOOK_BODIES, "application/zip"])
async def test_a_workbook_without_the_shop_s_sheets_is_planned(
    client: httpx.AsyncClient, shop: Document, sheets: Sheets, kind: str,
) -> None:
    body = sheets.ods() if "opendocument" in kind else sheets.csv_zip() if "zip" in kind else sheets.xlsx()
    made = await client.post("/v1/shops/main/plans", content=body, headers={"Content-Type": kind} | ASYNC)
    assert (made.status_code, made.json()["shop"]["version"]) == (202, 1), made.text


async def test_the_shop_s_own_sheets_and_another_timezone_are_faults(
    client: httpx.AsyncClient, shop: Document, request_document: Document,
) -> None:
    sheets = Sheets(request_document).put("settings", "timezone", "Asia/Tokyo")
    headers = {"Content-Type": XLSX, "Accept": "application/json"}
    faults = problem(await client.post("/v1/shops/main/plans", content=sheets.xlsx(), headers=headers))
    assert {one["sheet"] for one in faults} == {"settings", *(name for name in SHOP_SHEETS if request_document["shop"].get(name))}
    marked = await client.post("/v1/shops/main/plans", content=sheets.xlsx(), headers={"Content-Type": XLSX})
    assert int(marked.headers["platerota-faults"]) == len(faults)
    assert openpyxl.load_workbook(io.BytesIO(marked.content)).sheetnames[0] == "Problems"


async def test_the_empty_sheets_of_the_template_and_the_shop_s_own_timezone_are_none(
    client: httpx.AsyncClient, shop: Document, request_document: Document,
) -> None:
    sheets = Sheets(request_document)
    for name in SHOP_SHEETS:
        del sheets.rows[name][1:]
    made = await client.post("/v1/shops/main/plans", content=sheets.xlsx(), headers={"Content-Type": XLSX} | ASYNC)
    assert made.status_code == 202, made.text


async def test_a_csv_file_without_a_stored_shop_is_refused_with_the_way_to_one(client: httpx.AsyncClient) -> None:
    answer = await client.post("/v1/plans", content=ORDERS.encode(), headers=CSV)
    assert answer.status_code == 415
    assert "/v1/shops/" in answer.json()["detail"]
    assert (await client.post("/v1/shops/none/plans", content=ORDERS.encode(), headers=CSV)).json()["type"] == "/v1/problems/unknown-shop"


async def test_the_solver_is_given_as_long_as_a_workbook_s(client: httpx.AsyncClient, shop: Document) -> None:
    made = await client.post("/v1/shops/main/plans?now=2027-03-01T06:00:00", content=ORDERS.encode(), headers=CSV | ASYNC)
    assert made.headers["retry-after"] == str(SOLVE_SECONDS)
