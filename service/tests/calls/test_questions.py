"""Questions over HTTP: a sweep refused, asked, followed, stopped and forgotten; it is answered by hand, as a worker would do it."""

import asyncio
import copy
from typing import Any

import httpx
import pytest
import sqlalchemy as sa
from fastapi import FastAPI

from platerota_service.access.keys import KeyBook
from platerota_service.questions.answering import Answering
from platerota_service.questions.kinds import question_kinds
from platerota_service.risk_process import Simulations
from platerota_service.settings import ServiceSettings
from platerota_service.store import IdempotencyRow, PlanRow, QuestionRow, ShopRow, Store, now_ms, question_rows

from .conftest import HandWorker
from .test_decisions import ASYNC, RUSH, Document, base, plan_text, problem

__all__ = ["base"]
pytestmark = pytest.mark.anyio

COPY = {"kind": "copy_plate", "id": "P2", "plate": "P1"}
TWO = {"what_ifs": [{"name": "four more", "changes": [RUSH]}, {"name": "a second plate", "changes": [COPY]}]}


@pytest.fixture
def sweeps(base: str) -> str:
    return f"/v1/plans/{base}/what-if-sweeps"


@pytest.fixture
def answering(store: Store, settings: ServiceSettings, app: FastAPI) -> Answering:
    return Answering(store, question_kinds(Simulations(settings)), app.state.parts.outbox.question_ended)


@pytest.fixture
async def asked(client: httpx.AsyncClient, sweeps: str) -> Document:
    """A sweep of two, which waits."""
    made = await client.post(sweeps, json=TWO, headers=ASYNC)
    assert made.status_code == 202, made.text
    document: Document = made.json()
    return document


def rows(store: Store) -> dict[str, int]:
    with store.reading() as session:
        return {one.__tablename__: session.query(one).count() for one in (PlanRow, QuestionRow, IdempotencyRow)}


async def test_a_base_that_is_not_there_or_not_ready(client: httpx.AsyncClient, request_document: Document) -> None:
    for name in ("nothing", "a%00b", "x" * 65):
        problem(await client.post(f"/v1/plans/{name}/what-if-sweeps", json=TWO), "unknown-plan")
    waits = (await client.post("/v1/plans", json=request_document, headers=ASYNC)).json()["id"]
    problem(await client.post(f"/v1/plans/{waits}/what-if-sweeps", json=TWO), "not-ready")


async def test_every_fault_of_every_list_is_said_at_its_place(client: httpx.AsyncClient, sweeps: str, store: Store) -> None:
    before = rows(store)
    faulty = {
        "what_ifs": [
            {"name": "one", "changes": [{**RUSH, "part": "brackett"}, {**COPY, "plate": "P9"}]},
            {"name": "one", "changes": [{"kind": "drop_order", "order": "A-1043"}], "why": "?"},
            {"changes": [{"kind": "change_settings", "solve_seconds": 3}]}, {"name": "none"}, 7,
        ],
        "settings": {"solve_seconds": 4, "sead": 1}, "whatifs": [],
    }
    errors = problem(await client.post(sweeps, json=faulty), "faults-in-request")["errors"]
    assert {(one["pointer"], one["code"]) for one in errors} == {
        ("/whatifs", "unknown-field"), ("/settings/sead", "unknown-field"), ("/what_ifs/0/changes/0/part", "unknown-part"),
        ("/what_ifs/0/changes/1/plate", "unknown-id"), ("/what_ifs/1/why", "unknown-field"), ("/what_ifs/1/changes/0/order", "unknown-id"),
        ("/what_ifs/1/name", "duplicate-row"), ("/what_ifs/2/name", "missing-field"),
        ("/what_ifs/2/changes/0/solve_seconds", "changes-contradict"), ("/what_ifs/3/changes", "missing-field"),
        ("/what_ifs/4", "wrong-type"),
    }
    assert rows(store) == before


@pytest.mark.parametrize(("what_ifs", "code"), [([], "out-of-range"), ([TWO["what_ifs"][0]], "out-of-range"), ({}, "wrong-type")])
async def test_a_sweep_has_two_to_fifty(client: httpx.AsyncClient, sweeps: str, what_ifs: Any, code: str) -> None:
    errors = problem(await client.post(sweeps, json={"what_ifs": what_ifs}), "faults-in-request")["errors"]
    assert [(one["pointer"], one["code"]) for one in errors] == [("/what_ifs", code)]


async def test_what_takes_too_long_or_finds_no_room_is_not_stored(client: httpx.AsyncClient, sweeps: str, store: Store) -> None:
    before = rows(store)
    body = problem(await client.post(sweeps, json={**TWO, "settings": {"solve_seconds": 13}}), "too-long-to-wait")
    (error,) = body["errors"]
    assert (error["pointer"], error["code"]) == ("/settings/solve_seconds", "out-of-range")
    assert "26 seconds for 2 plans" in error["detail"]
    assert error["mend"].startswith("set it to 12.5 or less, for each plan gets as much")
    assert "25 or less" not in body["detail"]
    assert rows(store) == before
    waiting = asyncio.create_task(client.post(sweeps, json={**TWO, "settings": {"solve_seconds": 12.5}}))
    while rows(store) == before:
        await asyncio.sleep(0.01)
    (question,) = (await client.get("/v1/questions")).json()["items"]
    await client.delete(f"/v1/questions/{question['id']}")
    problem(await waiting, "unknown-question")
    three = {"what_ifs": [*TWO["what_ifs"], {"name": "fewer", "changes": [{"kind": "change_order", "order": "A-1042", "quantity": 2}]}]}
    problem(await client.post(sweeps, json=three, headers=ASYNC), "busy")  # the tests' queue has room for two
    assert rows(store) == before


async def test_nobody_reads_stops_or_forgets_the_question_of_another_tenant(
    client: httpx.AsyncClient, asked: Document, app: FastAPI, store: Store,
) -> None:
    problem(await client.get("/v1/questions/nothing"), "unknown-question")
    keys: KeyBook = app.state.parts.keys
    other = str(keys.create("other"))
    headers = {"X-API-Key": other}
    where = f"/v1/questions/{asked['id']}"
    for answer in (
        await client.get(where, headers=headers), await client.post(f"{where}/stop", headers=headers),
        await client.delete(where, headers=headers), await client.get("/v1/questions/a%00b", headers=headers),
    ):
        problem(answer, "unknown-question")
    assert rows(store)["questions"] == 1


async def test_a_question_is_answered_as_its_plans_end(
    client: httpx.AsyncClient, asked: Document, base: str, worker: HandWorker, answering: Answering, store: Store,
) -> None:
    where, (first, second) = f"/v1/questions/{asked['id']}", [plan["id"] for plan in asked["plans"]]
    assert (asked["kind"], asked["status"], asked["base"]) == ("what-if-sweep", "waiting", base)
    assert (asked["answer"], asked["ended"], asked["problem"]) == (None, None, None)
    assert [(plan["name"], plan["status"]) for plan in asked["plans"]] == [("four more", "waiting"), ("a second plate", "waiting")]
    running = asyncio.create_task(answering.answer(asked["id"]))
    worker.find(first, plan_text("what-if-plan"))
    while (so_far := (await client.get(where)).json())["answer"] is None:
        await asyncio.sleep(0.02)
    assert (so_far["status"], [one["name"] for one in so_far["answer"]["what_ifs"]]) == ("solving", ["four more"])
    seen = (await client.get(where)).headers["etag"]
    assert (await client.get(where, headers={"If-None-Match": seen})).status_code == 304
    worker.find(second, plan_text("plan"))
    assert (await client.get(where, headers={"If-None-Match": seen})).status_code == 200
    ended = await client.get(where, headers={"Prefer": "wait=20"})
    assert ended.headers["preference-applied"] == "wait=20"
    await running
    document = ended.json()
    assert (document["status"], document["problem"], answering.under_way) == ("ready", None, set())
    more, plate = (one["effect"] for one in document["answer"]["what_ifs"])
    # The one mill makes the four of the rush in the first cycle; A-1042 comes a cycle of 2,730 s later, and is on time still.
    assert [(one["id"], one["finish_seconds"], one["late_seconds"]) for one in more["worse"]] == [("A-1042", 2_730, 0)]
    assert ([one["id"] for one in more["new"]], more["pain"], more["spindle_seconds"]["change"]) == (["RUSH-1"], 0, 2_520)
    assert (plate["worse"], plate["score"]["change"]) == ([], 0)
    child = (await client.get(f"/v1/plans/{first}")).json()
    assert (child["base"], child["compare"]["plan"]) == (base, first)
    with store.reading() as session:
        first_row = session.get(PlanRow, first)
        assert first_row is not None
        assert first_row.priority >= 1_000_000_000  # behind every plan that is no part of a question


async def test_what_failed_or_was_deleted_is_said_and_the_others_count(
    client: httpx.AsyncClient, asked: Document, worker: HandWorker, answering: Answering,
) -> None:
    first, second = [plan["id"] for plan in asked["plans"]]
    worker.take(first)
    worker.finish(first, "out of coolant")
    worker.find(second, plan_text("plan"))
    await answering.answer(asked["id"])
    document = (await client.get(f"/v1/questions/{asked['id']}")).json()
    assert document["status"] == "ready"
    assert [(one["status"], one["problem"], one["effect"] is None) for one in document["answer"]["what_ifs"]] == [
        ("failed", "out of coolant", True), ("ready", None, False),
    ]


async def test_where_no_plan_could_be_made_the_question_fails_with_words(
    client: httpx.AsyncClient, asked: Document, worker: HandWorker, answering: Answering,
) -> None:
    first, second = [plan["id"] for plan in asked["plans"]]
    worker.take(first)
    worker.finish(first, "out of coolant")
    assert (await client.delete(f"/v1/plans/{second}")).status_code == 204
    await answering.answer(asked["id"])
    document = (await client.get(f"/v1/questions/{asked['id']}")).json()
    assert (document["status"], document["answer"]) == ("failed", None)
    assert document["problem"]["detail"] == "none of its 2 plans could be made: out of coolant"
    assert [plan["status"] for plan in document["plans"]] == ["failed", "deleted"]


async def test_a_base_that_is_deleted_meanwhile_changes_nothing(
    client: httpx.AsyncClient, asked: Document, base: str, worker: HandWorker, answering: Answering,
) -> None:
    assert (await client.delete(f"/v1/plans/{base}")).status_code == 204
    for plan, found in zip(asked["plans"], ("what-if-plan", "plan"), strict=True):
        worker.find(plan["id"], plan_text(found))
    await answering.answer(asked["id"])
    document = (await client.get(f"/v1/questions/{asked['id']}")).json()
    assert (document["status"], document["answer"]["what_ifs"][0]["effect"]["worse"][0]["id"]) == ("ready", "A-1042")


async def test_a_stopped_question_is_answered_from_what_is_there(
    client: httpx.AsyncClient, asked: Document, worker: HandWorker, answering: Answering,
) -> None:
    where, (first, _) = f"/v1/questions/{asked['id']}", [plan["id"] for plan in asked["plans"]]
    worker.find(first, plan_text("what-if-plan"))
    assert (await client.post(f"{where}/stop")).status_code == 202
    assert (await client.post(f"{where}/stop")).status_code == 202
    await answering.answer(asked["id"])
    document = (await client.get(where)).json()
    assert (document["status"], [plan["status"] for plan in document["plans"]]) == ("ready", ["ready", "stopped"])
    problem(await client.post(f"{where}/stop"), "question-ended")


async def test_a_question_stopped_before_any_plan_is_stopped(client: httpx.AsyncClient, asked: Document, answering: Answering) -> None:
    where = f"/v1/questions/{asked['id']}"
    await client.post(f"{where}/stop")
    await answering.answer(asked["id"])
    document = (await client.get(where)).json()
    assert (document["status"], document["answer"], document["problem"]) == ("stopped", None, None)


async def test_a_forgotten_question_takes_its_plans_along_but_for_the_one_that_a_shop_works_by(
    client: httpx.AsyncClient, asked: Document, worker: HandWorker, answering: Answering, store: Store,
) -> None:
    where, (first, second) = f"/v1/questions/{asked['id']}", [plan["id"] for plan in asked["plans"]]
    worker.find(first, plan_text("what-if-plan"))
    with store.writing() as session:
        session.add(ShopRow(
            tenant="local", id="main", digest="d", released_plan_id=first, created_ms=1, updated_ms=1, tables="{}",
        ))
    assert (await client.delete(where)).status_code == 204
    problem(await client.delete(where), "unknown-question")
    problem(await client.get(f"/v1/plans/{second}"), "unknown-plan")
    assert (await client.get(f"/v1/plans/{first}")).status_code == 200
    await answering.answer(asked["id"])  # whoever was answering finds that there is nothing left to do
    with store.reading() as session:
        assert session.scalar(sa.select(PlanRow.parent_id).where(PlanRow.id == first)) is None


async def test_a_question_sent_again_with_its_key_is_asked_once(client: httpx.AsyncClient, sweeps: str, store: Store) -> None:
    key = {"Idempotency-Key": "a-1"}
    first = await client.post(sweeps, json=TWO, headers=ASYNC | key)
    before = rows(store)
    again = await client.post(sweeps, json=TWO, headers=ASYNC | key)
    assert (again.status_code, again.headers["location"], again.json()) == (202, first.headers["location"], first.json())
    other = copy.deepcopy(TWO)
    other["what_ifs"][0]["name"] = "five more"
    problem(await client.post(sweeps, json=other, headers=ASYNC | key), "idempotency-key-reused")
    assert rows(store) == before
    await client.delete(first.headers["location"])
    again = await client.post(sweeps, json=TWO, headers=ASYNC | key)
    assert "with a new Idempotency-Key" in problem(again, "idempotency-key-spent")["detail"]


async def test_questions_are_listed_by_tenant_the_newest_first(
    client: httpx.AsyncClient, sweeps: str, worker: HandWorker, app: FastAPI,
) -> None:
    app.state.parts.questions._limit = 10
    made = [(await client.post(sweeps, json=TWO, headers=ASYNC)).json() for _ in range(2)]
    worker.take(made[0]["plans"][0]["id"])
    pages = [(await client.get("/v1/questions?limit=1")).json()]
    pages.append((await client.get(pages[0]["next"])).json())
    found = [(one["id"], one["status"]) for page in pages for one in page["items"]]
    assert sorted(found) == sorted([(made[1]["id"], "waiting"), (made[0]["id"], "solving")])
    assert pages[1]["next"] is None
    entries = (await client.get("/v1/plans")).json()["items"]
    assert [one["question"] for one in entries if one["id"] == made[0]["plans"][1]["id"]] == [made[0]["id"]]
    keys: KeyBook = app.state.parts.keys
    assert (await client.get("/v1/questions", headers={"X-API-Key": str(keys.create("other"))})).json()["items"] == []


async def test_old_questions_are_forgotten(asked: Document, answering: Answering, client: httpx.AsyncClient, store: Store) -> None:
    await client.post(f"/v1/questions/{asked['id']}/stop")
    await answering.answer(asked["id"])
    with store.writing() as session:
        question_rows.delete_ended(session, now_ms() - 60_000, 10)
        assert session.query(QuestionRow).count() == 1
        question_rows.delete_ended(session, now_ms() + 1, 10)
        assert session.query(QuestionRow).count() == 0


async def test_a_sweep_without_its_list_or_with_something_else_for_it(client: httpx.AsyncClient, sweeps: str) -> None:
    for body, code in (({}, "missing-field"), ({"what_ifs": {}}, "wrong-type")):
        errors = problem(await client.post(sweeps, json=body), "faults-in-request")["errors"]
        assert [(one["pointer"], one["code"]) for one in errors] == [("/what_ifs", code)]
