"""Replans over HTTP: refusals first."""

import asyncio
import copy
import json
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest
import sqlalchemy as sa
from fastapi import FastAPI

from platerota_service.access.keys import KeyBook
from platerota_service.answers import example, named_examples
from platerota_service.store import PlanRow, Store
from platerota_shared.instants import local_text
from platerota_shared.starts import Start

from .conftest import HandWorker, plan_text, problem

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
ASYNC = {"Prefer": "respond-async"}
NOW = "2027-03-01T06:20:00"
BROKEN: Document = example("replan-request")


def stored(store: Store, plan_id: str) -> tuple[Document, Start, list[Document]]:
    """What of a replan is stored to be solved: its request, its start and its notes."""
    with store.reading() as session:
        row = session.execute(sa.select(PlanRow.request, PlanRow.start, PlanRow.notes).where(PlanRow.id == plan_id)).one()
    return json.loads(row[0]), Start.from_document(json.loads(row[1] or "")), json.loads(row[2] or "[]")


def frozen(start: Start) -> str:
    return local_text(start.frozen_until or 0, ZoneInfo(start.plan.timezone))


@pytest.fixture
async def base(client: httpx.AsyncClient, request_document: Document, worker: HandWorker) -> str:
    """The example's plan, ready: one run, loaded at 06:00, cut from 06:02:10 to 06:44:10, over at 06:45:30."""
    made = await client.post("/v1/plans", json=request_document, headers=ASYNC)
    assert made.status_code == 202, made.text
    worker.find(made.json()["id"], plan_text("plan"))
    return str(made.json()["id"])


@pytest.fixture
def replans(base: str) -> str:
    return f"/v1/plans/{base}/replans"


async def test_a_base_that_is_not_there(client: httpx.AsyncClient) -> None:
    for name in ("nothing", "a%00b", "x" * 65):
        problem(await client.post(f"/v1/plans/{name}/replans", json=BROKEN), "unknown-plan")


async def test_a_base_of_somebody_else(app: FastAPI, client: httpx.AsyncClient, replans: str) -> None:
    key = {"X-API-Key": str(KeyBook(app.state.parts.store).create("south"))}
    problem(await client.post(replans, json=BROKEN, headers=key), "unknown-plan")


async def test_a_base_that_is_not_ready(client: httpx.AsyncClient, request_document: Document, worker: HandWorker) -> None:
    address = (await client.post("/v1/plans", json=request_document, headers=ASYNC)).headers["location"]
    assert "is waiting" in problem(await client.post(f"{address}/replans", json=BROKEN), "not-ready")["detail"]
    worker.take(address.rpartition("/")[2])
    assert "is solving" in problem(await client.post(f"{address}/replans", json=BROKEN), "not-ready")["detail"]
    worker.finish(address.rpartition("/")[2], "out of coolant")
    assert "is failed" in problem(await client.post(f"{address}/replans", json=BROKEN), "not-ready")["detail"]


async def test_a_body_that_is_none(client: httpx.AsyncClient, replans: str) -> None:
    for body in (b"", b"{", b"[]"):
        problem(await client.post(replans, content=body, headers={"Content-Type": "application/json"}), "unreadable")
    problem(await client.post(replans, content=b"{}", headers={"Content-Type": "text/plain"}), "wrong-media-type")


@pytest.mark.parametrize(
    ("body", "wanted"),
    [
        ({}, {"/now": "missing-field"}),
        ({"now": None}, {"/now": "bad-instant"}),
        ({"now": "soon"}, {"/now": "bad-instant"}),
        ({"now": "2027-03-01T05:59:59"}, {"/now": "now-outside-plan"}),
        ({"now": "2027-03-29T08:00:00"}, {"/now": "now-outside-plan"}),
        ({"now": NOW, "happend": {}}, {"/happend": "unknown-field"}),
        ({"now": NOW, "happened": []}, {"/happened": "wrong-type"}),
        ({"now": NOW, "happened": {"late": []}}, {"/happened/late": "unknown-field"}),
        ({"now": NOW, "frozen_minutes": -1}, {"/frozen_minutes": "out-of-range"}),
        ({"now": NOW, "frozen_minutes": 10_081}, {"/frozen_minutes": "out-of-range"}),
        ({"now": NOW, "frozen_minutes": "an hour"}, {"/frozen_minutes": "wrong-type"}),
        ({"now": NOW, "moved_task": -1}, {"/moved_task": "out-of-range"}),
        ({"now": NOW, "moved_task": "dear"}, {"/moved_task": "wrong-type"}),
        ({"now": NOW, "settings": {"score": {"moved_task": 5}}}, {"/settings/score": "unknown-field"}),
        ({"now": NOW, "settings": None}, {"/settings": "wrong-type"}),
    ],
)
async def test_what_is_no_replan(client: httpx.AsyncClient, replans: str, body: Document, wanted: dict[str, str]) -> None:
    errors = problem(await client.post(replans, json=body), "faults-in-request")["errors"]
    assert {error["pointer"]: error["code"] for error in errors} == wanted
    assert len(errors) == len(wanted)


async def test_a_field_given_twice(client: httpx.AsyncClient, replans: str) -> None:
    body = b'{"now": "2027-03-01T06:20:00", "now": "2027-03-01T06:30:00", "happened": {"runs": [], "runs": []}}'
    errors = problem(await client.post(replans, content=body, headers={"Content-Type": "application/json"}), "faults-in-request")["errors"]
    assert {error["pointer"]: error["code"] for error in errors} == {"/now": "duplicate-key", "/happened/runs": "duplicate-key"}
    assert len(errors) == 2


async def test_every_fault_at_once_each_at_its_row_and_nothing_is_stored(client: httpx.AsyncClient, replans: str, store: Store) -> None:
    body = {
        "now": NOW, "frozen_minutes": -1, "notes": "", "settings": {"solve_seconds": 0, "sede": 3},
        "happened": {
            "runs": [{"run": "R7", "stage": "cut"}, {"run": "R1", "stage": "cut", "cut_end": "2027-03-01T07:00:00"}],
            "pieces": [{"order": "A-1043", "op": 10, "pieces": 1}],
            "closed": [{"machine": "mill-7", "until": "2027-03-01T10:00:00"}, {"operator": "ana", "until": "2027-03-01T06:00:00"}],
        },
    }
    errors = problem(await client.post(replans, json=body), "faults-in-request")["errors"]
    assert {error["pointer"]: error["code"] for error in errors} == {
        "/frozen_minutes": "out-of-range", "/notes": "unknown-field", "/settings/solve_seconds": "out-of-range",
        "/settings/sede": "unknown-field", "/happened/runs/0/run": "unknown-id", "/happened/runs/1/cut_end": "cut-end-not-due",
        "/happened/pieces/0/order": "unknown-id", "/happened/closed/0/machine": "unknown-id",
        "/happened/closed/1/until": "ends-before-start",
    }
    assert len(errors) == 9
    mends = {error["pointer"]: error["mend"] for error in errors}
    assert (mends["/happened/closed/0/machine"], mends["/settings/sede"]) == ("did you mean 'mill-1'?", "did you mean 'seed'?")
    with store.reading() as session:
        assert session.scalar(sa.select(sa.func.count()).select_from(PlanRow)) == 1


async def test_the_example_of_faults_is_what_such_a_replan_is_answered(app: FastAPI, client: httpx.AsyncClient, replans: str) -> None:
    answers = app.openapi()["paths"]["/v1/plans/{plan_id}/replans"]["post"]["responses"]["422"]["content"]["application/problem+json"]
    happened = {
        "runs": [{"run": "R7", "stage": "cut"}], "closed": [{"machine": "mill-7", "until": "2027-03-01T10:00:00"}],
    }
    answer = await client.post(replans, json={"now": NOW, "happened": happened})
    assert answer.json() == answers["examples"]["faults-in-request"]["value"]


async def test_a_call_that_waits_keeps_to_the_seconds_that_callers_have(client: httpx.AsyncClient, replans: str) -> None:
    body = {"now": NOW, "settings": {"solve_seconds": 26}}
    problem(await client.post(replans, json=body), "too-long-to-wait")
    assert (await client.post(replans, json=body, headers=ASYNC)).headers["retry-after"] == "26"


@pytest.mark.parametrize("happened", [{}, {"happened": None}, {"happened": {}}])
async def test_where_all_went_as_planned_the_rest_of_the_week_starts_from_the_base_and_counts_its_moves(
    client: httpx.AsyncClient, base: str, replans: str, request_document: Document, store: Store, happened: Document,
) -> None:
    seen = (await client.get(f"/v1/plans/{base}")).content
    made = await client.post(replans, json={"now": NOW, "settings": {"seed": 7}, **happened}, headers=ASYNC)
    assert (made.status_code, made.json()["base"], made.json()["compare"]) == (202, base, None), made.text
    request, start, notes = stored(store, made.json()["id"])
    # By F1: the cut of four pieces that began at 06:02:10 takes 120 + 4 × 600 s; it was begun with its fixture.
    running = {"plate": "P1", "order": "A-1042", "op": 10, "pieces": 4, "machine": "mill-1", "cut_end": "2027-03-01T06:44:10+00:00"}
    wanted = copy.deepcopy(request_document)
    wanted["now"], wanted["settings"]["seed"], wanted["floor"]["running"] = NOW, 7, [running]
    wanted["floor"]["last_fixtures"] = [{"machine": "mill-1", "fixture": "bracket-vise"}]
    assert request == wanted
    assert (start.plan.id, start.plan.now, len(start.plan.tasks)) == (base, start.plan.tasks[0].start, 5)
    assert (start.counts_moves, frozen(start), start.aim, notes) == (True, "2027-03-01T07:20:00+00:00", None, [])
    assert (await client.get(f"/v1/plans/{base}")).content == seen


async def test_nothing_is_frozen_where_no_minutes_are(client: httpx.AsyncClient, replans: str, store: Store) -> None:
    made = await client.post(replans, json={"now": NOW, "frozen_minutes": 0}, headers=ASYNC)
    request, start, _ = stored(store, made.json()["id"])
    assert frozen(start) == f"{request['now']}+00:00"


@pytest.mark.parametrize(("score", "given", "wanted"), [
    (None, {}, None),
    (None, {"moved_task": None}, None),
    (None, {"moved_task": 0}, {"moved_task": 0}),
    ({"late_hour": 80}, {"moved_task": 12.5}, {"late_hour": 80, "moved_task": 12.5}),
    ({"setup": 3, "moved_task": 4}, {"moved_task": 9}, {"setup": 3, "moved_task": 9}),
    ({"setup": 3, "moved_task": 4}, {}, {"setup": 3, "moved_task": 4}),
])
async def test_what_a_moved_task_costs_may_be_said_anew_and_nothing_else_changes(
    client: httpx.AsyncClient, request_document: Document, worker: HandWorker, store: Store, score: Document | None, given: Document,
    wanted: Document | None,
) -> None:
    if score is not None:
        request_document["settings"]["score"] = score
    plan_id = (await client.post("/v1/plans", json=request_document, headers=ASYNC)).json()["id"]
    worker.find(plan_id, plan_text("plan"))
    made = await client.post(f"/v1/plans/{plan_id}/replans", json={"now": NOW, **given}, headers=ASYNC)
    assert made.status_code == 202, made.text
    request, _, _ = stored(store, made.json()["id"])
    settings = dict(request_document["settings"])
    assert request["settings"] == (settings if wanted is None else settings | {"score": wanted})


async def test_a_broken_mill_is_closed_its_cut_is_made_again_and_a_planner_is_told(
    client: httpx.AsyncClient, replans: str, store: Store,
) -> None:
    made = await client.post(replans, json=BROKEN, headers=ASYNC)
    request, _, notes = stored(store, made.json()["id"])
    assert request["shop"]["closures"] == [
        {"machine": "mill-1", "start": NOW, "end": "2027-03-01T10:00:00+00:00", "reason": "spindle bearing"},
    ]
    assert [(row["plate"], row["stage"], row["machine"]) for row in request["floor"]["waiting"]] == [("P1", "placed", "mill-1")]
    assert [note["code"] for note in notes] == ["cut-again"]
    assert made.json()["warnings"] == notes


async def test_a_call_that_waits_is_answered_with_the_plan_and_every_move_with_its_reason(
    client: httpx.AsyncClient, base: str, replans: str, worker: HandWorker, store: Store,
) -> None:
    asked = asyncio.ensure_future(client.post(replans, json=BROKEN))
    while (plan_id := await asyncio.to_thread(_newest_waiting, store)) is None:
        await asyncio.sleep(0.01)
    worker.find(plan_id, plan_text("replan-plan"))
    answer = await asked
    plan = answer.json()
    assert (answer.status_code, plan["id"], plan["status"], plan["base"]) == (201, plan_id, "ready", base)
    # By hand: the cut begins anew at 10:00, 3 h 57 min 50 s after it began; pull and unload count as moved, 2 points each.
    moved = {row["base_task"]: (row["change"], row["seconds"], row["reason"]) for row in plan["compare"]["tasks"]["rows"]}
    closed = "mill-1 is closed then: spindle bearing"
    assert moved == {
        "R1.cut": ("moved", 14_270, closed), "R1.pull": ("moved", 14_270, closed),
        "R1.unload": ("moved", 14_270, "mill-1 is closed when R1.cut was to run: spindle bearing"),
    }
    assert (plan["score"]["parts"]["moved_task"], plan["compare"]["tasks"]["moved_for_score"]) == (4, 2)
    assert plan["compare"] == {**named_examples()["replan-plan"]["value"]["compare"], "base": base, "plan": plan_id}
    assert (await client.get(answer.headers["location"])).json() == plan


async def test_the_same_key_makes_it_once(client: httpx.AsyncClient, replans: str) -> None:
    headers = ASYNC | {"Idempotency-Key": "tuesday"}
    first, second = [await client.post(replans, json=BROKEN, headers=headers) for _ in range(2)]
    assert (first.status_code, second.status_code) == (202, 202)
    assert first.headers["location"] == second.headers["location"]
    problem(await client.post(replans, json={**BROKEN, "frozen_minutes": 30}, headers=headers), "idempotency-key-reused")


async def test_a_rush_goes_before_others(client: httpx.AsyncClient, replans: str) -> None:
    made = await client.post(f"{replans}?rush=true", json=BROKEN, headers=ASYNC)
    listed = {one["id"]: one["rush"] for one in (await client.get("/v1/plans")).json()["items"]}
    assert listed[made.json()["id"]]


async def test_a_replan_of_a_replan_starts_from_the_last_one(
    client: httpx.AsyncClient, replans: str, worker: HandWorker, store: Store,
) -> None:
    made = await client.post(replans, json=BROKEN, headers=ASYNC)
    worker.find(made.json()["id"], plan_text("replan-plan"))
    later = {"now": "2027-03-01T10:10:00", "happened": {"closed": [{"operator": "ana", "until": "2027-03-01T11:00:00"}]}}
    again = await client.post(f"{made.headers['location']}/replans", json=later, headers=ASYNC)
    assert (again.status_code, again.json()["base"]) == (202, made.json()["id"]), again.text
    request, start, _ = stored(store, again.json()["id"])
    assert (start.plan.id, [row["cut_end"] for row in request["floor"]["running"]]) == (made.json()["id"], ["2027-03-01T10:42:00+00:00"])
    assert [row.get("machine") or row.get("operator") for row in request["shop"]["closures"]] == ["mill-1", "ana"]


async def test_a_replan_belongs_to_the_stored_shop_and_is_released_only_by_hand(
    client: httpx.AsyncClient, request_document: Document, worker: HandWorker,
) -> None:
    assert (await client.put("/v1/shops/main", json=request_document.pop("shop"))).status_code == 201
    planned = await client.post("/v1/shops/main/plans", json=request_document, headers=ASYNC)
    worker.find(planned.json()["id"], plan_text("plan"))
    released = (await client.put(f"{planned.headers['location']}/release")).json()
    made = await client.post(f"{planned.headers['location']}/replans", json=BROKEN, headers=ASYNC)
    assert made.json()["shop"] == {"id": "main", "version": 1, "stale": False, "released": False}
    worker.find(made.json()["id"], plan_text("replan-plan"))
    assert (await client.get("/v1/shops/main/plan")).json() == released
    assert (await client.put(f"{made.headers['location']}/release")).status_code == 200
    assert (await client.get("/v1/shops/main/plan")).json()["id"] == made.json()["id"]


def _newest_waiting(store: Store) -> str | None:
    with store.reading() as session:
        return session.scalar(sa.select(PlanRow.id).where(PlanRow.state == "waiting"))
