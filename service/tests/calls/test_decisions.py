"""What-ifs, differences and costs over HTTP: refusals first; one class for each call."""

import asyncio
import copy
import csv
import io
import json
from collections.abc import Awaitable, Callable
from typing import Any

import httpx
import pytest
import sqlalchemy as sa
from fastapi import FastAPI

from platerota_service.access.keys import KeyBook
from platerota_service.answers import named_examples
from platerota_service.durable_engine import DurableEngine
from platerota_service.engine import Submission, UnknownPlan
from platerota_service.store import PlanRow, Store
from platerota_shared.differences import COLUMNS
from platerota_shared.plan import Run
from platerota_shared.starts import Start

from .conftest import HandWorker, plan_text, problem

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
ASYNC = {"Prefer": "respond-async"}
RUSH = {"kind": "add_order", "id": "RUSH-1", "part": "bracket", "quantity": 4, "due": "2027-03-01T07:00:00", "weight": 3}


def base_runs(plan: bytes) -> tuple[Run, ...]:
    return tuple(Run.model_validate(run) for run in json.loads(plan)["runs"])


@pytest.fixture
async def base(client: httpx.AsyncClient, request_document: Document, worker: HandWorker) -> str:
    """The example's plan, ready."""
    made = await client.post("/v1/plans", json=request_document, headers=ASYNC)
    assert made.status_code == 202, made.text
    worker.find(made.json()["id"], plan_text("plan"))
    return str(made.json()["id"])


@pytest.fixture
def what_ifs(base: str) -> str:
    return f"/v1/plans/{base}/what-ifs"


@pytest.fixture
async def what_if(client: httpx.AsyncClient, what_ifs: str, worker: HandWorker) -> str:
    """The example's what-if, ready."""
    made = await client.post(what_ifs, json={"changes": [RUSH]}, headers=ASYNC)
    assert made.status_code == 202, made.text
    worker.find(made.json()["id"], plan_text("what-if-plan"))
    return str(made.json()["id"])


class TestWhatIf:
    async def test_a_base_that_is_not_there(self, client: httpx.AsyncClient) -> None:
        for name in ("nothing", "a%00b", "x" * 65):
            problem(await client.post(f"/v1/plans/{name}/what-ifs", json={"changes": [RUSH]}), "unknown-plan")

    async def test_a_base_of_somebody_else(self, app: FastAPI, client: httpx.AsyncClient, what_ifs: str) -> None:
        key = {"X-API-Key": str(KeyBook(app.state.parts.store).create("south"))}
        problem(await client.post(what_ifs, json={"changes": [RUSH]}, headers=key), "unknown-plan")

    async def test_a_base_without_a_plan_to_compare_with(
        self, client: httpx.AsyncClient, request_document: Document, worker: HandWorker,
    ) -> None:
        address = (await client.post("/v1/plans", json=request_document, headers=ASYNC)).headers["location"]
        assert "is waiting" in problem(await client.post(f"{address}/what-ifs", json={"changes": [RUSH]}), "not-ready")["detail"]
        worker.take(address.rpartition("/")[2])
        worker.finish(address.rpartition("/")[2], "out of coolant")
        assert "is failed" in problem(await client.post(f"{address}/what-ifs", json={"changes": [RUSH]}), "not-ready")["detail"]

    async def test_a_body_that_is_none(self, client: httpx.AsyncClient, what_ifs: str) -> None:
        for body in (b"", b"{", b"[]"):
            problem(await client.post(what_ifs, content=body, headers={"Content-Type": "application/json"}), "unreadable")
        problem(await client.post(what_ifs, content=b"{}", headers={"Content-Type": "text/plain"}), "wrong-media-type")

    @pytest.mark.parametrize(
        ("body", "wanted"),
        [
            ({}, {"/changes": "missing-field"}),
            ({"changes": []}, {"/changes": "changes-nothing"}),
            ({"changes": {}}, {"/changes": "wrong-type"}),
            ({"changes": [RUSH], "change": 1}, {"/change": "unknown-field"}),
            ({"changes": [RUSH], "settings": 5}, {"/settings": "wrong-type"}),
            (
                {"changes": [RUSH, {"kind": "change_settings", "seed": 2}], "settings": {"seed": 3}},
                {"/changes/1/seed": "changes-contradict"},
            ),
        ],
    )
    async def test_what_is_no_what_if(self, client: httpx.AsyncClient, what_ifs: str, body: Document, wanted: dict[str, str]) -> None:
        errors = problem(await client.post(what_ifs, json=body), "faults-in-request")["errors"]
        assert {error["pointer"]: error["code"] for error in errors} == wanted

    async def test_every_fault_at_once_each_at_its_change_and_nothing_is_stored(
        self, client: httpx.AsyncClient, what_ifs: str, store: Store,
    ) -> None:
        hours = {"start": "2027-03-01T08:00:00", "end": "2027-03-01T12:00:00"}
        body = {
            "changes": [
                {"kind": "close", "machine": "mill-7", **hours}, {"kind": "drop_order", "order": "A-1043"}, {**RUSH, "quantity": 0},
                {"kind": "close", "machine": "mill-1", "start": hours["end"], "end": hours["start"]}, {"kind": "lease_mill"},
            ],
            "settings": {"solve_seconds": 0, "sede": 3}, "notes": "",
        }
        errors = problem(await client.post(what_ifs, json=body), "faults-in-request")["errors"]
        assert {error["pointer"]: error["code"] for error in errors} == {
            "/notes": "unknown-field", "/settings/solve_seconds": "out-of-range", "/settings/sede": "unknown-field",
            "/changes/0/machine": "unknown-id", "/changes/1/order": "unknown-id", "/changes/2/quantity": "out-of-range",
            "/changes/3/end": "ends-before-start", "/changes/4/kind": "unknown-choice",
        }
        assert len(errors) == 8
        mends = {error["pointer"]: error["mend"] for error in errors}
        assert (mends["/changes/0/machine"], mends["/settings/sede"]) == ("did you mean 'mill-1'?", "did you mean 'seed'?")
        with store.reading() as session:
            assert session.scalar(sa.select(sa.func.count()).select_from(PlanRow)) == 1

    async def test_a_call_that_waits_keeps_to_the_seconds_that_callers_have(self, client: httpx.AsyncClient, what_ifs: str) -> None:
        for more in ({"settings": {"solve_seconds": 26}}, {"changes": [RUSH, {"kind": "change_settings", "solve_seconds": 26}]}):
            problem(await client.post(what_ifs, json={"changes": [RUSH], **more}), "too-long-to-wait")
        assert (await client.post(what_ifs, json={"changes": [RUSH], "settings": {"solve_seconds": 26}}, headers=ASYNC)).status_code == 202

    async def test_what_is_solved_is_the_base_with_the_changes_and_the_base_stays_as_it_is(
        self, client: httpx.AsyncClient, base: str, what_ifs: str, request_document: Document, store: Store,
    ) -> None:
        seen = (await client.get(f"/v1/plans/{base}")).content
        changes = [RUSH, {"kind": "change_order", "order": "A-1042", "quantity": 8}]
        made = await client.post(what_ifs, json={"changes": changes, "settings": {"seed": 7, "solve_seconds": None}}, headers=ASYNC)
        assert (made.status_code, made.json()["base"], made.json()["compare"]) == (202, base, None), made.text
        assert made.headers["retry-after"] == "4"
        order = {name: value for name, value in RUSH.items() if name != "kind"}
        wanted = copy.deepcopy(request_document)
        wanted["orders"] = [{**wanted["orders"][0], "quantity": 8}, order]
        wanted["settings"] |= {"seed": 7, "solve_seconds": 4}  # less than the base had
        with store.reading() as session:
            asked, start = session.execute(sa.select(PlanRow.request, PlanRow.start).where(PlanRow.id == made.json()["id"])).one()
        assert json.loads(asked) == wanted
        begins = Start.from_document(json.loads(start))
        assert (begins.plan.id, begins.plan.runs, begins.counts_moves, begins.aim) == (base, base_runs(seen), False, None)
        assert (await client.get(f"/v1/plans/{base}")).content == seen

    async def test_a_call_that_waits_is_answered_with_the_plan_and_what_it_does_differently(
        self, client: httpx.AsyncClient, base: str, what_ifs: str, worker: HandWorker, store: Store,
    ) -> None:
        asked = asyncio.ensure_future(client.post(what_ifs, json={"changes": [RUSH]}))
        while (plan_id := await asyncio.to_thread(newest_waiting, store)) is None:
            await asyncio.sleep(0.01)
        worker.find(plan_id, plan_text("what-if-plan"))
        answer = await asked
        plan = answer.json()
        assert (answer.status_code, plan["id"], plan["status"], plan["base"]) == (201, plan_id, "ready", base)
        # By hand: one plate, 45 min 30 s a run; the rush takes the first, A-1042 goes from 06:45:30 to 07:31, far before it is due.
        orders = plan["compare"]["orders"]
        (worse,) = orders["worse"]
        assert (worse["id"], worse["change"], worse["finish_seconds"], worse["pain"]) == ("A-1042", "later", 2_730, 0)
        assert [one["id"] for one in orders["new"]] == ["RUSH-1"]
        assert plan["compare"]["spindle_seconds"] == {"base": 2_520, "plan": 5_040, "change": 2_520}
        assert (plan["compare"]["base"], plan["compare"]["plan"]) == (base, plan_id)
        again = await client.get(answer.headers["location"])
        assert again.json() == plan
        assert (await client.get(answer.headers["location"], headers={"If-None-Match": again.headers["etag"]})).status_code == 304

    async def test_the_same_key_makes_it_once(self, client: httpx.AsyncClient, what_ifs: str) -> None:
        headers = ASYNC | {"Idempotency-Key": "rush-1"}
        first, second = [await client.post(what_ifs, json={"changes": [RUSH]}, headers=headers) for _ in range(2)]
        assert (first.status_code, second.status_code) == (202, 202)
        assert first.headers["location"] == second.headers["location"]
        problem(await client.post(what_ifs, json={"changes": [{**RUSH, "quantity": 5}]}, headers=headers), "idempotency-key-reused")

    async def test_without_its_base_a_what_if_stays_and_compares_with_nothing(
        self, client: httpx.AsyncClient, base: str, what_if: str,
    ) -> None:
        address = f"/v1/plans/{what_if}"
        seen = await client.get(address)
        assert seen.json()["compare"]["base"] == base
        assert (await client.delete(f"/v1/plans/{base}")).status_code == 204
        left = await client.get(address, headers={"If-None-Match": seen.headers["etag"]})
        assert (left.status_code, left.json()["status"], left.json()["base"], left.json()["compare"]) == (200, "ready", None, None)

    async def test_a_base_deleted_at_the_same_moment_is_unknown(self, engine: DurableEngine, submission: Submission) -> None:
        gone = Submission(submission.text, submission.request, base_id="0123456789abcdef")
        with pytest.raises(UnknownPlan):
            await engine.submit(gone)

    async def test_a_what_if_of_a_what_if_and_the_list_says_so(self, client: httpx.AsyncClient, base: str, what_if: str) -> None:
        body = {"changes": [{"kind": "drop_order", "order": "RUSH-1"}]}
        made = await client.post(f"/v1/plans/{what_if}/what-ifs", json=body, headers=ASYNC)
        assert (made.status_code, made.json()["base"]) == (202, what_if)
        listed = {one["id"]: one["base"] for one in (await client.get("/v1/plans")).json()["items"]}
        assert listed == {base: None, what_if: base, made.json()["id"]: what_if}

    async def test_it_belongs_to_the_stored_shop_while_it_leaves_the_shop_as_it_is_and_releases_nothing(
        self, client: httpx.AsyncClient, request_document: Document, worker: HandWorker,
    ) -> None:
        assert (await client.put("/v1/shops/main", json=request_document.pop("shop"))).status_code == 201
        planned = await client.post("/v1/shops/main/plans", json=request_document, headers=ASYNC)
        worker.find(planned.json()["id"], plan_text("plan"))
        released = (await client.put(f"{planned.headers['location']}/release")).json()
        more = {"kind": "copy_plate", "plate": "P1", "id": "P1-second"}
        for changes, shop in (([RUSH], {"id": "main", "version": 1, "stale": False, "released": False}), ([RUSH, more], None)):
            made = await client.post(f"{planned.headers['location']}/what-ifs", json={"changes": changes}, headers=ASYNC)
            assert (made.status_code, made.json()["shop"]) == (202, shop), made.text
            worker.find(made.json()["id"], plan_text("what-if-plan"))
        assert (await client.get("/v1/shops/main/plan")).json() == released
        problem(await client.put(f"{made.headers['location']}/release"), "not-releasable")


class TestDifferences:
    async def test_plans_that_are_not_there_or_not_ready(self, client: httpx.AsyncClient, base: str, what_ifs: str) -> None:
        waits = (await client.post(what_ifs, json={"changes": [RUSH]}, headers=ASYNC)).json()["id"]
        for one, other, kind in (
            ("nothing", base, "unknown-plan"), (base, "nothing", "unknown-plan"), (base, "a\0b", "unknown-plan"),
            (waits, base, "not-ready"), (base, waits, "not-ready"),
        ):
            problem(await client.get(f"/v1/plans/{one}/differences", params={"against": other}), kind)
        errors = problem(await client.get(f"/v1/plans/{base}/differences"), "faults-in-request")["errors"]
        assert [error["pointer"] for error in errors] == ["/query/against"]
        problem(await client.get(f"/v1/plans/{base}/differences?against={base}&format=xlsx"), "faults-in-request")

    async def test_a_plan_of_somebody_else(
        self, app: FastAPI, client: httpx.AsyncClient, base: str, request_document: Document, worker: HandWorker,
    ) -> None:
        key = {"X-API-Key": str(KeyBook(app.state.parts.store).create("south"))}
        made = await client.post("/v1/plans", json=request_document, headers=key | ASYNC)
        worker.find(made.json()["id"], plan_text("plan"))
        mine = made.json()["id"]
        assert (await client.get(f"/v1/plans/{mine}/differences?against={mine}", headers=key)).status_code == 200
        for one, other in ((mine, base), (base, mine)):
            problem(await client.get(f"/v1/plans/{one}/differences?against={other}", headers=key), "unknown-plan")

    async def test_nothing_differs_from_itself(self, client: httpx.AsyncClient, base: str) -> None:
        found = (await client.get(f"/v1/plans/{base}/differences?against={base}")).json()
        assert (found["tasks"]["rows"], found["orders"]["stayed"], found["score"]["total"]["change"]) == ([], ["A-1042"], 0)

    async def test_a_what_if_compares_with_its_base_as_with_any_other_plan(
        self, client: httpx.AsyncClient, base: str, what_if: str,
    ) -> None:
        compare = (await client.get(f"/v1/plans/{what_if}")).json()["compare"]
        found = (await client.get(f"/v1/plans/{what_if}/differences?against={base}")).json()
        assert found == compare
        assert found == {**named_examples()["differences"]["value"], "base": base, "plan": what_if}
        back = (await client.get(f"/v1/plans/{base}/differences?against={what_if}")).json()
        assert back["score"]["total"]["change"] == -found["score"]["total"]["change"]
        assert [one["id"] for one in back["orders"]["gone"]] == ["RUSH-1"]

    async def test_as_a_table(self, client: httpx.AsyncClient, base: str, what_if: str) -> None:
        address = f"/v1/plans/{what_if}/differences?against={base}"
        answer = await client.get(f"{address}&format=csv")
        assert answer.headers["content-type"] == "text/csv; charset=utf-8"
        assert answer.headers["content-disposition"] == f'attachment; filename="differences-{what_if}.csv"'
        assert (await client.get(address, headers={"Accept": "text/csv"})).content == answer.content
        assert (await client.get(f"{address}&format=json", headers={"Accept": "text/csv"})).headers["content-type"] == "application/json"
        rows = list(csv.DictReader(io.StringIO(answer.text)))
        assert list(rows[0]) == list(COLUMNS)
        (later,) = (row for row in rows if row["what"] == "later")
        assert list(later.values()) == ["order", "A-1042", "later", "2027-03-01T06:45:30+00:00", "2027-03-01T07:31:00+00:00", "2730", ""]
        assert sum(row["section"] == "task" for row in rows) == 10

    async def test_a_comparison_is_worked_out_once(
        self, client: httpx.AsyncClient, base: str, what_if: str, engine: DurableEngine, monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        read = list[str]()
        original: Callable[..., Awaitable[Any]] = engine.request

        async def counted(plan_id: str, tenant: str) -> Any:
            read.append(plan_id)
            return await original(plan_id, tenant)

        monkeypatch.setattr(engine, "request", counted)
        address = f"/v1/plans/{what_if}/differences?against={base}"
        answers = await asyncio.gather(*(client.get(one) for one in (f"/v1/plans/{what_if}", address, address)))
        assert [answer.status_code for answer in answers] == [200, 200, 200]
        assert sorted(read) == sorted([base, what_if])


class TestComparisons:
    async def test_the_oldest_are_forgotten_past_a_limit_and_worked_out_again(
        self, client: httpx.AsyncClient, base: str, what_if: str, monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        monkeypatch.setattr("platerota_service.comparisons._KEPT_CHARS", 1)
        addresses = [f"/v1/plans/{one}/differences?against={other}" for one, other in ((what_if, base), (base, what_if))]
        first = [(await client.get(address)).content for address in addresses]
        assert [(await client.get(address)).content for address in addresses] == first
        assert first[0] != first[1]


class TestCosts:
    async def test_plans_that_are_not_there_or_not_ready(self, client: httpx.AsyncClient, request_document: Document) -> None:
        problem(await client.get("/v1/plans/nothing/costs"), "unknown-plan")
        address = (await client.post("/v1/plans", json=request_document, headers=ASYNC)).headers["location"]
        problem(await client.get(f"{address}/costs"), "not-ready")

    async def test_without_hour_costs_there_are_hours_and_no_money(self, client: httpx.AsyncClient, base: str) -> None:
        costs = (await client.get(f"/v1/plans/{base}/costs")).json()
        # By F1: the cut 120 + 4 × 600 s; hands 120 + 10 + 10 + 70 s.
        assert (costs["spindle_seconds"], costs["operator_seconds"], costs["cost"], costs["orders"][0]["cost"]) == (2_520, 210, None, None)

    async def test_what_a_piece_costs(self, client: httpx.AsyncClient, request_document: Document, worker: HandWorker) -> None:
        request_document["shop"]["machines"][0]["hour_cost"] = 60
        request_document["shop"]["operators"][0]["hour_cost"] = 36
        made = await client.post("/v1/plans", json=request_document, headers=ASYNC)
        worker.find(made.json()["id"], plan_text("plan"))
        costs = (await client.get(f"{made.headers['location']}/costs")).json()
        # By hand: 2,520 s at 60 an hour are 42, 210 s at 36 an hour are 2.10; four pieces.
        assert costs["cost"] == pytest.approx(44.1)
        assert costs["orders"][0]["piece_cost"] == pytest.approx(44.1 / 4)


def newest_waiting(store: Store) -> str | None:
    """The plan that waits."""
    with store.reading() as session:
        return session.scalar(sa.select(PlanRow.id).where(PlanRow.state == "waiting"))
