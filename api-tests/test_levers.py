"""Levers by a real solver in a real server: refused with pointers, then found, solved in rounds and ranked."""

from __future__ import annotations

from typing import Any

import httpx

from .test_what_ifs import planned

Request = dict[str, Any]


def late(tiny: Request) -> Request:
    """The eight pieces due at seven: by hand, two cycles of 2,730 s end at 07:31, 1,860 s late."""
    tiny["orders"][0]["due"] = "2027-03-01T07:00:00"
    return tiny


def test_levers_that_cannot_be_made_are_refused_together_each_at_its_place(client: httpx.Client, tiny: Request) -> None:
    base = planned(client, late(tiny))
    before = client.get("/v1/plans").json()["items"]
    levers = [
        {"name": "one more", "changes": [{"kind": "copy_plate", "plate": "P7", "id": "P2"}]},
        {"name": "later", "changes": [{"kind": "change_order", "order": "A-1043", "due": "2027-03-02T07:00:00"}]},
    ]
    answer = client.post(f"{base}/levers", json={"levers": levers})
    assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json")
    assert {error["pointer"]: error["code"] for error in answer.json()["errors"]} == {
        "/levers/0/changes/0/plate": "unknown-id", "/levers/1/changes/0/order": "unknown-id",
    }
    assert client.get("/v1/plans").json()["items"] == before


def test_the_levers_of_a_late_order_are_found_solved_and_ranked(client: httpx.Client, tiny: Request) -> None:
    base = planned(client, late(tiny))
    answer = client.post(f"{base}/levers", json={"kinds": ["plate", "due"], "settings": {"solve_seconds": 1}})
    assert answer.status_code == 201, answer.text
    question = answer.json()
    assert (question["kind"], question["status"]) == ("levers", "ready")
    date, plate = question["answer"]["levers"]
    assert question["answer"]["best"] == date["name"] == "order A-1042 due a day later, Tuesday 2027-03-02 07:00"
    assert (date["late_seconds_saved"], date["helps"], date["certain"]) == (1_860, True, True)
    assert plate["name"] == "a second copy of plate P1 (fixture bracket-vise)"
    # By hand: the second plate is loaded (120 s) beside the first cut, and the first is unloaded (70 s) beside the second.
    assert (plate["late_seconds_saved"], plate["helps"], plate["certain"]) == (190, True, True)
    assert [row["id"] for row in plate["better"]] == ["A-1042"]
    made = client.get(f"/v1/plans/{plate['plan']}").json()
    assert (f"/v1/plans/{made['base']}", made["orders"][0]["finish"]) == (base, "2027-03-01T07:27:50+00:00")
    assert {run["plate"] for run in made["runs"]} == {"P1", "P1-second"}
    assert client.get(answer.headers["location"]).json() == question


def test_a_lever_of_ones_own_that_brings_nothing_is_said_to_bring_nothing(client: httpx.Client, tiny: Request) -> None:
    base = planned(client, late(tiny))
    shift = {"kind": "add_shift", "operator": "ana", "days": ["sat"], "start": "06:00", "end": "12:00", "overtime": True}
    answer = client.post(f"{base}/levers", json={"levers": [{"name": "a Saturday", "changes": [shift]}], "settings": {"solve_seconds": 1}})
    assert answer.status_code == 201, answer.text
    found = answer.json()["answer"]
    # The order is done on Monday: nobody is called in on Saturday.
    assert (found["best"], [(row["name"], row["helps"]) for row in found["levers"]]) == (None, [("a Saturday", False)])
