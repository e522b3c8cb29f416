"""Keys, scopes and tenants: whoever may not is told why, and sees nothing of another tenant."""

import asyncio
import copy
import logging
from collections.abc import Callable
from typing import Any

import httpx
import pytest
import time_machine
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts

from platerota_service.access.keys import SCOPES, KeyBook, Scope
from platerota_service.access.links import read_link, sign
from platerota_service.access.tokens import Token
from platerota_service.app import create_app
from platerota_service.kinds import KINDS
from platerota_service.problems import PROBLEM_JSON
from platerota_service.settings import ServiceSettings
from platerota_service.store import now_ms

from .conftest import HandWorker

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
MakeKey = Callable[..., dict[str, str]]


def problem(answer: httpx.Response, kind: str) -> Document:
    """The problem in an answer, which is of that kind."""
    body: Document = answer.json()
    assert (answer.status_code, answer.headers["content-type"], body["type"]) == (KINDS[kind].status, PROBLEM_JSON, KINDS[kind].type), body
    return body


@pytest.fixture
def keys(app: FastAPI) -> KeyBook:
    return KeyBook(app.state.parts.store)


@pytest.fixture
def key(keys: KeyBook) -> MakeKey:
    """A new key as the header that shows it."""

    def make(tenant: str = "north", *scopes: Scope) -> dict[str, str]:
        return {"Authorization": f"Bearer {keys.create(tenant, scopes=scopes or tuple(SCOPES))}"}

    return make


@pytest.fixture
def shop(request_document: Document) -> Document:
    shop: Document = copy.deepcopy(request_document["shop"])
    return shop


class TestWithoutKeys:
    async def test_whoever_is_on_this_computer_may_do_everything(self, client: httpx.AsyncClient, shop: Document) -> None:
        assert (await client.put("/v1/shops/main", json=shop)).status_code == 201
        assert (await client.get("/metrics")).status_code == 200

    @pytest.mark.parametrize("header", ["Forwarded", "X-Forwarded-For", "X-Real-IP", "X-Forwarded-Host"])
    async def test_what_comes_through_a_proxy_does_not_come_from_this_computer(self, client: httpx.AsyncClient, header: str) -> None:
        problem(await client.get("/v1/shops", headers={header: "203.0.113.7"}), "key-missing")

    @pytest.mark.parametrize("host", ["plans.example", "127.0.0.1.plans.example", "10.0.0.7:8080", "test"])
    async def test_a_name_that_somebody_else_pointed_here_is_not_this_computer_s(self, client: httpx.AsyncClient, host: str) -> None:
        problem(await client.get("/v1/shops", headers={"Host": host}), "key-missing")

    @pytest.mark.parametrize("host", ["localhost:8080", "127.0.0.1", "[::1]:8080", "shop.localhost"])
    async def test_its_own_names_are(self, client: httpx.AsyncClient, host: str) -> None:
        assert (await client.get("/v1/shops", headers={"Host": host})).status_code == 200

    async def test_another_computer_needs_a_key(self, app: FastAPI) -> None:
        transport = httpx.ASGITransport(app=app, client=("192.168.1.30", 50_000))
        async with httpx.AsyncClient(transport=transport, base_url="http://service.test") as client:
            answer = await client.get("/v1/shops")
            problem(answer, "key-missing")
            assert answer.headers["www-authenticate"].startswith("Bearer")


class TestKeys:
    async def test_from_the_first_key_on_everybody_needs_one_even_when_it_is_revoked(
        self, client: httpx.AsyncClient, keys: KeyBook,
    ) -> None:
        assert (await client.get("/v1/shops")).status_code == 200
        token = keys.create("north")
        await asyncio.sleep(1.1)  # an open service looks for a first key once a second
        problem(await client.get("/v1/shops"), "key-missing")
        keys.revoke(token.key_id)
        problem(await client.get("/v1/shops"), "key-missing")

    async def test_a_key_is_given_as_bearer_or_in_its_own_header_and_nowhere_else(self, client: httpx.AsyncClient, keys: KeyBook) -> None:
        token = str(keys.create("north"))
        assert (await client.get("/v1/shops", headers={"Authorization": f"bearer {token}"})).status_code == 200
        assert (await client.get("/v1/shops", headers={"X-API-Key": token})).status_code == 200
        problem(await client.get("/v1/shops", params={"key": token, "api_key": token}), "key-missing")
        problem(await client.get("/v1/shops", headers={"Authorization": f"Basic {token}"}), "key-missing")

    async def test_a_key_that_is_none_or_no_more(self, client: httpx.AsyncClient, keys: KeyBook) -> None:
        token, other = keys.create("north"), keys.create("north")
        wrong = ["nonsense", str(Token.new()), str(Token(token.key_id, other.secret)), f"{token}x", f"{token}é".encode()]
        for given in wrong:
            problem(await client.get("/v1/shops", headers={"X-API-Key": given}), "key-refused")
        assert keys.revoke(token.key_id)
        problem(await client.get("/v1/shops", headers={"X-API-Key": str(token)}), "key-refused")
        assert (await client.get("/v1/shops", headers={"X-API-Key": str(other)})).status_code == 200

    async def test_a_key_ends_on_its_day(self, client: httpx.AsyncClient, keys: KeyBook) -> None:
        headers = {"X-API-Key": str(keys.create("north", expires_ms=now_ms() + 3_600_000))}
        assert (await client.get("/v1/shops", headers=headers)).status_code == 200
        with time_machine.travel(now_ms() / 1000 + 3_601):
            problem(await client.get("/v1/shops", headers=headers), "key-refused")

    async def test_what_a_key_may_not_do_is_named(self, client: httpx.AsyncClient, key: MakeKey, shop: Document) -> None:
        reader = key("north", "read")
        assert (await client.get("/v1/shops", headers=reader)).status_code == 200
        assert "'shop'" in problem(await client.put("/v1/shops/main", json=shop, headers=reader), "scope-missing")["detail"]
        problem(await client.get("/metrics", headers=key("north", "read", "plan", "shop")), "scope-missing")
        problem(await client.get("/v1/shops", headers=key("north", "admin")), "scope-missing")

    async def test_only_a_hash_is_stored_and_the_log_names_the_key_by_its_id(
        self, client: httpx.AsyncClient, keys: KeyBook, caplog: pytest.LogCaptureFixture,
    ) -> None:
        token = keys.create("north", "sheet")
        with caplog.at_level(logging.DEBUG):
            await client.get("/v1/shops", headers={"X-API-Key": str(token)})
        (row,) = keys.all()
        assert token.secret not in "".join(str(value) for value in vars(row).values())
        assert token.secret not in caplog.text + repr(token)
        assert (row.name, row.tenant, row.used_ms is not None) == ("sheet", "north", True)

    async def test_use_is_noted_now_and_then_not_at_each_call(self, client: httpx.AsyncClient, keys: KeyBook) -> None:
        headers = {"X-API-Key": str(keys.create("north"))}
        with time_machine.travel(1_800_000_000, tick=False) as clock:
            await client.get("/v1/shops", headers=headers)
            clock.shift(60)
            await client.get("/v1/shops", headers=headers)
            assert keys.all()[0].used_ms == 1_800_000_000_000
            clock.shift(3_600)
            await client.get("/v1/shops", headers=headers)
            assert keys.all()[0].used_ms == 1_800_003_660_000


class TestTenants:
    async def test_another_tenant_s_shop_does_not_exist(self, client: httpx.AsyncClient, key: MakeKey, shop: Document) -> None:
        north, south = key("north"), key("south")
        assert (await client.put("/v1/shops/main", json=shop, headers=north)).status_code == 201
        problem(await client.get("/v1/shops/main", headers=south), "unknown-shop")
        assert (await client.get("/v1/shops", headers=south)).json()["items"] == []
        assert (await client.put("/v1/shops/main", json={"timezone": "UTC"}, headers=south)).status_code == 201
        assert (await client.get("/v1/shops/main", headers=north)).json() == shop

    async def test_two_keys_of_one_tenant_see_the_same(self, client: httpx.AsyncClient, key: MakeKey, shop: Document) -> None:
        assert (await client.put("/v1/shops/main", json=shop, headers=key("north"))).status_code == 201
        assert (await client.get("/v1/shops/main", headers=key("north"))).json() == shop


UNDESCRIBED = {"/docs", "/docs/erp-exchange", "/openapi.json"}
SIGN_IN = {"/v1/sign-in", "/v1/sign-out"}
PUBLIC = {"/v1/health/live", "/v1/health/ready", "/v1/problems", "/v1/problems/{name}", *SIGN_IN, *UNDESCRIBED}
"""Addresses that tell nothing of anybody."""
FORMS = {("POST", "/v1/plans/{plan_id}/board/rush-order")}
"""Calls that pages alone make."""
OURS = {"Sec-Fetch-Site": "same-origin"}
BY_KEY = [{"bearer"}, {"header"}]


def table_of_routes(app: FastAPI) -> set[tuple[str, str]]:
    """Method and path of every route, described or not, as the framework has them."""
    return {
        (method, str(context.path).replace(":path}", "}"))
        for context in iter_route_contexts(app.routes) for method in context.methods or () if method != "HEAD"
    }


async def test_every_call_needs_a_key_but_those_that_tell_nothing(app: FastAPI, client: httpx.AsyncClient, key: MakeKey) -> None:
    key()
    routes = table_of_routes(app)
    described = {(method.upper(), path) for path, calls in app.openapi()["paths"].items() for method in calls}
    assert described <= routes
    assert {path for _, path in routes - described} == UNDESCRIBED
    for method, path in sorted(routes):
        answer = await client.request(method, path.replace("{table}", "plates").replace("{", "").replace("}", ""))
        if path in PUBLIC:
            assert answer.status_code in ((403,) if method == "POST" else (200, 404, 503)), path
        else:
            # Without a key it matters first whether the form is one of our own pages'.
            problem(answer, "foreign-form" if (method, path) in FORMS else "key-missing")
            problem(await client.request(method, str(answer.url.path), headers=OURS), "key-missing")
            security = [set(one) for one in app.openapi()["paths"][path][method.lower()]["security"]]
            assert security in (BY_KEY, [*BY_KEY, {"session"}], [*BY_KEY, {"link"}, {"session"}]), path
            assert {"session"} not in security or method == "GET" or (method, path) in FORMS, "a session changes nothing but by our forms"


NOBODY_S = {
    "/v1/plans", "/v1/shops", "/v1/webhooks", "/v1/links", "/v1/plate-checks", "/v1/board", "/v1/questions",
    "/v1/workbook-template", "/metrics", *PUBLIC,
}
"""Addresses without the id of something that is stored."""


async def test_every_address_with_an_id_is_unknown_to_another_tenant(
    app: FastAPI, client: httpx.AsyncClient, worker: HandWorker, key: MakeKey, shop: Document, request_document: Document,
) -> None:
    """Walks the table of routes, so that a new one cannot be forgotten: as its owner it is there, as somebody else it is 404."""
    north, south = key("north"), key("south")
    assert (await client.put("/v1/shops/main", json=shop, headers=north)).status_code == 201
    del request_document["shop"]
    planned = await client.post("/v1/shops/main/plans", json=request_document, headers=north | {"Prefer": "respond-async"})
    hook = await client.post("/v1/webhooks", json={"url": "https://hooks.example/"}, headers=north)
    plan_id, hook_id = planned.json()["id"], hook.json()["id"]
    worker.solve(plan_id)
    asked = {"without": {"kind": "drop_order", "order": "A-1042"}, "heavier": {"kind": "change_order", "order": "A-1042", "weight": 2}}
    sweep = {"what_ifs": [{"name": name, "changes": [change]} for name, change in asked.items()]}
    swept = await client.post(f"/v1/plans/{plan_id}/what-if-sweeps", json=sweep, headers=north | {"Prefer": "respond-async"})
    assert swept.status_code == 202, swept.text
    with app.state.parts.store.writing() as session:
        app.state.parts.outbox.plan_ended(session, plan_id, "ready")
    message = (await client.get(f"/v1/webhooks/{hook_id}/deliveries", headers=north)).json()["items"][0]["id"]
    ids = {
        "{shop_id}": "main", "{plan_id}": plan_id, "{other_id}": plan_id, "{hook_id}": hook_id, "{delivery_id}": message,
        "{table}": "plates", "{row}": "P1", "{question_id}": swept.json()["id"],
    }
    body = {"rows": [shop["plates"][0]], "url": "https://hooks.example/", **request_document}
    walked = 0
    for method, path in sorted(table_of_routes(app)):
        if path in NOBODY_S or (method, path) == ("PUT", "/v1/shops/{shop_id}"):
            continue
        address = path
        for name, value in ids.items():
            address = address.replace(name, value)
        assert "{" not in address, f"say in `ids` what stands for {path}"
        sent = shop["plates"][0] if path.endswith("{row}") else {"url": body["url"]} if path == "/v1/webhooks/{hook_id}" else None
        sent = {"rows": body["rows"]} if path.endswith("{table}") else request_document if path.endswith("/plans") else sent
        sent = {"changes": [{"kind": "drop_order", "order": "A-1042"}]} if path.endswith("/what-ifs") else sent
        sent = {} if path.endswith(("-sweeps", "/rush-orders", "/promises")) else sent
        sent = {"now": request_document["now"]} if path.endswith("/replans") else sent
        query = {"against": plan_id} if path.endswith("/differences") else {}
        form, sent = ({"id": "rush"}, None) if (method, path) in FORMS else (None, sent)
        answer = await client.request(method, address, params=query, headers=south | {"If-Match": "*"}, json=sent, data=form)
        assert answer.status_code == 404, (method, path, answer.text)
        walked += 1
    assert walked >= 20
    for address in (f"/v1/plans/{plan_id}", "/v1/shops/main/plates/P1", f"/v1/webhooks/{hook_id}"):
        assert (await client.get(address, headers=north)).status_code == 200
    for address in ("/v1/plans", "/v1/shops", "/v1/webhooks"):
        assert (await client.get(address, headers=south)).json()["items"] == []
    assert plan_id in (await client.get("/v1/board", headers=north)).text
    assert plan_id not in (await client.get("/v1/board", headers=south)).text


@pytest.fixture
def settings(settings: ServiceSettings) -> ServiceSettings:
    """With room for the plans of a question."""
    return settings.model_copy(update={"queue_limit": 10})


class TestRates:
    @pytest.fixture
    def settings(self, settings: ServiceSettings) -> ServiceSettings:
        return settings.model_copy(update={"rate_limit": "3/minute"})

    async def test_past_its_limit_a_key_is_told_when_to_come_again(self, client: httpx.AsyncClient, key: MakeKey) -> None:
        first, second = key(), key()
        for _ in range(3):
            assert (await client.get("/v1/shops", headers=first)).status_code == 200
        answer = await client.get("/v1/shops", headers=first)
        problem(answer, "too-many-calls")
        assert 1 <= int(answer.headers["retry-after"]) <= 60
        assert (await client.get("/v1/shops", headers=second)).status_code == 200
        assert (await client.get("/v1/health/live", headers=first)).status_code == 200

    async def test_this_computer_itself_is_not_counted_without_a_key(self, client: httpx.AsyncClient) -> None:
        for _ in range(5):
            assert (await client.get("/v1/shops")).status_code == 200

    async def test_whoever_tries_keys_is_not_listened_to_for_a_while(self, client: httpx.AsyncClient, key: MakeKey) -> None:
        good = key()
        for _ in range(30):
            problem(await client.get("/v1/shops", headers={"X-API-Key": str(Token.new())}), "key-refused")
        problem(await client.get("/v1/shops", headers=good), "too-many-calls")


class TestCors:
    @pytest.fixture
    async def browser(self, settings: ServiceSettings, app: FastAPI) -> Any:
        known = settings.model_copy(update={"cors_origins": ("https://sheet.example",)})
        transport = httpx.ASGITransport(app=create_app(known, app.state.parts.engine))
        async with httpx.AsyncClient(transport=transport, base_url="http://service.test") as client:
            yield client

    async def test_no_other_origin_is_let_in_unless_it_is_named(self, client: httpx.AsyncClient, browser: httpx.AsyncClient) -> None:
        for one, origin in ((client, "https://sheet.example"), (browser, "https://other.example")):
            assert "access-control-allow-origin" not in (await one.get("/v1/shops", headers={"Origin": origin})).headers

    async def test_a_named_origin_may_read_what_it_needs(self, browser: httpx.AsyncClient) -> None:
        asked = {"Access-Control-Request-Method": "POST", "Access-Control-Request-Headers": "x-api-key,prefer"}
        assert (await browser.options("/v1/plans", headers={"Origin": "https://sheet.example", **asked})).status_code == 200
        answer = await browser.get("/v1/shops", headers={"Origin": "https://sheet.example"})
        assert answer.headers["access-control-allow-origin"] == "https://sheet.example"
        exposed = {name.strip() for name in answer.headers["access-control-expose-headers"].split(",")}
        assert {"Location", "ETag", "Retry-After", "Preference-Applied", "Content-Disposition", "Platerota-Faults"} <= exposed


class TestSignature:
    def test_a_link_holds_for_its_address_its_key_and_its_time_alone(self) -> None:
        token = Token.new()
        link = sign("/v1/plans/7", "format=ics&lang=pt", token.key_id, token.hash, 2_000)
        path, query = link.split("?")
        read = read_link(path, query)
        assert read is not None
        assert read.valid(token.hash, 1_999)
        assert not read.valid(token.hash, 2_000)
        assert not read.valid(Token.new().hash, 1_999)
        for other_path, other_query in (
            ("/v1/plans/8", query), (path, query.replace("ics", "xlsx")), (path, query.replace("2000", "9000")), (path, query + "&a=1"),
        ):
            changed = read_link(other_path, other_query)
            assert changed is not None
            assert not changed.valid(token.hash, 1_999)

    @pytest.mark.parametrize(
        "query", ["", "format=ics", "signature=", "signature=a&expires=x&key=b", "signature=a&signature=b&expires=1&key=c"],
    )
    def test_what_is_no_link(self, query: str) -> None:
        link = read_link("/v1/plans/7", query)
        assert link is None or not link.valid(Token.new().hash, 0)


class TestLinks:
    async def test_what_no_link_can_lead_to(self, client: httpx.AsyncClient) -> None:
        plan = "/v1/plans/a"
        for path in ("/v1/shops", f"{plan}/stop", plan[1:], f"/{plan}", f"{plan}#x", f"{plan}?key=1", "/docs", f"{plan} b", f"{plan}é"):
            body = problem(await client.post("/v1/links", json={"path": path}), "faults-in-request")
            assert [(error["pointer"], error["code"]) for error in body["errors"]] == [("/path", "not-linkable")], path
        errors = problem(await client.post("/v1/links", json={"path": 1, "hours": 0, "days": 3}), "faults-in-request")["errors"]
        assert {error["pointer"] for error in errors} == {"/path", "/hours", "/days"}

    async def test_where_no_keys_exist_an_address_needs_no_signature(self, client: httpx.AsyncClient) -> None:
        answer = await client.post("/v1/links", json={"path": "/v1/plans/a"})
        assert answer.json() == {"href": "/v1/plans/a", "expires": None}

    async def test_a_link_leads_to_its_plan_until_it_ends_or_its_key_does(
        self, client: httpx.AsyncClient, keys: KeyBook, request_document: Document,
    ) -> None:
        token = keys.create("north")
        headers = {"X-API-Key": str(token)}
        made = await client.post("/v1/plans", json=request_document, headers=headers | {"Prefer": "respond-async"})
        path = made.headers["location"]
        href = (await client.post("/v1/links", json={"path": f"{path}?lang=pt", "hours": 2}, headers=headers)).json()["href"]
        assert token.secret not in href
        assert (await client.get(href)).json()["id"] == made.json()["id"]
        assert (await client.head(href)).status_code == 200
        problem(await client.get(href.replace("lang=pt", "lang=de")), "key-refused")
        problem(await client.delete(href), "key-missing")
        problem(await client.get(href.replace(path, f"{path}/events")), "key-missing")
        with time_machine.travel(now_ms() / 1000 + 7_201):
            problem(await client.get(href), "key-refused")
        keys.revoke(token.key_id)
        problem(await client.get(href), "key-refused")

    async def test_a_link_sees_what_its_tenant_sees(
        self, client: httpx.AsyncClient, key: MakeKey, request_document: Document,
    ) -> None:
        made = await client.post("/v1/plans", json=request_document, headers=key("north") | {"Prefer": "respond-async"})
        link = await client.post("/v1/links", json={"path": made.headers["location"]}, headers=key("south"))
        problem(await client.get(link.json()["href"]), "unknown-plan")
