"""Rush orders, promises and sweeps by a real solver in a real server, on a shop that can be checked by hand.

One mill, one plate of four nests, one operator: a cycle of the plate takes 2,730 s (load 120, place 10, cut 2,520, pull 10, unload 70).
The order of eight takes two cycles, to 07:31; it is due then, so that whatever comes before it makes it late.
"""

from __future__ import annotations

from typing import Any

import httpx
import pytest

Request = dict[str, Any]
CYCLE = 2_730
FIRST, SECOND, THIRD = ("2027-03-01T06:45:30+00:00", "2027-03-01T07:31:00+00:00", "2027-03-01T08:16:30+00:00")
ORDER = {"id": "RUSH", "part": "bracket", "quantity": 4, "due": "2027-03-01T07:00:00", "weight": 3}
QUICK = {"solve_seconds": 1}


@pytest.fixture
def base(client: httpx.Client, tiny: Request) -> str:
    """The address of the week's plan."""
    tiny["orders"][0]["due"] = "2027-03-01T07:31:00"
    tiny["settings"] = QUICK
    answer = client.post("/v1/plans", json=tiny)
    assert (answer.status_code, answer.json()["orders"][0]["finish"]) == (201, SECOND), answer.text
    return str(answer.headers["location"])


def asked(client: httpx.Client, address: str, body: Request) -> Request:
    """The answered question."""
    taken = client.post(address, json=body, headers={"Prefer": "respond-async"})
    assert taken.status_code == 202, taken.text
    question: Request = taken.json()
    while question["status"] in ("waiting", "solving"):
        question = client.get(taken.headers["location"], headers={"Prefer": "wait=60"}).json()
    assert question["status"] == "ready", question
    return question


def test_what_cannot_be_asked_is_refused_at_its_place_and_nothing_is_left(client: httpx.Client, base: str) -> None:
    before = client.get("/v1/plans").json()["items"]
    answer = client.post(f"{base}/rush-orders", json={"order": {**ORDER, "id": "A-1042", "part": "brackett"}})
    assert {error["pointer"]: error["code"] for error in answer.json()["errors"]} == {
        "/order/id": "duplicate-row", "/order/part": "unknown-part",
    }
    answer = client.post(f"{base}/promises", json={"part": "brackett", "quantity": 4})
    assert {error["pointer"]: error["mend"] for error in answer.json()["errors"]} == {"/part": "did you mean 'bracket'?"}
    assert client.get("/v1/plans").json()["items"] == before


def test_a_rush_order_costs_what_it_costs_by_hand(client: httpx.Client, base: str) -> None:
    """Three cycles in any sequence: the rush first makes A-1042 a cycle late, the rush last nobody; in the middle is worse than first."""
    answer = asked(client, f"{base}/rush-orders", {"order": ORDER, "settings": QUICK})["answer"]
    by_finish = {one["finish"]: one for one in answer["choices"]}
    assert set(by_finish) == {FIRST, THIRD}
    soonest, harmless = by_finish[FIRST], by_finish[THIRD]
    assert (answer["soonest"], answer["harmless"], answer["why"]) == (soonest["plan"], harmless["plan"], None)
    assert [(one["id"], one["later_seconds"]) for one in soonest["pays"]] == [("A-1042", CYCLE)]
    assert soonest["pain"] == pytest.approx(CYCLE / 3_600)
    assert (harmless["pays"], harmless["pain"], harmless["late_seconds"]) == ([], 0, 4_590)
    plan = client.get(f"/v1/plans/{harmless['plan']}").json()
    assert {one["id"]: (one["finish"], one["late_seconds"]) for one in plan["orders"]} == {"A-1042": (SECOND, 0), "RUSH": (THIRD, 4_590)}


def test_a_promise_is_after_what_was_promised_before_and_later_than_planned(client: httpx.Client, base: str) -> None:
    body = {"part": "bracket", "quantity": 4, "due": "2027-03-01T12:00:00", "certainty": 0.95, "settings": QUICK}
    answer = asked(client, f"{base}/promises", body)["answer"]
    assert (answer["finish"], answer["harmless"], answer["pays"], answer["why"]) == (THIRD, True, [], None)
    assert THIRD < answer["promise"] < "2027-03-01T09"
    assert answer["on_time"] > 0.95
    # Four pieces of one load: load 120, place 10, pull 10, unload 70; cut 2,520. Nothing comes after it but itself.
    assert (answer["takes"]["spindle_seconds"], answer["takes"]["operator_seconds"], answer["slack_seconds"]) == (2_520, 210, 0)


def test_a_promise_for_a_new_part_counts_the_fixture_that_must_be_built(client: httpx.Client, base: str) -> None:
    """By hand: the bench is taken for 600 s of building before the first load; the fixture's plate is a new, blank one."""
    changes = [
        {"kind": "add_operation", "part": "plinth", "op": 10, "cut_seconds": 600},
        {"kind": "add_fixture", "id": "plinth-vise", "load_seconds": 120, "unload_seconds": 70, "build_seconds": 600},
        {"kind": "add_nest", "fixture": "plinth-vise", "part": "plinth", "op": 10, "count": 4},
        {"kind": "add_plate", "id": "P2", "mount": "M96", "size_x": 400, "size_y": 350, "mass": 20},
    ]
    answer = asked(client, f"{base}/promises", {"part": "plinth", "quantity": 4, "changes": changes, "settings": QUICK})["answer"]
    assert answer["harmless"]
    plan = client.get(f"/v1/plans/{answer['plan']}").json()
    assert [task["kind"] for task in plan["tasks"] if task["fixture"] == "plinth-vise"].count("build") == 1
    assert answer["takes"]["operator_seconds"] == 600 + 120 + 10 + 10 + 70


def test_every_what_if_of_a_sweep_ends(client: httpx.Client, base: str) -> None:
    one = {"name": "a second plate", "changes": [{"kind": "copy_plate", "id": "P2", "plate": "P1"}]}
    two = {"name": "ana away at first", "changes": [
        {"kind": "close", "operator": "ana", "start": "2027-03-01T06:00:00", "end": "2027-03-01T07:00:00"},
    ]}
    question = asked(client, f"{base}/what-if-sweeps", {"what_ifs": [one, two], "settings": QUICK})
    plate, away = (row["effect"] for row in question["answer"]["what_ifs"])
    assert plate["score"]["change"] < 0
    assert plate["pays"] == []
    assert [(row["id"], row["later_seconds"]) for row in away["pays"]] == [("A-1042", 3_600)]
