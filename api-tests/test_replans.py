"""Replans by a real solver in a real server: refused with pointers, then a mill that breaks and an operator who is late."""

from __future__ import annotations

from typing import Any

import httpx

Request = dict[str, Any]
QUICK = {"solve_seconds": 1}


def planned(client: httpx.Client, request: Request) -> str:
    """The address of the request's plan, ready."""
    answer = client.post("/v1/plans", json=request)
    assert (answer.status_code, answer.json()["status"]) == (201, "ready"), answer.text
    return str(answer.headers["location"])


def test_what_cannot_have_happened_is_refused_together_each_at_its_row(client: httpx.Client, tiny: Request) -> None:
    base = planned(client, tiny)
    before = client.get("/v1/plans").json()["items"]
    happened = {
        "runs": [{"run": "R1", "stage": "cutting"}, {"run": "R9", "stage": "cut"}],
        "closed": [{"machine": "mill-7", "until": "2027-03-01T10:00:00"}],
    }
    answer = client.post(f"{base}/replans", json={"now": "2027-03-01T06:20:00", "happened": happened, "frozen_minutes": -1})
    assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json")
    assert {error["pointer"]: error["code"] for error in answer.json()["errors"]} == {
        "/frozen_minutes": "out-of-range", "/happened/runs/0/cut_end": "missing-field", "/happened/runs/1/run": "unknown-id",
        "/happened/closed/0/machine": "unknown-id",
    }
    assert client.get("/v1/plans").json()["items"] == before


def test_a_mill_breaks_and_the_cut_is_made_again(client: httpx.Client, tiny: Request) -> None:
    base = planned(client, tiny)
    broken = {"closed": [{"machine": "mill-1", "until": "2027-03-01T08:00:00", "reason": "coolant pump"}]}
    answer = client.post(f"{base}/replans", json={"now": "2027-03-01T06:20:00", "happened": broken, "settings": QUICK})
    assert (answer.status_code, answer.json()["status"]) == (201, "ready"), answer.text
    plan = answer.json()
    # By hand: the plate is in the mill; from 08:00 cut 2,520, pull 10, unload 70 s; then one more cycle of 2,730 s: 5,330 s after eight.
    assert [(one["id"], one["finish"], one["late_seconds"]) for one in plan["orders"]] == [("A-1042", "2027-03-01T09:28:50+00:00", 0)]
    words = "the cut of run R1 stands still; it is cut again, whole, when it can go on: look at pieces, clamps and tool first"
    assert words in [one["detail"] for one in plan["warnings"]]
    # Moved: pull and unload of the first run, and all five tasks of the second.
    assert (plan["score"]["parts"]["moved_task"], plan["compare"]["tasks"]["moved_for_score"]) == (14, 7)
    rows = plan["compare"]["tasks"]["rows"]
    assert [row["change"] for row in rows] == 8 * ["moved"]
    assert all("mill-1 is closed" in row["reason"] for row in rows if row["base_task"].startswith("R1."))
    assert (plan["base"], client.get(answer.headers["location"]).json()) == (base.rpartition("/")[2], plan)
    dear = client.post(f"{base}/replans", json={"now": "2027-03-01T06:20:00", "happened": broken, "settings": QUICK, "moved_task": 10})
    assert (dear.json()["score"]["parts"]["moved_task"], dear.json()["compare"]["tasks"]["moved_for_score"]) == (70, 7), dear.text


def test_an_operator_is_away_and_a_piece_is_scrap(client: httpx.Client, tiny: Request) -> None:
    base = planned(client, tiny)
    happened = {
        "closed": [{"operator": "ana", "until": "2027-03-01T08:00:00", "reason": "ill"}],
        "pieces": [{"order": "A-1042", "op": 10, "pieces": 3}],
    }
    answer = client.post(f"{base}/replans", json={"now": "2027-03-01T06:46:00", "happened": happened, "settings": QUICK})
    assert (answer.status_code, answer.json()["status"]) == (201, "ready"), answer.text
    plan = answer.json()
    # By hand: five pieces are missing, so two runs; by F1 two cycles take 2 × (60 + 10 + 120 + 10 + 30) + 5 × (15 + 600 + 10) = 3,585 s.
    assert [(one["finish"], one["runs"]) for one in plan["orders"]] == [("2027-03-01T08:59:45+00:00", 2)]
    assert sum(row["pieces"] for run in plan["runs"] for row in run["pieces"]) == 5
    assert [one["code"] for one in plan["warnings"] if one["code"] not in ("lift-needs-care", "mass-not-given")] == ["starts-again"]
    again = client.post(f"{answer.headers['location']}/replans", json={"now": "2027-03-01T08:10:00", "settings": QUICK})
    # All went as planned: nothing need move, and nothing does.
    assert (again.status_code, again.json()["compare"]["tasks"]["moved_for_score"]) == (201, 0), again.text
    assert again.json()["orders"][0]["finish"] == "2027-03-01T08:59:45+00:00"
