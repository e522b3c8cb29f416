"""Plans over HTTP beside their making: ETag, the list, release, and plans of a stored shop; one class for each call."""

import asyncio
import copy
import json
from typing import Any

import httpx
import pytest
import sqlalchemy as sa

from platerota_service.plan_list import plans_page
from platerota_service.store import PlanRow, Store

from .conftest import HandWorker, problem

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
ASYNC = {"Prefer": "respond-async"}
ANY = {"If-Match": "*"}


@pytest.fixture
async def plan_id(client: httpx.AsyncClient, request_document: Document) -> str:
    """A plan that waits."""
    answer = await client.post("/v1/plans", json=request_document, headers=ASYNC)
    assert answer.status_code == 202, answer.text
    return str(answer.json()["id"])


@pytest.fixture
def rest(request_document: Document) -> Document:
    """A request without its shop."""
    return {name: copy.deepcopy(value) for name, value in request_document.items() if name != "shop"}


@pytest.fixture
async def shop(client: httpx.AsyncClient, request_document: Document) -> Document:
    """The tables of the stored shop `main`."""
    shop: Document = copy.deepcopy(request_document["shop"])
    assert (await client.put("/v1/shops/main", json=shop)).status_code == 201
    return shop


async def planned(client: httpx.AsyncClient, rest: Document) -> str:
    """A plan of the stored shop that waits."""
    answer = await client.post("/v1/shops/main/plans", json=rest, headers=ASYNC)
    assert answer.status_code == 202, answer.text
    return str(answer.json()["id"])


class TestEtag:
    async def test_a_header_that_is_no_list_of_etags(self, client: httpx.AsyncClient, plan_id: str) -> None:
        problem(await client.get(f"/v1/plans/{plan_id}", headers={"If-None-Match": "plan"}), "bad-header")

    async def test_who_has_seen_a_plan_is_not_sent_it_again_until_it_changes(
        self, client: httpx.AsyncClient, plan_id: str, worker: HandWorker,
    ) -> None:
        address, seen = f"/v1/plans/{plan_id}", set[str]()
        for change in (lambda: None, lambda: worker.take(plan_id), lambda: worker.improve(plan_id, 4.0), lambda: worker.finish(plan_id)):
            change()
            tag = (await client.get(address)).headers["etag"]
            again = await client.get(address, headers={"If-None-Match": tag})
            assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
            seen.add(tag)
        assert len(seen) == 4

    async def test_it_changes_with_what_the_shop_has_become_to_the_plan(
        self, client: httpx.AsyncClient, shop: Document, rest: Document, worker: HandWorker,
    ) -> None:
        plan_id = await planned(client, rest)
        worker.solve(plan_id)
        address = f"/v1/plans/{plan_id}"
        tags = [(await client.get(address)).headers["etag"]]
        tags.append((await client.put(f"{address}/release")).headers["etag"])
        await client.put("/v1/shops/main/plates/P1", json={**shop["plates"][0], "note": "new"}, headers=ANY)
        tags.append((await client.get(address)).headers["etag"])
        assert len(set(tags)) == 3


class TestList:
    async def test_what_is_no_filter(self, client: httpx.AsyncClient) -> None:
        for query in ({"status": "done"}, {"limit": "201"}, {"limit": "many"}, {"shop": "a b"}, {"shop": "\0"}):
            problem(await client.get("/v1/plans", params=query), "faults-in-request")
        problem(await client.get("/v1/plans", params={"cursor": "nonsense"}), "bad-cursor")

    async def test_no_plans(self, client: httpx.AsyncClient) -> None:
        answer = await client.get("/v1/plans", params={"status": "ready", "limit": 7})
        assert answer.json() == {"items": [], "self": "/v1/plans?status=ready&limit=7", "next": None}

    async def test_a_plan_is_shown_as_far_as_it_is(self, client: httpx.AsyncClient, plan_id: str, worker: HandWorker) -> None:
        (waiting,) = (await client.get("/v1/plans")).json()["items"]
        assert (waiting["id"], waiting["status"]) == (plan_id, "waiting")
        assert [waiting[name] for name in ("score", "bound", "gap", "quality", "started", "ended", "shop")] == [None] * 7
        worker.solve(plan_id)
        (ready,) = (await client.get("/v1/plans")).json()["items"]
        assert (ready["status"], ready["score"], ready["bound"], ready["gap"], ready["shop"]) == ("ready", 2.0, 1.0, 0.5, None)
        assert ready["created"] <= ready["started"] <= ready["ended"]

    async def test_pages_hold_each_plan_once_though_new_ones_come_meanwhile(
        self, client: httpx.AsyncClient, request_document: Document, worker: HandWorker,
    ) -> None:
        made = list[str]()

        async def make() -> None:
            answer = await client.post("/v1/plans", json=request_document, headers=ASYNC)
            made.append(answer.json()["id"])
            worker.solve(made[-1])

        for _ in range(5):
            await make()
        wanted, found, address = set(made), list[str](), "/v1/plans?limit=2&status=ready"
        while address:
            body = (await client.get(address)).json()
            found += [item["id"] for item in body["items"]]
            address = body["next"]
            await make()
        assert (len(found), set(found)) == (5, wanted)

    async def test_filters(self, client: httpx.AsyncClient, plan_id: str, shop: Document, rest: Document, worker: HandWorker) -> None:
        other = await planned(client, rest)
        worker.solve(other)
        for query, wanted in (
            ({"shop": "main"}, [other]), ({"status": "waiting"}, [plan_id]), ({"shop": "main", "status": "waiting"}, []),
            ({"shop": "none"}, []), ({}, [other, plan_id]),
        ):
            assert sorted(item["id"] for item in (await client.get("/v1/plans", params=query)).json()["items"]) == sorted(wanted)

    @pytest.mark.parametrize(
        ("shop", "index"), [(None, "ix_plans_tenant_created_ms_id"), ("main", "ix_plans_tenant_shop_id_created_ms_id")],
    )
    def test_a_page_is_read_in_the_order_of_an_index(self, store: Store, shop: str | None, index: str) -> None:
        query = plans_page("local", None, shop, "MTAwLmFiYw", 50).compile(store.engine, compile_kwargs={"literal_binds": True})
        with store.engine.connect() as connection:
            steps = [row[3] for row in connection.execute(sa.text(f"EXPLAIN QUERY PLAN {query}"))]
        assert len(steps) == 1, steps
        assert index in steps[0]


class TestCreateOfShop:
    async def test_an_unknown_shop(self, client: httpx.AsyncClient, rest: Document) -> None:
        problem(await client.post("/v1/shops/main/plans", json=rest), "unknown-shop")

    async def test_a_request_that_brings_a_shop_or_has_faults_of_its_own(
        self, client: httpx.AsyncClient, shop: Document, rest: Document,
    ) -> None:
        body = {**rest, "shop": shop, "colour": 1, "orders": [{**rest["orders"][0], "part": "brackett"}]}
        errors = problem(await client.post("/v1/shops/main/plans", json=body), "faults-in-request")["errors"]
        assert {error["pointer"] for error in errors} == {"/shop", "/colour", "/orders/0/part"}
        problem(await client.post("/v1/shops/main/plans", content=b"[]", headers={"Content-Type": "application/json"}), "unreadable")
        twice = json.dumps(rest)[:-1] + ', "now": 7}'
        errors = problem(
            await client.post("/v1/shops/main/plans", content=twice, headers={"Content-Type": "application/json"}), "faults-in-request",
        )["errors"]
        assert {error["code"] for error in errors} >= {"duplicate-key"}

    async def test_a_fault_that_lies_in_the_stored_shop_points_there(
        self, client: httpx.AsyncClient, shop: Document, rest: Document,
    ) -> None:
        nest = shop["nests"][0]
        address = f"/v1/shops/main/nests/{nest['fixture']};{nest['part']};{nest['op']}"
        assert (await client.delete(address, headers=ANY)).status_code == 204
        errors = problem(await client.post("/v1/shops/main/plans", json=rest), "faults-in-request")["errors"]
        assert [(error["pointer"], error["code"]) for error in errors] == [("/shop/operations/0", "no-nest")]

    async def test_no_orders_are_a_plan(self, client: httpx.AsyncClient, shop: Document, rest: Document) -> None:
        assert (await client.post("/v1/shops/main/plans", json={"now": rest["now"]}, headers=ASYNC)).status_code == 202

    async def test_it_is_the_same_request_as_with_the_shop_in_it(
        self, client: httpx.AsyncClient, shop: Document, rest: Document, store: Store, request_document: Document,
    ) -> None:
        plan_id = await planned(client, rest)
        with store.reading() as session:
            row = session.get_one(PlanRow, plan_id)
        assert json.loads(row.request) == request_document
        assert (row.shop_id, row.shop_version) == ("main", 1)

    async def test_it_says_stale_once_the_shop_has_changed_is_gone_or_was_made_anew(
        self, client: httpx.AsyncClient, shop: Document, rest: Document,
    ) -> None:
        first = await planned(client, rest)
        facts = {"id": "main", "version": 1, "stale": False, "released": False}
        assert (await client.get(f"/v1/plans/{first}")).json()["shop"] == facts
        await client.put("/v1/shops/main/plates/P1", json={**shop["plates"][0], "note": "new"}, headers=ANY)
        second = await planned(client, rest)
        assert (await client.get(f"/v1/plans/{first}")).json()["shop"] == {**facts, "stale": True}
        assert (await client.get(f"/v1/plans/{second}")).json()["shop"] == {**facts, "version": 2}
        assert [item["shop"]["stale"] for item in (await client.get("/v1/plans")).json()["items"]].count(True) == 1
        await client.delete("/v1/shops/main", headers=ANY)
        assert (await client.get(f"/v1/plans/{second}")).json()["shop"]["stale"] is True
        await asyncio.sleep(0.002)
        await client.put("/v1/shops/main", json=shop)
        assert (await client.get(f"/v1/plans/{first}")).json()["shop"]["stale"] is True


class TestRelease:
    async def test_what_cannot_be_released(
        self, client: httpx.AsyncClient, plan_id: str, shop: Document, rest: Document, worker: HandWorker,
    ) -> None:
        problem(await client.put("/v1/plans/nothing/release"), "unknown-plan")
        assert "is waiting" in problem(await client.put(f"/v1/plans/{await planned(client, rest)}/release"), "not-releasable")["detail"]
        worker.solve(plan_id)
        assert "no stored shop" in problem(await client.put(f"/v1/plans/{plan_id}/release"), "not-releasable")["detail"]
        orphan = await planned(client, rest)
        worker.solve(orphan)
        await client.delete("/v1/shops/main", headers=ANY)
        assert "is gone" in problem(await client.put(f"/v1/plans/{orphan}/release"), "not-releasable")["detail"]

    async def test_a_shop_that_works_by_no_plan(self, client: httpx.AsyncClient, shop: Document) -> None:
        detail = problem(await client.get("/v1/shops/main/plan"), "none-released")["detail"]
        assert "PUT /v1/plans/{id}/release" in detail
        assert "deleted" not in detail
        problem(await client.get("/v1/shops/other/plan"), "unknown-shop")
        problem(await client.get("/v1/shops/main/plan/load-windows.ics"), "none-released")

    async def test_the_shop_works_by_the_plan_that_was_released_last(
        self, client: httpx.AsyncClient, shop: Document, rest: Document, worker: HandWorker,
    ) -> None:
        first, second = await planned(client, rest), await planned(client, rest)
        for plan_id in (first, second):
            worker.solve(plan_id)
            answer = await client.put(f"/v1/plans/{plan_id}/release")
            assert (answer.status_code, answer.json()["shop"]["released"]) == (200, True)
        answer = await client.get("/v1/shops/main/plan")
        assert (answer.json()["id"], answer.headers["content-location"]) == (second, f"/v1/plans/{second}")
        assert (await client.get("/v1/shops/main/plan", headers={"If-None-Match": answer.headers["etag"]})).status_code == 304
        assert (await client.get(f"/v1/plans/{first}")).json()["shop"]["released"] is False
        assert (await client.get("/v1/shops")).json()["items"][0]["released_plan"] == second

    async def test_who_asks_the_shop_again_and_again_gets_the_new_week_in_every_form(
        self, client: httpx.AsyncClient, shop: Document, rest: Document, worker: HandWorker,
    ) -> None:
        """Two plans that have come as far are two plans: what was seen of the one is no answer about the other."""
        address, seen = "/v1/shops/main/plan", dict[str, str]()
        forms = ("", "?format=csv&table=load_windows", "?format=xlsx", "/load-windows.ics", "/load-windows.ics?operator=ana")
        for _ in range(2):
            plan_id = await planned(client, rest)
            worker.solve(plan_id)
            await client.put(f"/v1/plans/{plan_id}/release")
            for form in forms:
                answer = await client.get(address + form, headers={"If-None-Match": seen.get(form, '"none"')})
                own = await client.get(f"/v1/plans/{plan_id}{form}")
                assert (answer.status_code, answer.headers["content-type"]) == (200, own.headers["content-type"]), form
                assert answer.headers["etag"] == own.headers["etag"] != seen.get(form), form
                seen[form] = answer.headers["etag"]
                assert (await client.get(address + form, headers={"If-None-Match": seen[form]})).status_code == 304, form
        assert b"STATUS:CONFIRMED" in (await client.get(f"{address}/load-windows.ics")).content
        problem(await client.get(f"{address}/load-windows.ics?operator=nobody"), "unknown-operator")

    async def test_an_erp_is_told_which_plan_is_released(
        self, client: httpx.AsyncClient, shop: Document, rest: Document, worker: HandWorker,
    ) -> None:
        plan_id = await planned(client, rest)
        worker.solve(plan_id)
        address = f"/v1/plans/{plan_id}/operations-schedule"
        assert (await client.get(address)).json()["OperationsSchedule"]["ScheduleState"] == "Forecast"
        await client.put(f"/v1/plans/{plan_id}/release")
        assert (await client.get(address)).json()["OperationsSchedule"]["ScheduleState"] == "Released"

    async def test_taken_back_or_deleted_the_shop_works_by_none(
        self, client: httpx.AsyncClient, shop: Document, rest: Document, worker: HandWorker,
    ) -> None:
        plan_id = await planned(client, rest)
        worker.solve(plan_id)
        problem(await client.delete(f"/v1/plans/{plan_id}/release"), "not-releasable")
        await client.put(f"/v1/plans/{plan_id}/release")
        assert (await client.delete(f"/v1/plans/{plan_id}/release")).status_code == 204
        problem(await client.get("/v1/shops/main/plan"), "none-released")
        await client.put(f"/v1/plans/{plan_id}/release")
        assert (await client.delete(f"/v1/plans/{plan_id}")).status_code == 204
        problem(await client.get("/v1/shops/main/plan"), "none-released")
