"""Stored shops as a whole: refusals first, then empty, then well; one class for each call."""

import copy
import json
from typing import Any

import httpx
import pytest

from .conftest import problem

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
JSON = {"Content-Type": "application/json"}


@pytest.fixture
def shop(request_document: Document) -> Document:
    shop: Document = copy.deepcopy(request_document["shop"])
    return shop


@pytest.fixture
async def stored(client: httpx.AsyncClient, shop: Document) -> str:
    """The ETag of the shop `main`, which is stored."""
    answer = await client.put("/v1/shops/main", json=shop)
    assert answer.status_code == 201, answer.text
    return str(answer.headers["etag"])


class TestPut:
    async def test_a_body_that_is_no_json_object(self, client: httpx.AsyncClient) -> None:
        problem(await client.put("/v1/shops/main", content=b"{}", headers={"Content-Type": "text/plain"}), "wrong-media-type")
        problem(await client.put("/v1/shops/main", content=b"[]", headers=JSON), "unreadable")
        problem(await client.put("/v1/shops/main", content=b'{"timezone": NaN}', headers=JSON), "unreadable")
        problem(await client.put("/v1/shops/main", content=b" " * 200_001, headers=JSON), "too-large")

    async def test_every_fault_at_once_with_pointers_into_the_shop_and_nothing_stored(
        self, client: httpx.AsyncClient, shop: Document,
    ) -> None:
        shop["plates"][0].update(mount="none such", colour="blue")
        shop["nests"][0]["count"] = 0
        errors = problem(await client.put("/v1/shops/main", json=shop), "faults-in-request")["errors"]
        assert {error["pointer"] for error in errors} >= {"/plates/0/colour", "/nests/0/count"}
        assert all(error["code"] and error["detail"] and error["mend"] for error in errors)
        problem(await client.get("/v1/shops/main"), "unknown-shop")

    @pytest.mark.parametrize("name", ["a%20b", ".hidden", "x" * 65, "caf%C3%A9"])
    async def test_an_id_that_would_be_trouble_in_an_address(self, client: httpx.AsyncClient, shop: Document, name: str) -> None:
        problem(await client.put(f"/v1/shops/{name}", json=shop), "faults-in-request")

    async def test_a_stored_shop_is_not_overwritten_unseen(self, client: httpx.AsyncClient, shop: Document, stored: str) -> None:
        problem(await client.put("/v1/shops/main", json=shop), "if-match-missing")
        problem(await client.put("/v1/shops/main", json=shop, headers={"If-Match": '"another"'}), "changed-meanwhile")
        problem(await client.put("/v1/shops/main", json=shop, headers={"If-Match": f"W/{stored}"}), "changed-meanwhile")
        problem(await client.put("/v1/shops/main", json=shop, headers={"If-None-Match": "*"}), "changed-meanwhile")
        problem(await client.put("/v1/shops/main", json=shop, headers={"If-Match": "unquoted"}), "bad-header")

    async def test_a_shop_that_is_gone_is_not_made_again_by_a_change(self, client: httpx.AsyncClient, shop: Document) -> None:
        problem(await client.put("/v1/shops/main", json=shop, headers={"If-Match": '"1-abc"'}), "changed-meanwhile")

    async def test_an_empty_shop_is_stored(self, client: httpx.AsyncClient) -> None:
        answer = await client.put("/v1/shops/main", json={"timezone": "UTC"}, headers={"If-None-Match": "*"})
        assert (answer.status_code, answer.headers["location"], answer.json()["rows"]["plates"]) == (201, "/v1/shops/main", 0)

    async def test_a_change_has_a_new_version_and_etag_and_the_same_tables_do_not(
        self, client: httpx.AsyncClient, shop: Document, stored: str,
    ) -> None:
        same = await client.put("/v1/shops/main", json=shop, headers={"If-Match": stored})
        assert (same.status_code, same.headers["etag"], same.json()["version"]) == (200, stored, 1)
        shop["plates"][0]["name"] = "the long one"
        changed = await client.put("/v1/shops/main", json=shop, headers={"If-Match": f'"other", {stored}'})
        assert (changed.status_code, changed.json()["version"]) == (200, 2)
        assert changed.headers["etag"] != stored
        problem(await client.put("/v1/shops/main", json=shop, headers={"If-Match": stored}), "changed-meanwhile")
        assert (await client.put("/v1/shops/main", json=shop, headers={"If-Match": "*"})).status_code == 200


class TestGet:
    async def test_an_unknown_shop(self, client: httpx.AsyncClient) -> None:
        assert "'main'" in problem(await client.get("/v1/shops/main"), "unknown-shop")["detail"]

    async def test_it_is_as_it_was_put_units_included(self, client: httpx.AsyncClient, shop: Document, stored: str) -> None:
        answer = await client.get("/v1/shops/main")
        assert (answer.json(), answer.headers["etag"]) == (shop, stored)

    async def test_who_has_seen_it_is_not_sent_it_again(self, client: httpx.AsyncClient, stored: str) -> None:
        for seen in (stored, f"W/{stored}", f'"a", {stored}', "*"):
            answer = await client.get("/v1/shops/main", headers={"If-None-Match": seen})
            assert (answer.status_code, answer.content, answer.headers["etag"]) == (304, b"", stored)
        assert (await client.get("/v1/shops/main", headers={"If-None-Match": '"a"'})).status_code == 200


class TestList:
    async def test_a_cursor_of_somebody_s_own(self, client: httpx.AsyncClient) -> None:
        for cursor in ("nonsense", "MTIz", "!!!", "LjE"):
            problem(await client.get("/v1/shops", params={"cursor": cursor}), "bad-cursor")
        problem(await client.get("/v1/shops", params={"limit": 0}), "faults-in-request")

    async def test_no_shops(self, client: httpx.AsyncClient) -> None:
        assert (await client.get("/v1/shops")).json() == {"items": [], "self": "/v1/shops?limit=50", "next": None}

    async def test_pages_hold_each_shop_once_the_newest_first(self, client: httpx.AsyncClient, shop: Document) -> None:
        for number in range(5):
            assert (await client.put(f"/v1/shops/shop-{number}", json=shop)).status_code == 201
        found, address = [], "/v1/shops?limit=2"
        while address:
            body = (await client.get(address)).json()
            assert len(body["items"]) <= 2
            found += [item["id"] for item in body["items"]]
            address = body["next"]
        assert sorted(found, reverse=True) == found
        assert len(found) == 5


class TestDelete:
    async def test_an_unknown_shop(self, client: httpx.AsyncClient) -> None:
        problem(await client.delete("/v1/shops/main", headers={"If-Match": "*"}), "unknown-shop")

    async def test_one_that_was_not_seen_stays(self, client: httpx.AsyncClient, stored: str) -> None:
        problem(await client.delete("/v1/shops/main"), "if-match-missing")
        problem(await client.delete("/v1/shops/main", headers={"If-Match": '"1-old"'}), "changed-meanwhile")
        assert (await client.get("/v1/shops/main")).headers["etag"] == stored

    async def test_it_is_gone_and_one_made_anew_has_another_etag_where_its_tables_differ(
        self, client: httpx.AsyncClient, shop: Document, stored: str,
    ) -> None:
        assert (await client.delete("/v1/shops/main", headers={"If-Match": stored})).status_code == 204
        problem(await client.get("/v1/shops/main"), "unknown-shop")
        shop["closures"] = [{"start": "2027-03-05T00:00:00", "end": "2027-03-06T00:00:00"}]
        assert (await client.put("/v1/shops/main", json=shop)).headers["etag"] != stored


async def test_nothing_of_what_is_stored_is_lost_in_writing(client: httpx.AsyncClient, shop: Document) -> None:
    shop["plates"][0]["note"] = 'Größe "7" ½ 工場 \\ \n'
    await client.put("/v1/shops/main", content=json.dumps(shop).encode(), headers=JSON)
    assert (await client.get("/v1/shops/main")).json() == shop
