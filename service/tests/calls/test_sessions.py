"""Browsers: a key is given once and a cookie stands for it; pages link to what opens; forms of other pages are refused."""

import re
from collections.abc import Callable
from typing import Any

import httpx
import pytest
import time_machine
from fastapi import FastAPI

from platerota_service.access.keys import SCOPES, KeyBook, Scope
from platerota_service.access.sessions import COOKIE, LIFE_SECONDS, Session
from platerota_service.access.tokens import Token
from platerota_service.settings import ServiceSettings
from platerota_service.store import now_ms

from ..conftest import PNG_OPENS  # noqa: TID252 - it serves the tests of both folders
from .conftest import HandWorker

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
BROWSER = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
OURS = {"Origin": "http://service.test", "Sec-Fetch-Site": "same-origin"}
THEIRS: list[dict[str, str]] = [
    {}, {"Origin": "https://elsewhere.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "none"},
    {"Sec-Fetch-Site": "same-site", "Origin": "http://service.test"}, {"Origin": "http://service.test.elsewhere.example"},
]


@pytest.fixture
def settings(settings: ServiceSettings) -> ServiceSettings:
    """With room for the plans of a question."""
    return settings.model_copy(update={"queue_limit": 10})


@pytest.fixture
def keys(app: FastAPI) -> KeyBook:
    return KeyBook(app.state.parts.store)


SignIn = Callable[..., Any]


@pytest.fixture
def sign_in(client: httpx.AsyncClient, keys: KeyBook) -> SignIn:
    """Sign in with a new key of these scopes; the key, and the cookie, which the client keeps."""

    async def sign_in(*scopes: Scope, tenant: str = "north") -> Token:
        token = keys.create(tenant, scopes=scopes or tuple(SCOPES))
        answer = await client.post("/v1/sign-in", data={"key": str(token), "next": "/v1/board"}, headers=OURS)
        assert (answer.status_code, answer.headers["location"]) == (303, "/v1/board"), answer.text
        return token

    return sign_in


async def ready(client: httpx.AsyncClient, worker: HandWorker, document: Document, token: Token) -> str:
    """A plan of the key's tenant."""
    made = await client.post("/v1/plans", json=document, headers={"X-API-Key": str(token), "Prefer": "respond-async"})
    plan_id = str(made.json()["id"])
    worker.solve(plan_id)
    return plan_id


def kind(answer: httpx.Response) -> str:
    return str(answer.json()["type"]).rsplit("/", 1)[1]


def links(answer: httpx.Response) -> set[str]:
    return {href.replace("&amp;", "&") for href in re.findall(r'href="([^"#]*)[^"]*"', answer.text) if href}


class TestSigningIn:
    async def test_the_cookie_opens_pages_and_no_script_or_other_site_gets_it(
        self, client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document,
    ) -> None:
        token = await sign_in()
        plan_id = await ready(client, worker, request_document, token)
        for path in ("/board", "/board/rush-order", "/load-sheets", "/gantt.svg", "?format=xlsx", "/load-windows.ics", "/events"):
            assert (await client.get(f"/v1/plans/{plan_id}{path}")).status_code == 200, path
        again = await client.post("/v1/sign-in", data={"key": str(token)}, headers=OURS)
        cookie = again.headers["set-cookie"]
        assert {"HttpOnly", "Path=/", "SameSite=lax", f"Max-Age={LIFE_SECONDS}"} <= set(cookie.split("; "))
        assert "Secure" not in cookie
        assert token.secret not in cookie

    async def test_over_tls_the_cookie_goes_over_tls_alone(self, app: FastAPI, keys: KeyBook) -> None:
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport, base_url="https://service.test") as client:
            headers = {"Origin": "https://service.test"}
            answer = await client.post("/v1/sign-in", data={"key": str(keys.create("north"))}, headers=headers)
        assert "; Secure" in answer.headers["set-cookie"]

    @pytest.mark.parametrize("given", ["", "nonsense", "new", "revoked", "no-read"])
    async def test_what_is_wrong_with_a_key_is_said_and_no_cookie_given(
        self, client: httpx.AsyncClient, keys: KeyBook, given: str,
    ) -> None:
        revoked, planner = keys.create("north"), keys.create("north", scopes=("admin",))
        keys.revoke(revoked.key_id)
        text = {"new": str(Token.new()), "revoked": str(revoked), "no-read": str(planner)}.get(given, given)
        answer = await client.post("/v1/sign-in", data={"key": text, "next": "/v1/plans/a/board?day=2027-03-01"}, headers=OURS | BROWSER)
        assert answer.status_code == 401
        assert "set-cookie" not in answer.headers
        assert ("lacks the scope" if given == "no-read" else "not one that is valid now") in answer.text
        assert 'value="/v1/plans/a/board?day=2027-03-01"' in answer.text
        assert not text or text not in answer.text

    @pytest.mark.parametrize(
        "following", ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere", "javascript:x", "/v1/a\nb", ""],
    )
    async def test_signing_in_leads_to_no_other_site(self, client: httpx.AsyncClient, keys: KeyBook, following: str) -> None:
        answer = await client.post("/v1/sign-in", data={"key": str(keys.create("north")), "next": following}, headers=OURS)
        assert answer.headers["location"] == "/v1/board"
        page = await client.get("/v1/sign-in", params={"next": following})
        assert 'value="/v1/board"' in page.text

    @pytest.mark.parametrize("headers", THEIRS)
    async def test_a_form_of_another_page_signs_nobody_in_or_out(
        self, client: httpx.AsyncClient, keys: KeyBook, headers: dict[str, str],
    ) -> None:
        for path in ("/v1/sign-in", "/v1/sign-out"):
            answer = await client.post(path, data={"key": str(keys.create("north"))}, headers=headers)
            assert (answer.status_code, kind(answer)) == (403, "foreign-form")
            assert "set-cookie" not in answer.headers

    async def test_an_own_form_is_one_by_its_origin_where_the_browser_says_no_more(self, client: httpx.AsyncClient, keys: KeyBook) -> None:
        headers = {"Origin": "http://service.test"}
        assert (await client.post("/v1/sign-in", data={"key": str(keys.create("north"))}, headers=headers)).status_code == 303

    async def test_only_forms_are_read(self, client: httpx.AsyncClient) -> None:
        assert kind(await client.post("/v1/sign-in", json={"key": "a"}, headers=OURS)) == "no-form"
        assert kind(await client.post("/v1/sign-in", data={"key": "a" * 9_000}, headers=OURS)) == "too-large"
        for body in (b"key=\xff", b"key=%ff", b"&".join(b"a=1" for _ in range(60))):
            headers = OURS | {"Content-Type": "application/x-www-form-urlencoded"}
            assert kind(await client.post("/v1/sign-in", content=body, headers=headers)) == "unreadable", body

    async def test_without_keys_on_this_computer_nobody_is_asked(self, client: httpx.AsyncClient) -> None:
        page = await client.get("/v1/sign-in")
        assert "no key is needed" in page.text
        assert "password" not in page.text


class TestEnding:
    async def test_a_session_ends_with_its_time_its_key_and_by_signing_out(
        self, client: httpx.AsyncClient, keys: KeyBook, sign_in: SignIn,
    ) -> None:
        token = await sign_in()
        assert (await client.get("/v1/board")).status_code == 200
        with time_machine.travel(now_ms() / 1000 + LIFE_SECONDS + 1):
            assert kind(await client.get("/v1/board")) == "key-missing"
        assert (await client.post("/v1/sign-out", headers=OURS)).headers["location"] == "/v1/sign-in"
        assert kind(await client.get("/v1/board")) == "key-missing"
        token = await sign_in()
        keys.revoke(token.key_id)
        assert kind(await client.get("/v1/board")) == "key-missing"

    async def test_a_cookie_that_was_changed_opens_nothing(self, client: httpx.AsyncClient, keys: KeyBook, sign_in: SignIn) -> None:
        token, other = await sign_in(), keys.create("south")
        session = Session.read(client.cookies[COOKIE])
        assert session is not None
        later = Session(session.key_id, session.expires + 1, session.signature)
        theirs = Session(other.key_id, session.expires, session.signature)
        link = await client.post("/v1/links", json={"path": "/v1/board"}, headers={"X-API-Key": str(token)})
        signed = str(link.json()["href"]).rpartition("signature=")[2]
        unsigned, linked = f"{session.key_id}.{session.expires}.", f"{token.key_id}.{session.expires}.{signed}"
        for text in (str(later), str(theirs), str(session)[:-1], unsigned, linked, "..", ""):
            client.cookies.set(COOKIE, text)
            assert kind(await client.get("/v1/board", headers={"Cookie": f"{COOKIE}={text}"})) == "key-missing", text


class TestReach:
    async def test_no_call_of_programs_takes_a_session(
        self, client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document,
    ) -> None:
        """What a page of another site makes a browser send carries the cookie at most; it must do nothing."""
        plan_id = await ready(client, worker, request_document, await sign_in())
        for method, path in (
            ("POST", "/v1/plans"), ("DELETE", f"/v1/plans/{plan_id}"), ("POST", f"/v1/plans/{plan_id}/what-ifs"),
            ("PUT", f"/v1/plans/{plan_id}/release"), ("POST", "/v1/links"), ("GET", "/v1/webhooks"), ("GET", "/metrics"),
            ("PUT", "/v1/shops/main"),
        ):
            assert kind(await client.request(method, path, headers=OURS)) == "key-missing", path

    async def test_another_tenant_s_plan_does_not_exist(
        self, client: httpx.AsyncClient, keys: KeyBook, worker: HandWorker, sign_in: SignIn, request_document: Document,
    ) -> None:
        plan_id = await ready(client, worker, request_document, keys.create("south"))
        await sign_in()
        assert kind(await client.get(f"/v1/plans/{plan_id}/board")) == "unknown-plan"
        assert plan_id not in (await client.get("/v1/board")).text

    async def test_every_link_of_a_page_opens(
        self, client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document,
    ) -> None:
        """By a session, by a session that may not plan, and by a signed link, which leads on to parts of its own page alone."""
        token = await sign_in()
        plan_id = await ready(client, worker, request_document, token)
        asked = await self.what_if(client, plan_id, token)
        worker.solve(asked)
        board = f"/v1/plans/{asked}/board"
        pages = [board, f"/v1/plans/{plan_id}/board/against/{asked}", f"/v1/plans/{asked}/load-sheets", "/v1/board?limit=1"]
        found = await self.walk(client, pages)
        assert {
            f"/v1/plans/{plan_id}/board/against/{asked}", f"/v1/plans/{plan_id}/board", f"{board}/rush-order", f"{board}/promise",
            f"{board}/levers", "/v1/board",
        } <= found
        await sign_in("read")
        reader = await self.walk(client, pages)
        assert reader == {one for one in found if not one.endswith(("/board/rush-order", "/board/promise", "/board/levers"))}
        client.cookies.clear()
        shared = [
            (await client.post("/v1/links", json={"path": page}, headers={"X-API-Key": str(token)})).json()["href"] for page in pages
        ]
        by_link = await self.walk(client, shared)
        assert {href.split("?")[0] for href in by_link} == {board, "/v1/board"}
        assert all("signature=" in href for href in by_link)
        assert any("day=2027-03-01" in href for href in by_link)
        assert 'data-events="/v1' not in (await client.get(shared[0])).text
        narrow = {href for href in by_link if "day=2027-03-01" in href and "shift" not in href}.pop()
        for href in await self.walk(client, [narrow]):
            assert "day=2027-03-01" in href, "a link to a day leads to the whole plan"

    @staticmethod
    async def walk(client: httpx.AsyncClient, pages: list[str]) -> set[str]:
        """Every address to which the pages link; each opens."""
        found: set[str] = set()
        for page in pages:
            answer = await client.get(page)
            assert answer.status_code == 200, answer.text
            for href in links(answer):
                address = str(answer.url.join(href).raw_path, "ascii")
                assert (await client.get(address)).status_code == (PNG_OPENS if address.endswith(".png") else 200), (page, address)
                found.add(address)
        return found

    @staticmethod
    async def what_if(client: httpx.AsyncClient, plan_id: str, token: Token | None = None) -> str:
        """Ask for a what-if; its id."""
        body = {"changes": [{"kind": "change_order", "order": "A-1042", "weight": 2}]}
        headers = {"Prefer": "respond-async"} | ({"X-API-Key": str(token)} if token is not None else {})
        answer = await client.post(f"/v1/plans/{plan_id}/what-ifs", json=body, headers=headers)
        assert answer.status_code == 202, answer.text
        return str(answer.json()["id"])


class TestProblemPages:
    async def test_a_browser_is_asked_for_the_key_where_it_wanted_to_go(self, client: httpx.AsyncClient, keys: KeyBook) -> None:
        keys.create("north")
        headers = BROWSER | {"X-Forwarded-For": "203.0.113.7"}
        answer = await client.get("/v1/plans/a/board?day=2027-03-01&shift=06:00-14:30", headers=headers)
        assert (answer.status_code, answer.headers["content-type"]) == (401, "text/html; charset=utf-8")
        assert 'name="next" value="/v1/plans/a/board?day=2027-03-01&amp;shift=06:00-14:30"' in answer.text
        assert "Accept" in answer.headers["vary"]

    async def test_a_browser_reads_a_problem_in_words_and_a_program_as_json(self, client: httpx.AsyncClient) -> None:
        for path, status, words in (
            ("/v1/plans/nothing/board", 404, "No such plan"), ("/v1/nowhere", 404, "Nothing is there"),
            ("/v1/plans/nothing/board?day=" + "2" * 41, 422, "The request has faults"),
        ):
            page = await client.get(path, headers=BROWSER)
            assert (page.status_code, page.headers["content-type"]) == (status, "text/html; charset=utf-8")
            assert f"<h1>{words}</h1>" in page.text
            assert page.headers["content-security-policy"].startswith("default-src 'none'")
            assert (await client.get(path)).headers["content-type"] == "application/problem+json"

    async def test_a_call_that_no_session_opens_asks_for_none(self, client: httpx.AsyncClient) -> None:
        answer = await client.get("/metrics", headers=BROWSER | {"X-Forwarded-For": "203.0.113.7"})
        assert answer.status_code == 401
        assert "No key was given" in answer.text
        assert "password" not in answer.text


class TestSeenAlready:
    async def test_what_a_caller_has_seen_is_not_sent_again_until_it_changes(
        self, client: httpx.AsyncClient, worker: HandWorker, request_document: Document,
    ) -> None:
        made = await client.post("/v1/plans", json=request_document, headers={"Prefer": "respond-async"})
        plan_id = made.json()["id"]
        worker.take(plan_id)
        worker.improve(plan_id, 3.0)
        paths = ("board", "load-sheets", "machine-sheets", "gantt.svg", "load.svg", "load-windows.ics", f"board/against/{plan_id}")
        addresses = [f"/v1/plans/{plan_id}/{path}" for path in paths]
        addresses += [f"/v1/plans/{plan_id}?format={kind}" for kind in ("xlsx", "csv", "zip")]
        seen: dict[str, str] = {}
        for address in addresses:
            answer = await client.get(address)
            seen[address] = answer.headers["etag"]
            again = await client.get(address, headers={"If-None-Match": seen[address]})
            assert (answer.status_code, again.status_code, again.content, again.headers["etag"]) == (200, 304, b"", seen[address]), address
            # Its headers replace those of the page the browser has: another policy would forbid the page its styles and its script.
            assert "content-security-policy" not in again.headers, address
            assert "no-cache" in answer.headers["cache-control"]
        worker.improve(plan_id, 2.0)
        for address, tag in seen.items():
            answer = await client.get(address, headers={"If-None-Match": tag})
            assert (answer.status_code, answer.headers["etag"] != tag) == (200, True), address

    async def test_a_page_for_one_way_in_is_not_taken_for_that_of_another(
        self, client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document,
    ) -> None:
        token = await sign_in()
        plan_id = await ready(client, worker, request_document, token)
        board = f"/v1/plans/{plan_id}/board"
        tags = {(await client.get(board)).headers["etag"], (await client.get(board, headers={"X-API-Key": str(token)})).headers["etag"]}
        await sign_in("read")
        tags.add((await client.get(board)).headers["etag"])
        assert len(tags) == 3

    async def test_a_comparison_loses_its_link_when_the_base_goes(
        self, client: httpx.AsyncClient, worker: HandWorker, request_document: Document,
    ) -> None:
        made = await client.post("/v1/plans", json=request_document, headers={"Prefer": "respond-async"})
        base = made.json()["id"]
        worker.solve(base)
        asked = await TestReach.what_if(client, base)
        worker.solve(asked)
        first = await client.get(f"/v1/plans/{asked}/board")
        assert f"/v1/plans/{base}/board/against/{asked}" in first.text
        assert (await client.delete(f"/v1/plans/{base}")).status_code == 204
        later = await client.get(f"/v1/plans/{asked}/board", headers={"If-None-Match": first.headers["etag"]})
        assert later.status_code == 200
        assert base not in later.text
