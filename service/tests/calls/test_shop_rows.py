"""Single rows of a stored shop, and many of one table: refusals first, then empty, then well; one class for each call."""

import asyncio
import copy
from typing import Any

import httpx
import pytest

from .conftest import problem

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
ANY = {"If-Match": "*"}
BASE = "/v1/shops/main"


def pointers(body: Document) -> list[str]:
    return [error["pointer"] for error in body["errors"]]


@pytest.fixture
def shop(request_document: Document) -> Document:
    shop: Document = copy.deepcopy(request_document["shop"])
    shop["closures"] = [{"start": "2027-03-05T00:00:00", "end": "2027-03-06T00:00:00", "reason": "holiday"}]
    return shop


@pytest.fixture(autouse=True)
async def stored(client: httpx.AsyncClient, shop: Document) -> str:
    """The ETag of the shop `main`, which is stored."""
    answer = await client.put(BASE, json=shop)
    assert answer.status_code == 201, answer.text
    return str(answer.headers["etag"])


def first(shop: Document, table: str) -> tuple[str, Document]:
    """The address of the first row of a table, and the row."""
    keys = {"nests": ("fixture", "part", "op"), "operations": ("part", "op"), "shifts": (), "closures": ()}.get(table, ("id",))
    row = shop[table][0]
    return f"{BASE}/{table}/" + (";".join(str(row[key]) for key in keys) if keys else "0"), row


TABLES = ("machines", "plates", "fixtures", "nests", "operations", "operators", "shifts", "closures")


class TestGetRow:
    async def test_what_is_not_there(self, client: httpx.AsyncClient) -> None:
        problem(await client.get("/v1/shops/other/plates/P1"), "unknown-shop")
        problem(await client.get(f"{BASE}/colours/red"), "not-found")
        for address in ("plates/none", "shifts/7", "shifts/first", "shifts/-1", "nests/a;b", "nests/a;b;10", "operations/bracket"):
            problem(await client.get(f"{BASE}/{address}"), "unknown-row")

    @pytest.mark.parametrize("table", TABLES)
    async def test_a_row_of_each_table(self, client: httpx.AsyncClient, shop: Document, table: str) -> None:
        address, row = first(shop, table)
        answer = await client.get(address)
        assert (answer.status_code, answer.json()) == (200, row)
        assert (await client.get(address, headers={"If-None-Match": answer.headers["etag"]})).status_code == 304

    async def test_a_key_column_may_hold_what_separates_columns_and_steps(self, client: httpx.AsyncClient) -> None:
        row = {"part": "a;b/c%", "op": 10, "cut_seconds": 60}
        answer = await client.put(f"{BASE}/operations/a%3Bb%2Fc%25;10", json={"cut_seconds": 60})
        assert (answer.status_code, answer.json()) == (201, {"cut_seconds": 60, "part": "a;b/c%", "op": 10})
        assert (await client.get(answer.headers["location"])).json() == {**row}
        assert (await client.put(f"{BASE}/operators/Ana%2FLuz;1", json={})).status_code == 201
        assert (await client.get(f"{BASE}/operators/Ana%2FLuz;1")).json() == {"id": "Ana/Luz;1"}


class TestListRows:
    async def test_what_is_not_there(self, client: httpx.AsyncClient) -> None:
        problem(await client.get("/v1/shops/other/plates"), "unknown-shop")
        problem(await client.get(f"{BASE}/colours"), "not-found")

    @pytest.mark.parametrize("table", TABLES)
    async def test_a_table_whole_with_the_etag_of_the_shop(
        self, client: httpx.AsyncClient, shop: Document, stored: str, table: str,
    ) -> None:
        answer = await client.get(f"{BASE}/{table}")
        page = {"items": shop[table], "self": f"{BASE}/{table}?limit=200", "next": None}
        assert (answer.json(), answer.headers["etag"]) == (page, stored)
        assert (await client.get(f"{BASE}/{table}", headers={"If-None-Match": stored})).status_code == 304


    @pytest.mark.parametrize("table", ["shifts", "operators"])
    async def test_pages_hold_every_row_once_in_its_order(self, client: httpx.AsyncClient, shop: Document, table: str) -> None:
        more = [shop[table][0] | ({"id": f"o{number}"} if table == "operators" else {}) for number in range(7)]
        etag = (await client.get(f"{BASE}/{table}")).headers["etag"]
        assert (await client.post(f"{BASE}/{table}", json={"rows": more}, headers={"If-Match": etag})).status_code == 207
        found, following = list[Document](), f"{BASE}/{table}?limit=3"
        while following is not None:
            answer = await client.get(following)
            assert answer.json()["self"] == following
            assert (await client.get(following, headers={"If-None-Match": answer.headers["etag"]})).status_code == 304
            found += answer.json()["items"]
            following = answer.json()["next"]
        assert found == shop[table] + more

    async def test_a_cursor_is_of_one_version_of_the_shop(self, client: httpx.AsyncClient, shop: Document) -> None:
        problem(await client.get(f"{BASE}/plates?cursor=none"), "bad-cursor")
        problem(await client.get(f"{BASE}/plates?limit=201"), "faults-in-request")
        for row in ("P2", "P3"):
            assert (await client.put(f"{BASE}/plates/{row}", json={**shop["plates"][0], "id": row, "fixture": None})).status_code == 201
        following = (await client.get(f"{BASE}/plates?limit=2")).json()["next"]
        assert [row["id"] for row in (await client.get(following)).json()["items"]] == ["P3"]
        assert (await client.delete(f"{BASE}/plates/P2", headers=ANY)).status_code == 204
        body = problem(await client.get(following), "bad-cursor")
        assert "changed" in body["detail"]


class TestPutRow:
    async def test_faults_in_the_row_have_pointers_into_it(self, client: httpx.AsyncClient, shop: Document) -> None:
        address, row = first(shop, "plates")
        answer = await client.put(address, json={**row, "size_x": -1, "colour": 1, "fixture": "none"}, headers=ANY)
        assert sorted(pointers(problem(answer, "faults-in-request"))) == ["/colour", "/fixture", "/size_x"]
        assert (await client.get(address)).json() == row

    async def test_faults_that_it_causes_elsewhere_have_pointers_into_the_shop(self, client: httpx.AsyncClient, shop: Document) -> None:
        address, row = first(shop, "machines")
        answer = await client.put(address, json={**row, "mount": "another"}, headers=ANY)
        assert pointers(problem(answer, "faults-in-request")) == ["/shop/plates/0/mount"]

    async def test_an_id_that_is_not_that_of_the_address(self, client: httpx.AsyncClient, shop: Document) -> None:
        address, row = first(shop, "plates")
        body = problem(await client.put(address, json={**row, "id": "P9"}, headers=ANY), "faults-in-request")
        assert (pointers(body), body["errors"][0]["code"]) == (["/id"], "row-elsewhere")

    async def test_what_is_no_row(self, client: httpx.AsyncClient) -> None:
        problem(await client.put(f"{BASE}/plates/P1", content=b"[]", headers={"Content-Type": "application/json"}), "unreadable")
        answer = await client.put(f"{BASE}/plates/P1", content=b'{"id":"P1","id":"P1"}', headers={"Content-Type": "application/json"})
        assert problem(answer, "faults-in-request")["errors"][0]["code"] == "duplicate-key"
        problem(await client.put("/v1/shops/other/plates/P1", json={}), "unknown-shop")

    @pytest.mark.parametrize("table", TABLES)
    async def test_a_row_is_not_overwritten_unseen(self, client: httpx.AsyncClient, shop: Document, table: str) -> None:
        address, row = first(shop, table)
        problem(await client.put(address, json=row), "if-match-missing")
        problem(await client.put(address, json=row, headers={"If-Match": '"old"'}), "changed-meanwhile")

    @pytest.mark.parametrize("table", TABLES)
    async def test_a_row_of_each_table_is_replaced(self, client: httpx.AsyncClient, shop: Document, table: str) -> None:
        address, row = first(shop, table)
        change = {
            "nests": {"count": 3}, "operations": {"cut_seconds": 601}, "shifts": {"end": "13:00"}, "closures": {"reason": "snow"},
        }.get(table, {"note": "seen"})
        seen = (await client.get(address)).headers["etag"]
        answer = await client.put(address, json={**row, **change}, headers={"If-Match": seen})
        assert (answer.status_code, answer.json()) == (200, {**row, **change})
        assert answer.headers["etag"] not in (seen, "")
        assert (await client.get(address)).headers["etag"] == answer.headers["etag"]
        assert (await client.get("/v1/shops")).json()["items"][0]["version"] == 2

    async def test_a_position_may_mean_another_row_by_now_so_any_will_not_do(self, client: httpx.AsyncClient, shop: Document) -> None:
        address, row = first(shop, "shifts")
        problem(await client.put(address, json=row, headers=ANY), "if-match-missing")
        problem(await client.put(f"{BASE}/shifts/9", json=row), "unknown-row")

    async def test_a_new_row_is_added_with_its_key_from_the_address(self, client: httpx.AsyncClient, shop: Document) -> None:
        plate = {name: value for name, value in shop["plates"][0].items() if name not in ("id", "fixture")}
        answer = await client.put(f"{BASE}/plates/P%207", json=plate)
        assert (answer.status_code, answer.headers["location"], answer.json()["id"]) == (201, f"{BASE}/plates/P%207", "P 7")
        answer = await client.put(f"{BASE}/shifts/{len(shop['shifts'])}", json=shop["shifts"][0])
        assert answer.status_code == 201
        problem(await client.put(f"{BASE}/plates/P8", json=plate, headers={"If-Match": '"gone"'}), "changed-meanwhile")


class TestDeleteRow:
    async def test_what_is_not_there(self, client: httpx.AsyncClient) -> None:
        problem(await client.delete(f"{BASE}/plates/none", headers=ANY), "unknown-row")
        problem(await client.delete("/v1/shops/other/plates/P1", headers=ANY), "unknown-shop")

    async def test_a_row_that_others_name_stays(self, client: httpx.AsyncClient, shop: Document) -> None:
        address, _ = first(shop, "fixtures")
        problem(await client.delete(address), "if-match-missing")
        assert "/shop/plates/0/fixture" in pointers(problem(await client.delete(address, headers=ANY), "faults-in-request"))
        assert (await client.get(address)).status_code == 200

    async def test_a_row_that_nobody_needs_goes(self, client: httpx.AsyncClient, shop: Document) -> None:
        for table in ("closures", "shifts", "nests", "operations"):
            address, _ = first(shop, table)
            seen = (await client.get(address)).headers["etag"]
            assert (await client.delete(address, headers={"If-Match": seen})).status_code == 204
            assert (await client.get(f"{BASE}/{table}")).json()["items"] == shop[table][1:]


class TestPutRows:
    async def test_what_is_no_list_of_rows(self, client: httpx.AsyncClient) -> None:
        for body in ({}, {"rows": {}}, {"rows": []}, {"rows": [{}], "mode": "x"}):
            problem(await client.post(f"{BASE}/plates", json=body), "faults-in-request")
        problem(await client.post(f"{BASE}/plates", json={"rows": [{}] * 5_001}), "faults-in-request")
        problem(await client.post(f"{BASE}/colours", json={"rows": [{}]}), "not-found")
        problem(await client.post("/v1/shops/other/plates", json={"rows": [{}]}), "unknown-shop")

    async def test_each_row_is_judged_and_the_good_ones_are_stored(self, client: httpx.AsyncClient, shop: Document) -> None:
        plate = shop["plates"][0]
        rows = [
            {**plate, "note": "new words"}, {**plate, "id": "P2", "fixture": None}, {**plate, "id": "P3", "size_x": "wide"},
            {"mount": plate["mount"]}, 7, {**plate, "id": "P2"}, {**plate, "id": "P4", "mount": "none"},
        ]
        answer = await client.post(f"{BASE}/plates", json={"rows": rows})
        assert answer.status_code == 207
        results = answer.json()["results"]
        assert [one["status"] for one in results] == [200, 201, 422, 422, 422, 422, 422]
        assert [one["row"] for one in results[:3]] == [plate["id"], "P2", "P3"]
        assert [error["pointer"] for error in results[2]["errors"]] == ["/size_x"]
        assert results[5]["errors"][0]["code"] == "duplicate-row"
        assert results[6]["errors"][0]["pointer"] == "/mount"
        assert [row["id"] for row in (await client.get(f"{BASE}/plates")).json()["items"]] == [plate["id"], "P2"]
        assert (answer.json()["version"], answer.headers["etag"][:3]) == (2, '"2-')

    async def test_rows_that_would_break_others_are_refused_with_pointers_into_the_shop(
        self, client: httpx.AsyncClient, shop: Document, stored: str,
    ) -> None:
        answer = await client.post(f"{BASE}/machines", json={"rows": [{**shop["machines"][0], "mount": "another"}]})
        assert [error["pointer"] for error in answer.json()["results"][0]["errors"]] == ["/shop/plates/0/mount"]
        assert answer.headers["etag"] == stored

    async def test_rows_without_a_key_are_added_once_however_often_they_are_sent(
        self, client: httpx.AsyncClient, shop: Document, stored: str,
    ) -> None:
        body = {"rows": [{**shop["shifts"][0], "overtime": True, "days": ["sat"]}]}
        problem(await client.post(f"{BASE}/shifts", json=body), "if-match-missing")
        problem(await client.post(f"{BASE}/shifts", json=body, headers=ANY), "if-match-missing")
        answer = await client.post(f"{BASE}/shifts", json=body, headers={"If-Match": stored})
        assert answer.json()["results"] == [{"row": str(len(shop["shifts"])), "status": 201, "errors": None}]
        problem(await client.post(f"{BASE}/shifts", json=body, headers={"If-Match": stored}), "changed-meanwhile")
        problem(await client.post(f"{BASE}/plates", json={"rows": [{}]}, headers={"If-Match": stored}), "changed-meanwhile")


class TestTogether:
    """Several people change one shop at the same moment: nobody's change is lost."""

    async def test_different_rows_are_all_stored(self, client: httpx.AsyncClient, shop: Document) -> None:
        plate = {name: value for name, value in shop["plates"][0].items() if name not in ("id", "fixture")}
        answers = await asyncio.gather(*(client.put(f"{BASE}/plates/N{number}", json=plate) for number in range(6)))
        assert [answer.status_code for answer in answers] == [201] * 6
        ids = {row["id"] for row in (await client.get(f"{BASE}/plates")).json()["items"]}
        assert ids == {shop["plates"][0]["id"], *(f"N{number}" for number in range(6))}
        assert (await client.get("/v1/shops")).json()["items"][0]["version"] == 7

    async def test_of_two_changes_of_one_row_the_second_is_told(self, client: httpx.AsyncClient, shop: Document) -> None:
        address, row = first(shop, "plates")
        seen = {"If-Match": (await client.get(address)).headers["etag"]}
        answers = await asyncio.gather(*(client.put(address, json={**row, "note": note}, headers=seen) for note in ("one", "two")))
        assert sorted(answer.status_code for answer in answers) == [200, 412]

    async def test_of_two_rows_added_at_one_position_the_second_is_told(self, client: httpx.AsyncClient, shop: Document) -> None:
        address = f"{BASE}/closures/{len(shop['closures'])}"
        answers = await asyncio.gather(*(client.put(address, json={**shop["closures"][0], "reason": why}) for why in ("one", "two")))
        assert sorted(answer.status_code for answer in answers) == [201, 428]
        assert len((await client.get(f"{BASE}/closures")).json()["items"]) == len(shop["closures"]) + 1
