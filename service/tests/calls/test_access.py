"""Keys, scopes and tenants: whoever may not is told why, and sees nothing of another tenant."""

import asyncio
import copy
import io
import json
import logging
from collections.abc import Callable
from typing import Any

import httpx
import pytest
import time_machine
from fastapi import FastAPI

from platerota_service.access.headers import POLICY, SAFE_HEADERS
from platerota_service.access.keys import SCOPES, KeyBook, Scope
from platerota_service.access.links import read_link, sign
from platerota_service.access.tokens import Token
from platerota_service.problems import PROBLEM_JSON
from platerota_service.settings import ServiceSettings
from platerota_service.store import now_ms
from platerota_service.watch.logs import start_logging

from ..conftest import AppOver  # noqa: TID252 - it serves the tests of both folders
from .conftest import problem

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
MakeKey = Callable[..., dict[str, str]]


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

    def test_what_is_secret_is_taken_out_of_whatever_is_logged(self) -> None:
        token, stream = Token.new(), io.StringIO()
        start_logging(stream=stream)
        try:
            raise ValueError(f"/v1/plans/{token}?signature={'a' * 64}&x=1")
        except ValueError:
            logging.getLogger("test").exception("%s whsec_%s postgresql://u:%s@db", token, "A" * 44, "hunter2")
        finally:
            logging.basicConfig(handlers=[], force=True)
        line = json.loads(stream.getvalue())
        assert token.key_id in line["event"]
        assert "&x=1" in line["exception"]
        assert not [secret for secret in (token.secret, "a" * 64, "A" * 44, "hunter2") if secret in stream.getvalue()]

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


class TestRates:
    @pytest.fixture
    def settings(self, settings: ServiceSettings) -> ServiceSettings:
        return settings.model_copy(update={"rate_limit": "3/minute"})

    async def test_past_its_limit_a_key_is_told_when_to_come_again(self, client: httpx.AsyncClient, key: MakeKey) -> None:
        first, second = key(), key()
        for _ in range(1 + 3):  # until it is let in, a key is counted by its address
            assert (await client.get("/v1/shops", headers=first)).status_code == 200
        answer = await client.get("/v1/shops", headers=first)
        problem(answer, "too-many-calls")
        assert 1 <= int(answer.headers["retry-after"]) <= 60
        assert (await client.get("/v1/shops", headers=second)).status_code == 200
        assert (await client.get("/v1/health/live", headers=first)).status_code == 200

    async def test_this_computer_itself_is_not_counted_without_a_key(self, client: httpx.AsyncClient) -> None:
        for _ in range(5):
            assert (await client.get("/v1/shops")).status_code == 200

    async def test_whoever_tries_keys_is_not_listened_to_for_a_while_and_shuts_nobody_out(
        self, client: httpx.AsyncClient, keys: KeyBook, key: MakeKey,
    ) -> None:
        """All of them have one address, as they do behind a proxy."""
        token = keys.create("north", scopes=tuple(SCOPES))
        good, revoked = key(), {"Authorization": f"Bearer {token}"}
        for known in (good, revoked):
            assert (await client.get("/v1/shops", headers=known)).status_code == 200
        problem(await client.get("/v1/shops", headers={"X-API-Key": str(Token.new())}), "key-refused")
        for _ in range(5):
            problem(await client.get("/v1/shops", headers={"X-API-Key": str(Token.new())}), "too-many-calls")
        assert (await client.get("/v1/shops", headers=good)).status_code == 200
        problem(await client.get("/v1/shops", headers=key()), "too-many-calls")  # nobody knows yet that it is a good one
        keys.revoke(token.key_id)
        problem(await client.get("/v1/shops", headers=revoked), "key-refused")
        problem(await client.get("/v1/shops", headers=revoked), "too-many-calls")


    async def test_an_open_call_lets_no_key_in_and_forgets_none(self, client: httpx.AsyncClient, key: MakeKey) -> None:
        known, made_up = key(), {"X-API-Key": str(Token.new())}
        assert (await client.get("/v1/shops", headers=known)).status_code == 200
        assert (await client.get("/v1/problems", headers=known)).status_code == 200
        for _ in range(2):
            assert (await client.get("/v1/problems", headers=made_up)).status_code == 200
        problem(await client.get("/v1/problems", headers=made_up), "too-many-calls")
        assert (await client.get("/v1/shops", headers=known)).status_code == 200

    async def test_keys_that_are_tried_in_the_form_are_counted_too(self, client: httpx.AsyncClient, key: MakeKey) -> None:
        good, form = key()["Authorization"].removeprefix("Bearer "), {"Origin": "http://service.test", "X-Forwarded-For": "203.0.113.7"}
        for _ in range(3):
            problem(await client.post("/v1/sign-in", data={"key": str(Token.new())}, headers=form), "key-refused")
        problem(await client.post("/v1/sign-in", data={"key": good}, headers=form), "too-many-calls")


class TestCors:
    @pytest.fixture
    def open_app(self, app: FastAPI, app_over: AppOver) -> FastAPI:
        """The service with one origin allowed, and addresses for what goes wrong outside of its routes."""
        opened = app_over(app.state.parts.engine, cors_origins=("https://sheet.example",))

        async def broken() -> None:
            raise RuntimeError("the password is swordfish")

        async def cancelled() -> None:
            raise asyncio.CancelledError

        opened.add_api_route("/broken", broken)
        opened.add_api_route("/cancelled", cancelled)
        return opened

    @pytest.fixture
    async def browser(self, open_app: FastAPI) -> Any:
        transport = httpx.ASGITransport(app=open_app, raise_app_exceptions=False)
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

    @pytest.mark.parametrize("accept", ["application/json", "text/html"])
    @pytest.mark.parametrize(
        ("method", "path", "status"),
        [
            ("GET", "/v1/plans/nothing", 404), ("PATCH", "/v1/plans", 405), ("POST", "/v1/plans", 415), ("GET", "/v1/plans?limit=0", 422),
            ("GET", "/broken", 500), ("HEAD", "/broken", 500), ("GET", "/cancelled", 503),
        ],
    )
    async def test_a_named_origin_may_read_every_problem_and_nobody_else(
        self, browser: httpx.AsyncClient, method: str, path: str, status: int, accept: str,
    ) -> None:
        named, other = [
            await browser.request(method, path, headers={"Origin": origin, "Accept": accept})
            for origin in ("https://sheet.example", "https://other.example")
        ]
        assert (named.status_code, named.headers.get("access-control-allow-origin")) == (status, "https://sheet.example")
        assert named.headers["content-type"].startswith("text/html" if accept == "text/html" else PROBLEM_JSON)
        assert ("retry-after" in named.headers) == (status == 503)
        assert "Retry-After" in named.headers["access-control-expose-headers"]
        assert {name: named.headers[name] for name in SAFE_HEADERS if name != POLICY} == {
            name: value for name, value in SAFE_HEADERS.items() if name != POLICY
        }
        assert "swordfish" not in named.text
        assert (other.status_code, other.headers.get("access-control-allow-origin")) == (status, None)


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

    async def test_no_link_is_made_with_parameters_that_its_call_does_not_have(self, client: httpx.AsyncClient) -> None:
        for query, mends in (("operater=Ines&operator=Ines", ["did you mean 'operator'?"]), ("x&y=", ["leave it out; "] * 2)):
            body = problem(await client.post("/v1/links", json={"path": f"/v1/plans/a/load-windows.ics?{query}"}), "faults-in-request")
            assert {(error["pointer"], error["code"]) for error in body["errors"]} == {("/path", "unknown-parameter")}
            assert [error["mend"][: len(mend)] for error, mend in zip(body["errors"], mends, strict=True)] == mends
        assert (await client.post("/v1/links", json={"path": "/v1/plans/a/board?day=2027-03-01&shift=1"})).status_code == 200

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
        href = (await client.post("/v1/links", json={"path": f"{path}?format=json", "hours": 2}, headers=headers)).json()["href"]
        assert token.secret not in href
        assert (await client.get(href)).json()["id"] == made.json()["id"]
        assert (await client.head(href)).status_code == 200
        problem(await client.get(href.replace("format=json", "format=csv")), "key-refused")
        problem(await client.get(f"{href}&language=de"), "key-refused")
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
