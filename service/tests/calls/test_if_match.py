"""If-Match on plans and questions (RFC 9110 section 13.1.1): welcome, not needed, and a thing that has changed since is left as it is."""

from __future__ import annotations

import copy
from typing import Any

import httpx
import pytest

from platerota_service.shops.book import ShopBook

from .conftest import HandWorker, problem
from .test_plan_calls import ANY, Document, plan_id, planned, rest, shop
from .test_questions import answering, asked, base, sweeps

__all__ = ["answering", "asked", "base", "plan_id", "rest", "shop", "sweeps"]
pytestmark = pytest.mark.anyio


async def refused(client: httpx.AsyncClient, method: str, address: str, tag: str) -> None:
    """Whoever names an ETag that is not the present one by strong comparison, or none that can be read, is refused."""
    for named in ('"old"', '"old", "older"', f"W/{tag}"):
        problem(await client.request(method, address, headers={"If-Match": named}), "changed-meanwhile")
    problem(await client.request(method, address, headers={"If-Match": "unquoted"}), "bad-header")


def matching(tag: str) -> list[dict[str, str]]:
    """Headers with which a thing of that ETag may be changed."""
    return [{}, {"If-Match": "*"}, {"If-Match": tag}, {"If-Match": f'"old", {tag}'}]


@pytest.mark.parametrize("number", range(4))
class TestPlans:
    async def test_stop(self, client: httpx.AsyncClient, plan_id: str, worker: HandWorker, number: int) -> None:
        address = f"/v1/plans/{plan_id}"
        worker.take(plan_id)
        worker.improve(plan_id, 4.0)
        tag = (await client.get(address)).headers["etag"]
        await refused(client, "POST", f"{address}/stop", tag)
        assert (await client.get(address)).headers["etag"] == tag
        assert (await client.post(f"{address}/stop", headers=matching(tag)[number])).status_code == 202

    async def test_delete(self, client: httpx.AsyncClient, plan_id: str, worker: HandWorker, number: int) -> None:
        address = f"/v1/plans/{plan_id}"
        before = (await client.get(address)).headers["etag"]
        worker.solve(plan_id)
        problem(await client.delete(address, headers={"If-Match": before}), "changed-meanwhile")
        tag = (await client.get(address)).headers["etag"]
        await refused(client, "DELETE", address, tag)
        assert (await client.delete(address, headers=matching(tag)[number])).status_code == 204

    async def test_release(
        self, client: httpx.AsyncClient, shop: Document, rest: Document, worker: HandWorker, number: int,
    ) -> None:
        address = await solved(client, rest, worker)
        tag = (await client.get(address)).headers["etag"]
        await refused(client, "PUT", f"{address}/release", tag)
        problem(await client.get("/v1/shops/main/plan"), "none-released")
        made = await client.put(f"{address}/release", headers=matching(tag)[number])
        assert (made.status_code, made.json()["shop"]["released"]) == (200, True)

    async def test_take_back(
        self, client: httpx.AsyncClient, shop: Document, rest: Document, worker: HandWorker, number: int,
    ) -> None:
        address = await solved(client, rest, worker)
        tag = (await client.put(f"{address}/release")).headers["etag"]
        await refused(client, "DELETE", f"{address}/release", tag)
        assert (await client.get("/v1/shops/main/plan")).status_code == 200
        assert (await client.delete(f"{address}/release", headers=matching(tag)[number])).status_code == 204


@pytest.mark.parametrize("number", range(4))
class TestQuestions:
    async def test_stop(self, client: httpx.AsyncClient, asked: Document, worker: HandWorker, number: int) -> None:
        address = f"/v1/questions/{asked['id']}"
        before = (await client.get(address)).headers["etag"]
        worker.take(asked["plans"][0]["id"])
        problem(await client.post(f"{address}/stop", headers={"If-Match": before}), "changed-meanwhile")
        tag = (await client.get(address)).headers["etag"]
        await refused(client, "POST", f"{address}/stop", tag)
        assert (await client.get(address)).headers["etag"] == tag
        assert (await client.post(f"{address}/stop", headers=matching(tag)[number])).status_code == 202

    async def test_delete(self, client: httpx.AsyncClient, asked: Document, number: int) -> None:
        address = f"/v1/questions/{asked['id']}"
        tag = (await client.get(address)).headers["etag"]
        await refused(client, "DELETE", address, tag)
        assert (await client.get(address)).headers["etag"] == tag
        assert (await client.delete(address, headers=matching(tag)[number])).status_code == 204


async def solved(client: httpx.AsyncClient, rest: Document, worker: HandWorker) -> str:
    """The address of a ready plan of the stored shop."""
    plan_id = await planned(client, rest)
    worker.solve(plan_id)
    return f"/v1/plans/{plan_id}"


async def test_a_plan_that_went_stale_is_not_released_by_who_saw_it_fresh(
    client: httpx.AsyncClient, shop: Document, rest: Document, worker: HandWorker,
) -> None:
    address = await solved(client, rest, worker)
    fresh = (await client.get(address)).headers["etag"]
    await client.put("/v1/shops/main/plates/P1", json={**shop["plates"][0], "note": "new"}, headers=ANY)
    problem(await client.put(f"{address}/release", headers={"If-Match": fresh}), "changed-meanwhile")
    problem(await client.get("/v1/shops/main/plan"), "none-released")
    stale = (await client.get(address)).headers["etag"]
    assert (await client.put(f"{address}/release", headers={"If-Match": stale})).json()["shop"]["stale"] is True


async def test_what_would_be_refused_without_it_is_refused_for_that(
    client: httpx.AsyncClient, shop: Document, rest: Document, worker: HandWorker, plan_id: str,
) -> None:
    """RFC 9110 section 13.2.1: a precondition is not looked at where the answer without it would be no success."""
    old = {"If-Match": '"old"'}
    for method, address in (("POST", "stop"), ("DELETE", ""), ("PUT", "release"), ("DELETE", "release")):
        problem(await client.request(method, f"/v1/plans/nothing/{address}".rstrip("/"), headers=old), "unknown-plan")
    for method, address in (("POST", "/stop"), ("DELETE", "")):
        problem(await client.request(method, f"/v1/questions/nothing{address}", headers=old), "unknown-question")
    address = await solved(client, rest, worker)
    problem(await client.post(f"{address}/stop", headers=old), "already-ended")
    problem(await client.delete(f"{address}/release", headers=old), "not-releasable")
    problem(await client.put(f"/v1/plans/{plan_id}/release", headers=old), "not-releasable")


async def test_a_question_that_has_ended_is_not_stopped_whatever_is_named(
    client: httpx.AsyncClient, asked: Document, answering: Any,
) -> None:
    where = f"/v1/questions/{asked['id']}"
    await client.post(f"{where}/stop")
    await answering.answer(asked["id"])
    problem(await client.post(f"{where}/stop", headers={"If-Match": '"old"'}), "question-ended")


async def test_a_shop_that_another_changes_at_the_same_moment_makes_the_plan_stale_before_its_release(
    client: httpx.AsyncClient, shop: Document, rest: Document, worker: HandWorker, monkeypatch: pytest.MonkeyPatch,
) -> None:
    address = await solved(client, rest, worker)
    own, changed = ShopBook.release, copy.deepcopy(shop)
    changed["plates"][0]["note"] = "new"

    def late(book: ShopBook, shop_id: str, *given: Any) -> bool:
        row = book.find(shop_id)
        assert row is not None
        assert book.replace(row, changed) is not None
        return own(book, shop_id, *given)

    monkeypatch.setattr(ShopBook, "release", late)
    tag = (await client.get(address)).headers["etag"]
    problem(await client.put(f"{address}/release", headers={"If-Match": tag}), "changed-meanwhile")
    problem(await client.get("/v1/shops/main/plan"), "none-released")
