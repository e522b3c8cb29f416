"""What goes wrong on a new user's first day: each answer names the row, says what is wrong and what to do."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from typing import Any

import httpx
import pytest

Request = dict[str, Any]
JSON = {"Content-Type": "application/json"}


def refusal(answer: httpx.Response, status: int) -> dict[str, Any]:
    """The problem in an answer of that status."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = answer.json()
    return body


def only_fault(client: httpx.Client, request: Request) -> dict[str, str]:
    """The one fault of a request; one slip gives one fault and no train of others behind it."""
    (fault,) = refusal(client.post("/v1/plans", json=request), 422)["errors"]
    return dict(fault)


def orders_as_csv() -> bytes:
    text = io.StringIO()
    csv.writer(text, delimiter=";").writerows([["id", "part", "quantity"], ["A-1042", "bracket", "8"]])
    return text.getvalue().encode()


def orders_as_workbook() -> bytes:
    """The first bytes of a workbook, which is a zip archive."""
    raw = io.BytesIO()
    with zipfile.ZipFile(raw, "w") as archive:
        archive.writestr("xl/worksheets/sheet1.xml", "<worksheet/>")
    return raw.getvalue()


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (orders_as_csv(), "text/csv"), (b"%PDF-1.7", "application/pdf"), (b"", ""), (orders_as_workbook(), "application/vnd.ms-excel"),
    ],
)
def test_a_wrong_file_under_its_own_name(client: httpx.Client, body: bytes, kind: str) -> None:
    detail = refusal(client.post("/v1/plans", content=body, headers={"Content-Type": kind}), 415)["detail"]
    assert "Content-Type: application/json" in detail


def test_half_a_workbook_sent_as_a_workbook(client: httpx.Client) -> None:
    workbook = {"Content-Type": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"}
    problem = refusal(client.post("/v1/plans", content=orders_as_workbook(), headers=workbook), 400)
    assert "workbook" in problem["detail"]
    assert all(fault["mend"] for fault in problem["errors"])


@pytest.mark.parametrize("body", [orders_as_csv(), orders_as_workbook(), b"%PDF-1.7", b"<orders/>", b""])
def test_a_wrong_file_sent_as_json(client: httpx.Client, body: bytes) -> None:
    problem = refusal(client.post("/v1/plans", content=body, headers=JSON), 400)
    assert "Send one JSON object in UTF-8" in problem["detail"]
    assert all(fault["mend"] for fault in problem["errors"])


def test_the_list_of_orders_alone(client: httpx.Client, tiny: Request) -> None:
    (fault,) = refusal(client.post("/v1/plans", json=tiny["orders"]), 400)["errors"]
    assert "object" in fault["detail"] + fault["mend"]


def test_a_plan_sent_back_as_a_request(client: httpx.Client, tiny: Request) -> None:
    plan = client.post("/v1/plans", json=tiny).json()
    found = refusal(client.post("/v1/plans", content=json.dumps(plan), headers=JSON), 422)["errors"]
    assert {("/shop", "wrong-type"), ("/kpis", "unknown-field")} <= {(fault["pointer"], fault["code"]) for fault in found}


@pytest.mark.parametrize(
    ("table", "column"),
    [
        ("machines", "mount"), ("machines", "travel_y"), ("plates", "mass"), ("fixtures", "id"), ("nests", "count"),
        ("operations", "cut_seconds"), ("shifts", "days"),
    ],
)
def test_a_missing_column_of_the_shop(client: httpx.Client, tiny: Request, table: str, column: str) -> None:
    del tiny["shop"][table][0][column]
    fault = only_fault(client, tiny)
    assert (fault["pointer"], fault["code"]) == (f"/shop/{table}/0/{column}", "missing-field")
    assert column in fault["detail"]
    assert "add it" in fault["mend"]


@pytest.mark.parametrize("column", ["part", "quantity", "due"])
def test_a_missing_column_of_the_orders(client: httpx.Client, tiny: Request, column: str) -> None:
    del tiny["orders"][0][column]
    fault = only_fault(client, tiny)
    assert (fault["pointer"], fault["code"]) == (f"/orders/0/{column}", "missing-field")
    assert "order A-1042" in fault["detail"]


def test_an_empty_order_list(client: httpx.Client, tiny: Request) -> None:
    tiny["orders"] = []
    answer = client.post("/v1/plans", json=tiny)
    assert (answer.status_code, answer.json()["status"], answer.json()["orders"]) == (201, "ready", [])


def test_an_order_for_an_unknown_part(client: httpx.Client, tiny: Request) -> None:
    tiny["orders"][0]["part"] = "brackett"
    fault = only_fault(client, tiny)
    assert (fault["pointer"], fault["code"]) == ("/orders/0/part", "unknown-part")
    assert all(name in fault["detail"] for name in ("A-1042", "brackett"))
    assert "'bracket'" in fault["mend"]


def test_every_plate_too_large(client: httpx.Client, tiny: Request) -> None:
    tiny["shop"]["plates"][0]["size_x"] = 2_000
    fault = only_fault(client, tiny)
    assert fault["code"] == "no-machine"
    assert fault["pointer"].startswith("/shop/")
    assert "P1" in fault["detail"]
    assert any(word in fault["detail"] + fault["mend"] for word in ("travel", "size"))


def test_every_plate_too_heavy(client: httpx.Client, tiny: Request) -> None:
    tiny["shop"]["machines"][0]["max_mass"] = "10 lb"
    fault = only_fault(client, tiny)
    assert fault["code"] == "no-machine"
    assert "mass" in fault["detail"] + fault["mend"] or "kg" in fault["detail"]


def test_nobody_on_shift(client: httpx.Client, tiny: Request) -> None:
    tiny["shop"]["shifts"] = []
    fault = only_fault(client, tiny)
    assert fault["code"] == "nobody"
    assert "shift" in fault["detail"] + fault["mend"]


def test_a_shift_that_begins_after_the_horizon(client: httpx.Client, tiny: Request) -> None:
    tiny["shop"]["shifts"][0]["from"] = "2028-01-01"
    assert only_fault(client, tiny)["code"] == "nobody"
