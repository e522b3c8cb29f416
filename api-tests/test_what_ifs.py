"""What-ifs by a real solver in a real server: refused with pointers, then a rush order asked and answered."""

from __future__ import annotations

from typing import Any

import httpx

Request = dict[str, Any]
RUSH = {"kind": "add_order", "id": "RUSH", "part": "bracket", "quantity": 4, "due": "2027-03-01T07:00:00", "weight": 3}


def planned(client: httpx.Client, request: Request) -> str:
    """The address of the request's plan, ready."""
    answer = client.post("/v1/plans", json=request)
    assert (answer.status_code, answer.json()["status"]) == (201, "ready"), answer.text
    return str(answer.headers["location"])


def test_changes_that_cannot_be_made_are_refused_together_each_at_its_place(client: httpx.Client, tiny: Request) -> None:
    base = planned(client, tiny)
    closure = {"kind": "close", "machine": "mill-7", "start": "2027-03-01T08:00:00", "end": "2027-03-01T12:00:00"}
    before = client.get("/v1/plans").json()["items"]
    answer = client.post(f"{base}/what-ifs", json={"changes": [closure, {**RUSH, "part": "brackett"}]})
    assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json")
    errors = {error["pointer"]: (error["code"], error["mend"]) for error in answer.json()["errors"]}
    assert errors == {
        "/changes/0/machine": ("unknown-id", "did you mean 'mill-1'?"), "/changes/1/part": ("unknown-part", "did you mean 'bracket'?"),
    }
    assert client.get("/v1/plans").json()["items"] == before


def test_a_rush_order_is_asked_and_answered_with_who_pays(client: httpx.Client, tiny: Request) -> None:
    base = planned(client, tiny)
    answer = client.post(f"{base}/what-ifs", json={"changes": [RUSH]})
    assert answer.status_code == 201, answer.text
    plan = answer.json()
    # By hand: a cycle of the one plate takes 2,730 s; the rush takes the first of now three, so A-1042 ends a cycle later, 08:16:30.
    assert {one["id"]: one["finish"] for one in plan["orders"]} == {
        "RUSH": "2027-03-01T06:45:30+00:00", "A-1042": "2027-03-01T08:16:30+00:00",
    }
    compare = plan["compare"]
    assert (plan["base"], f"/v1/plans/{compare['base']}") == (base.rpartition("/")[2], base)
    assert [(one["id"], one["finish_seconds"], one["late_seconds"]) for one in compare["orders"]["worse"]] == [("A-1042", 2_730, 0)]
    assert [one["id"] for one in compare["orders"]["new"]] == ["RUSH"]
    assert compare["spindle_seconds"] == {"base": 5_040, "plan": 7_560, "change": 2_520}
    table = client.get(f"{answer.headers['location']}/differences", params={"against": plan["base"], "format": "csv"})
    assert "order,A-1042,later,2027-03-01T07:31:00+00:00,2027-03-01T08:16:30+00:00,2730," in table.text.splitlines()
    assert client.get(base).json()["orders"][0]["finish"] == "2027-03-01T07:31:00+00:00"
