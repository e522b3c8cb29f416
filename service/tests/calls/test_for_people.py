"""Pages, pictures, files and the calendar over the stored plans: whose they are, who may see them by a link, and what a release says."""

import copy
from typing import Any

import httpx
import icalendar
import pytest
from fastapi import FastAPI

from platerota_service.access.keys import KeyBook

from .conftest import HandWorker

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
ASYNC = {"Prefer": "respond-async"}
FOR_PEOPLE = (
    "/board", "/board/against/{id}", "/load-sheets", "/machine-sheets", "/gantt.svg", "/load.svg", "/load-windows.ics",
    "?format=csv&table=load_windows", "?format=xlsx", "/operations-schedule",
)


async def solved(client: httpx.AsyncClient, worker: HandWorker, document: Document, path: str = "/v1/plans", **headers: str) -> str:
    """A plan that is ready."""
    answer = await client.post(path, json=document, headers=ASYNC | headers)
    assert answer.status_code == 202, answer.text
    plan_id = str(answer.json()["id"])
    worker.solve(plan_id)
    return plan_id


@pytest.fixture
async def rest(client: httpx.AsyncClient, request_document: Document) -> Document:
    """A request for a plan of the stored shop `main`."""
    assert (await client.put("/v1/shops/main", json=request_document["shop"])).status_code == 201
    return {name: copy.deepcopy(value) for name, value in request_document.items() if name != "shop"}


async def event(client: httpx.AsyncClient, plan_id: str) -> Any:
    """The one load of the plan's calendar."""
    answer = await client.get(f"/v1/plans/{plan_id}/load-windows.ics")
    (found,) = icalendar.Calendar.from_ical(answer.content).walk("VEVENT")
    return found


async def test_what_people_read_opens_by_a_signed_link_until_its_key_ends(
    app: FastAPI, client: httpx.AsyncClient, worker: HandWorker, request_document: Document,
) -> None:
    keys = KeyBook(app.state.parts.store)
    token = keys.create("north")
    key = {"X-API-Key": str(token)}
    plan_id = await solved(client, worker, request_document, **key)
    for path in ("/v1/board?limit=7", "/v1/workbook-template?format=zip", *(f"/v1/plans/{plan_id}{end}" for end in FOR_PEOPLE)):
        address = path.format(id=plan_id)
        assert (await client.get(address)).status_code == 401, path
        link = (await client.post("/v1/links", json={"path": address}, headers=key)).json()["href"]
        by_link, by_key = await client.get(link), await client.get(address, headers=key)
        assert (by_link.status_code, by_link.headers["content-type"]) == (200, by_key.headers["content-type"]), by_link.text
    keys.revoke(token.key_id)
    assert (await client.get(link)).status_code == 401


async def test_a_calendar_s_events_are_confirmed_while_the_plan_is_released_and_each_change_counts(
    client: httpx.AsyncClient, worker: HandWorker, rest: Document,
) -> None:
    first, second = [await solved(client, worker, rest, "/v1/shops/main/plans") for _ in range(2)]
    seen = [await event(client, first)]
    assert (await client.put(f"/v1/plans/{first}/release")).status_code == 200
    seen.append(await event(client, first))
    assert (await client.put(f"/v1/plans/{second}/release")).status_code == 200
    seen.append(await event(client, first))
    assert (await client.put(f"/v1/plans/{first}/release")).status_code == 200
    seen.append(await event(client, first))
    assert (await client.delete(f"/v1/plans/{first}/release")).status_code == 204
    seen.append(await event(client, first))
    assert (await client.put(f"/v1/plans/{first}/release")).status_code == 200
    seen.append(await event(client, first))
    assert (await client.delete("/v1/shops/main", headers={"If-Match": "*"})).status_code == 204
    seen.append(await event(client, first))
    assert [str(one["STATUS"]) for one in seen] == ["TENTATIVE", "CONFIRMED"] * 3 + ["TENTATIVE"]
    counted = [int(one["SEQUENCE"]) for one in seen]
    assert counted == sorted(set(counted))
    assert len({str(one["UID"]) for one in seen}) == 1


async def test_the_list_page_shows_each_plan_its_shop_and_the_way_to_older_ones(
    client: httpx.AsyncClient, worker: HandWorker, rest: Document, request_document: Document,
) -> None:
    older = await solved(client, worker, rest, "/v1/shops/main/plans")
    await client.put(f"/v1/plans/{older}/release")
    shop = request_document["shop"]
    shop["plates"][0]["mass"] = 9
    assert (await client.put("/v1/shops/main", json=shop, headers={"If-Match": "*"})).status_code == 200
    newer = (await client.post("/v1/plans?rush=true", json=request_document, headers=ASYNC)).json()["id"]
    page = await client.get("/v1/board", params={"limit": 1})
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert f'href="/v1/plans/{newer}/board"' in page.text
    assert ", rush" in page.text
    assert older not in page.text
    following = (await client.get("/v1/plans", params={"limit": 1})).json()["next"].replace("/v1/plans?", "/v1/board?")
    assert following.replace("&", "&amp;") in page.text
    last = await client.get(following)
    assert "main, released, has changed since" in last.text
    assert "More plans" not in last.text
    assert (await client.get("/v1/board?cursor=nonsense")).json()["type"] == "/v1/problems/bad-cursor"


async def test_the_codes_of_sheets_have_pages_of_their_own(client: httpx.AsyncClient) -> None:
    answer = await client.get("/v1/problems/ambiguous-date")
    assert (answer.status_code, answer.json()["of"]) == (200, "fault")
