"""Who may call what, for every route that the app has: a new route fails here until the table below says how it is called.

A route is walked four ways: without a key (401), with a key that lacks its scope (403), as another tenant with the owner's ids in
each place an id can stand (404, in the very words that an unknown id is answered), and as its owner, for whom it works.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import httpx
import pytest
import time_machine
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts

from platerota_service.access.callers import LINK_SCHEME
from platerota_service.access.keys import SCOPES, KeyBook, Scope
from platerota_service.access.links import sign
from platerota_service.access.tokens import Token
from platerota_service.answers import example
from platerota_service.settings import ServiceSettings
from platerota_service.store import now_ms

from ..conftest import PNG_OPENS  # noqa: TID252 - it serves the tests of both folders
from .conftest import HandWorker

pytestmark = pytest.mark.anyio

Ids = Mapping[str, str]
CHANGES: Final = {"changes": [{"kind": "drop_order", "order": "A-1042"}]}
PLATE: Final[Any] = example("request")["shop"]["plates"][0]
WEEK: Final[Any] = example("request")
REST: Final[Any] = {name: value for name, value in WEEK.items() if name != "shop"}
ASKED: Final = {"Prefer": "respond-async", "If-Match": "*"}


@dataclass(frozen=True)
class Call:
    """How a route is called: the scope it needs (None: it tells nothing of anybody, so no key), its query and body, in which
    `{plan_id}` and the like stand for ids, and what its owner is answered where that is not 2xx.

    `makes`: the address is the caller's own to take, so that another tenant is not answered 404 but as for any new one.
    `form`: sent instead of a body by a page of ours, with `headers` by which it is known.
    """

    scope: Scope | None
    body: Any = None
    query: Mapping[str, str] = field(default_factory=dict)
    owner: tuple[int, ...] = ()
    makes: bool = False
    form: Mapping[str, str] | None = None
    headers: Mapping[str, str] = field(default_factory=dict)


PLAN, SHOP, HOOK = "/v1/plans/{plan_id}", "/v1/shops/{shop_id}", "/v1/webhooks/{hook_id}"
QUESTION: Final = "/v1/questions/{question_id}"
SWEEP, RUSH, PROMISE, LEVERS = (example(f"{name}-request") for name in ("sweep", "rush", "promise", "levers"))
OUR_PAGE: Final = {"Sec-Fetch-Site": "same-origin"}
FORM: Final = {"id": "rush", "part": "bracket", "quantity": "4", "due": "2027-03-02T12:00"}
PROMISE_FORM: Final = {"part": "bracket", "quantity": "4", "certainty": "0.9"}
ROW: Final = f"{SHOP}/{{table}}/{{row}}"
CALLS: Final[Mapping[str, Call]] = {
    **{f"GET {path}": Call(None) for path in (
        "/docs", "/docs/cookbook", "/docs/erp-exchange", "/openapi.json", "/v1/health/live", "/v1/health/ready", "/v1/problems",
        "/v1/problems/{name}",
    )},
    "GET /metrics": Call("watch"),
    "GET /v1/board": Call("read"), "GET /v1/workbook-template": Call("read"),
    "POST /v1/links": Call("read", {"path": PLAN}), "POST /v1/plate-checks": Call("read", example("plate-check-request")),
    "GET /v1/plans": Call("read"), "POST /v1/plans": Call("plan", WEEK),
    **{f"GET {PLAN}{end}": Call("read") for end in (
        "", "/events", "/costs", "/operations-schedule", "/board", "/board/against/{other_id}", "/load-sheets", "/machine-sheets",
        "/gantt.svg", "/load.svg", "/load-windows.ics",
    )},
    # A machine without a font of the drawings says so.
    **{f"GET {PLAN}/{picture}.png": Call("read", owner=(501,)) for picture in ("gantt", "load")},
    f"GET {PLAN}/differences": Call("read", query={"against": "{other_id}"}),
    f"DELETE {PLAN}": Call("plan"), f"POST {PLAN}/stop": Call("plan", owner=(409,)),
    f"PUT {PLAN}/release": Call("plan"), f"DELETE {PLAN}/release": Call("plan"),
    f"POST {PLAN}/replans": Call("plan", {"now": REST["now"], "happened": {}}),
    f"POST {PLAN}/what-if-sweeps": Call("plan", SWEEP), f"POST {PLAN}/rush-orders": Call("plan", RUSH),
    f"POST {PLAN}/promises": Call("plan", PROMISE), f"POST {PLAN}/levers": Call("plan", LEVERS),
    "GET /v1/questions": Call("read"), f"GET {QUESTION}": Call("read"), f"GET {QUESTION}/board": Call("read"),
    f"DELETE {QUESTION}": Call("plan"), f"POST {QUESTION}/stop": Call("plan"),
    **{f"GET {PLAN}/board/{form}": Call("plan") for form in ("rush-order", "promise", "levers")},
    f"POST {PLAN}/board/rush-order": Call("plan", form=FORM, headers=OUR_PAGE, owner=(303,)),
    f"POST {PLAN}/board/promise": Call("plan", form=PROMISE_FORM, headers=OUR_PAGE, owner=(303,)),
    f"POST {PLAN}/board/levers": Call("plan", form={"kinds": "all"}, headers=OUR_PAGE, owner=(303,)),
    "GET /v1/sign-in": Call(None), "POST /v1/sign-in": Call(None, form={"key": "x"}, headers=OUR_PAGE, owner=(401,)),
    "POST /v1/sign-out": Call(None, form={"next": "/"}, headers=OUR_PAGE, owner=(303,)),
    f"POST {PLAN}/what-ifs": Call("plan", CHANGES), f"POST {PLAN}/risks": Call("read", example("risks-question"), owner=(504,)),
    "GET /v1/shops": Call("read"), f"GET {SHOP}": Call("read"), f"PUT {SHOP}": Call("shop", WEEK["shop"], makes=True),
    f"DELETE {SHOP}": Call("shop"), f"GET {SHOP}/plan": Call("read"),
    f"GET {SHOP}/plan/load-windows.ics": Call("read"), f"POST {SHOP}/plans": Call("plan", REST),
    f"GET {SHOP}/{{table}}": Call("read"), f"POST {SHOP}/{{table}}": Call("shop", {"rows": [PLATE]}),
    f"GET {ROW}": Call("read"), f"PUT {ROW}": Call("shop", PLATE), f"DELETE {ROW}": Call("shop", owner=(422,)),
    "GET /v1/webhooks": Call("admin"), "POST /v1/webhooks": Call("admin", {"url": "https://hooks.example/"}),
    f"GET {HOOK}": Call("admin"), f"PUT {HOOK}": Call("admin", {"url": "https://hooks.example/"}), f"DELETE {HOOK}": Call("admin"),
    f"POST {HOOK}/secret": Call("admin"), f"GET {HOOK}/deliveries": Call("admin"),
    f"POST {HOOK}/deliveries/{{delivery_id}}/resend": Call("admin"),
}
"""Every route. A new one: the scope it needs, and a body with which it works; a new kind of id also gets a place in `World`."""

NO_ID: Final = {"name": "key-missing", "table": "plates", "row": "P1"}
"""What stands for parts of paths that are no id of anybody's."""
UNKNOWN: Final = "f" * 32


def routes(app: FastAPI) -> set[str]:
    """Method and path of every route, described or not, as the framework has them."""
    return {
        f"{method} {re.sub(r':[a-z]+}', '}', str(context.path))}"
        for context in iter_route_contexts(app.routes) for method in context.methods or () if method != "HEAD"
    }


def linkable(app: FastAPI, name: str) -> bool:
    """Whether a route says that it can be called by a signed link."""
    method, path = name.split()
    security = app.openapi()["paths"].get(path, {}).get(method.lower(), {}).get("security", ())
    return any(LINK_SCHEME in scheme for scheme in security)


def filled(value: Any, ids: Ids) -> Any:
    """A body, query or path with ids in their places."""
    if isinstance(value, Mapping):
        return {name: filled(one, ids) for name, one in value.items()}
    return re.sub(r"\{(\w+)\}", lambda found: ids[found[1]], value) if isinstance(value, str) else value


def places(name: str) -> set[str]:
    """The ids that a call takes, wherever they stand."""
    call = CALLS[name]
    return set(re.findall(r"\{(\w+)\}", f"{name} {call.query} {call.body if 'plan_id' in str(call.body) else ''}")) - set(NO_ID)


class World:
    """What one tenant has: a shop with a released plan and another one, a webhook with a message; and a key that may do everything."""

    def __init__(self, app: FastAPI, client: httpx.AsyncClient, worker: HandWorker, tenant: str) -> None:
        self._app, self._client, self._worker = app, client, worker
        self.tenant = tenant
        self.token = KeyBook(app.state.parts.store).create(tenant, scopes=tuple(SCOPES))
        self.key = {"X-API-Key": str(self.token)}
        self._made = 0
        self._hook: str | None = None

    async def ids(self) -> dict[str, str]:
        """Everything anew, so that a call may spoil it."""
        self._made += 1
        shop = f"{self.tenant}-{self._made}"
        assert (await self.send("PUT", f"/v1/shops/{shop}", WEEK["shop"])).status_code == 201
        if self._hook is not None:  # of webhooks there may be 20 alone
            await self.send("DELETE", f"/v1/webhooks/{self._hook}")
        self._hook = hook = str((await self.send("POST", "/v1/webhooks", {"url": f"https://{self.tenant}.example/"})).json()["id"])
        plans = [(await self.send("POST", f"/v1/shops/{shop}/plans", REST)).json()["id"] for _ in range(2)]
        for plan in plans:
            self._worker.solve(plan)
        assert (await self.send("PUT", f"/v1/plans/{plans[0]}/release")).status_code == 200
        messages = (await self.send("GET", f"/v1/webhooks/{hook}/deliveries")).json()["items"]
        question = (await self.send("POST", f"/v1/plans/{plans[0]}/rush-orders", RUSH)).json()["id"]
        return NO_ID | {
            "question_id": question, "shop_id": shop,
            "plan_id": plans[0], "other_id": plans[1], "hook_id": hook, "delivery_id": messages[0]["id"],
        }

    async def send(self, method: str, path: str, body: Any = None, query: Any = None) -> httpx.Response:
        """Call with this tenant's key."""
        asked = {"Prefer": "respond-async"} | ({} if method == "PUT" and body is not None else {"If-Match": "*"})
        return await self._client.request(method, path, json=body, params=query, headers=asked | self.key)

    async def call(self, name: str, ids: Ids, key: Mapping[str, str] | None = None) -> httpx.Response:
        """Call a route of the table, with this tenant's key where no other is given."""
        method, path = name.split()
        return await self._client.request(
            method, filled(path, ids), json=filled(CALLS[name].body, ids), data=filled(CALLS[name].form, ids),
            params=filled(CALLS[name].query, ids), headers=ASKED | dict(CALLS[name].headers) | dict(self.key if key is None else key),
        )


@pytest.fixture
def settings(settings: ServiceSettings) -> ServiceSettings:
    """A service that gives a simulation no time: whether it may begin is all that is asked here."""
    return settings.model_copy(update={"risks_seconds": 0.01, "queue_limit": 10_000})


@pytest.fixture
def north(app: FastAPI, client: httpx.AsyncClient, worker: HandWorker) -> World:
    return World(app, client, worker, "north")


@pytest.fixture
def south(app: FastAPI, client: httpx.AsyncClient, worker: HandWorker) -> World:
    return World(app, client, worker, "south")


def told(answer: httpx.Response, ids: Ids, *more: str) -> tuple[Any, ...]:
    """What an answer tells, but for the ids that were asked about, the trace and the time."""
    text = answer.text
    for one in sorted({*ids.values(), *more} - set(NO_ID.values()), key=len, reverse=True):
        text = text.replace(one, "(id)")
    return answer.status_code, text, sorted(set(answer.headers) - {"traceparent", "date"})


def check_safe(answer: httpx.Response) -> None:
    """A browser takes an answer for what it says, runs nothing in it but a page's own script, and no proxy keeps it for others."""
    policy = answer.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'"), answer.request.url
    assert "unsafe" not in policy or answer.headers["content-type"] == "image/svg+xml", answer.request.url
    assert "unsafe" not in policy.replace("style-src 'unsafe-inline'", ""), answer.request.url
    assert "frame-ancestors" in policy or answer.headers["content-type"] == "image/svg+xml", answer.request.url
    assert answer.headers["x-content-type-options"] == "nosniff", answer.request.url
    assert answer.headers["referrer-policy"] == "same-origin", answer.request.url
    assert answer.headers["cache-control"] in ("private, no-cache", "no-cache", "no-store"), answer.request.url


async def test_every_route_is_in_the_table(app: FastAPI) -> None:
    found = routes(app)
    assert found - set(CALLS) == set(), "say in CALLS how these are called, and see that the other tests here hold for them"
    assert set(CALLS) - found == set()
    described = {f"{method.upper()} {path}" for path, calls in app.openapi()["paths"].items() for method in calls}
    assert found - described == {"GET /docs", "GET /docs/cookbook", "GET /docs/erp-exchange", "GET /openapi.json"}
    for name in described:
        method, path = name.split()
        schemes = {scheme for one in app.openapi()["paths"][path][method.lower()].get("security", ()) for scheme in one}
        assert bool(schemes) == (CALLS[name].scope is not None), name
        by_itself = schemes - {"bearer", "header"}
        assert not by_itself or method == "GET" or CALLS[name].form is not None, f"{name}: what a browser sends by itself changes nothing"


async def test_without_a_key_every_call_is_401_but_those_that_tell_nothing(
    app: FastAPI, client: httpx.AsyncClient, north: World,
) -> None:
    ids = await north.ids()
    for name in sorted(routes(app)):
        answer = await north.call(name, ids, key={})
        refused = CALLS[name].scope is not None or 401 in CALLS[name].owner  # a sign-in is refused for the key in its form
        assert (answer.status_code == 401) == refused, (name, answer.text)
        assert answer.status_code in (200, 401, 503) or (CALLS[name].scope is None and name.startswith("POST ")), (name, answer.text)
        check_safe(answer)
        assert not any(value in answer.text for value in set(ids.values()) - set(NO_ID.values())), name
        if CALLS[name].scope is not None:
            assert "www-authenticate" in answer.headers, name
    (made,) = (await client.get("/v1/shops", headers=north.key)).json()["items"]
    assert made["id"] == ids["shop_id"]


async def test_a_key_without_the_scope_is_403_and_nothing_happens(app: FastAPI, north: World) -> None:
    ids = await north.ids()
    book = KeyBook(app.state.parts.store)
    lacking = {
        scope: {"X-API-Key": str(book.create("north", scopes=tuple(one for one in SCOPES if one != scope)))} for scope in SCOPES
    }
    for name, call in CALLS.items():
        if call.scope is not None:
            answer = await north.call(name, ids, key=lacking[call.scope])
            assert (answer.status_code, f"'{call.scope}'" in answer.text) == (403, True), (name, answer.text)
    assert (await north.call(f"GET {PLAN}", ids)).json()["shop"]["released"]
    assert (await north.call(f"GET {HOOK}", ids)).status_code == 200


async def test_every_id_of_another_tenant_is_answered_as_an_unknown_one(client: httpx.AsyncClient, north: World, south: World) -> None:
    theirs, mine = await north.ids(), await south.ids()
    walked = 0
    for name in sorted(CALLS):
        for place in places(name):
            theirs_there, nobodys_there = mine | {place: theirs[place]}, mine | {place: UNKNOWN}
            answer, unknown = await south.call(name, theirs_there), await south.call(name, nobodys_there)
            if name == "POST /v1/links":
                assert (await client.get(answer.json()["href"])).status_code == 404
                continue
            assert told(answer, theirs_there, mine[place]) == told(unknown, nobodys_there, mine[place]), (name, place)
            assert answer.status_code == (412 if CALLS[name].makes else 404), (name, place, answer.text)
            walked += 1
    assert walked >= 39
    untouched = [name for name, call in CALLS.items() if name.startswith("GET ") and call.scope is not None]
    assert [name for name in untouched if (await north.call(name, theirs)).status_code not in (200, *CALLS[name].owner)] == []


async def test_its_owner_is_let_in_everywhere(north: World) -> None:
    ids = await north.ids()
    for name, call in CALLS.items():
        answer = await north.call(name, ids)
        ids = ids if name.startswith("GET ") else await north.ids()
        assert answer.is_success or answer.status_code in call.owner, (name, answer.status_code, answer.text)
        check_safe(answer)
    for method, path in (("GET", "/nowhere"), ("PATCH", "/v1/plans"), ("OPTIONS", "/v1/plans")):
        check_safe(await north.send(method, path))


async def test_a_parameter_that_a_call_does_not_have_is_refused_by_every_call(client: httpx.AsyncClient, north: World) -> None:
    """But by the description itself, which the framework answers."""
    ids = await north.ids()
    for name in sorted(set(CALLS) - {"GET /openapi.json"}):
        method, path = name.split()
        address = httpx.URL(filled(path, ids), params=filled(CALLS[name].query, ids)).copy_merge_params({"nonesuch": "1"})
        headers = ASKED | dict(CALLS[name].headers) | north.key
        answer = await client.request(method, address, headers=headers)
        assert answer.status_code == 422, (name, answer.text)
        assert [(one["pointer"], one["code"]) for one in answer.json()["errors"]] == [("/query/nonesuch", "unknown-parameter")], name
        assert method != "GET" or (await client.head(address, headers=headers)).status_code == 422, name
    assert (await north.call(f"GET {PLAN}", ids)).json()["shop"]["released"], "nothing was done"


async def test_no_odd_value_of_any_parameter_is_answered_in_the_words_of_a_library(app: FastAPI, north: World) -> None:
    ids, met = await north.ids(), set[str]()
    for path, calls in app.openapi()["paths"].items():
        for one in (one for one in calls.get("get", {}).get("parameters", ()) if one["in"] == "query"):
            met.add(one["name"])
            for value in ("", "x", "-1", "1.5", "9" * 5_000, "x" * 5_000, "\0", "\u202e", "null"):
                query = filled(CALLS[f"GET {path}"].query, ids) | {one["name"]: value}
                answer = await north.send("GET", filled(path, ids), query=query)
                assert answer.status_code in (200, 400, 404, 409, 422, 501), (path, one["name"], value[:9], answer.text[:300])
                for fault in answer.json()["errors"] if answer.status_code == 422 else ():
                    assert fault["pointer"] == f"/query/{one['name']}"
                    assert fault["detail"].startswith((f"{one['name']} must ", f"{one['name']} is ")), fault
    assert {"limit", "status", "shop", "cursor", "format", "table", "against", "operator", "day", "next"} <= met


async def test_every_body_has_its_limits(client: httpx.AsyncClient, north: World) -> None:
    """Of a size that is refused before it is read whole, of depth, and of kinds; a call that takes no body reads none."""
    ids, json = await north.ids(), {"Content-Type": "application/json"}
    walked = 0
    for name, call in CALLS.items():
        method, path = name.split()
        if call.body is None:
            continue
        walked += 1
        for content, kind, status in (
            (b" " * 200_001, json, 413), (b"[" * 5_000, json, 400), (b'{"a":' * 2_000, json, 400), (b"1" * 10_000, json, 400),
            (b'{"a": NaN}', json, 400), (b"\xff\xfe{}", json, 400), (b"{}", {"Content-Type": "text/plain"}, 415),
            (b"{}", json | {"Content-Encoding": "gzip"}, 415), (b'{"\\ud800": "\\u0000"}', json, 400),
        ):
            answer = await client.request(method, filled(path, ids), content=content, headers=ASKED | north.key | kind)
            assert answer.status_code == status, (name, content[:20], answer.text[:300])
    assert walked >= 11


async def test_nothing_that_a_tenant_can_list_tells_of_another(app: FastAPI, client: httpx.AsyncClient, north: World, south: World) -> None:
    theirs = [await north.ids() for _ in range(3)]
    listing = [name for name, call in CALLS.items() if name.startswith("GET ") and not places(name) and call.scope not in (None, "watch")]
    secret = {value for ids in theirs for value in ids.values()} - set(NO_ID.values()) | {"north"}
    empty = {name: (await south.call(name, {})).text for name in listing}
    for name, text in empty.items():
        assert not [value for value in secret if value in text], name
    for address in ("/v1/plans", "/v1/shops"):
        assert (await client.get(address, headers=south.key)).json()["items"] == []
        following = (await client.get(f"{address}?limit=1", headers=north.key)).json()["next"]
        assert (await client.get(following, headers=north.key)).json()["items"] != []
        assert (await client.get(following, headers=south.key)).json()["items"] == [], "a cursor of another tenant's list"
    assert (await client.get("/v1/plans", params={"shop": theirs[0]["shop_id"]}, headers=south.key)).json()["items"] == []


async def test_a_tenant_s_key_for_sending_again_says_nothing_to_another(client: httpx.AsyncClient, north: World, south: World) -> None:
    same = {"Idempotency-Key": "same", "Prefer": "respond-async"}
    made = [await client.post("/v1/plans", json=WEEK, headers=same | world.key) for world in (north, south, north)]
    assert [answer.status_code for answer in made] == [202, 202, 202]
    first, second, again = (answer.json()["id"] for answer in made)
    assert (first != second, first == again) == (True, True)


async def test_a_tenant_s_webhook_is_told_of_no_other_s_plan(north: World, south: World) -> None:
    mine = await south.ids()
    count = len((await south.call(f"GET {HOOK}/deliveries", mine)).json()["items"])
    await north.ids()
    assert len((await south.call(f"GET {HOOK}/deliveries", mine)).json()["items"]) == count


async def test_a_link_opens_its_own_address_for_its_own_time_and_nothing_else(
    app: FastAPI, client: httpx.AsyncClient, north: World,
) -> None:
    """For every route that says it takes links; every other GET refuses even a link that is signed by hand."""
    ids, ends = await north.ids(), int(now_ms() / 1000) + 3_600
    for name in (name for name, call in CALLS.items() if name.startswith("GET ") and call.scope is not None):
        path, query = filled(name.split()[1], ids), str(httpx.QueryParams(filled(CALLS[name].query, ids)))
        address = f"{path}?{query}" if query else path
        asked = await client.post("/v1/links", json={"path": address, "hours": 1}, headers=north.key)
        if not linkable(app, name):
            assert asked.status_code == 422, name
            by_hand = sign(path, query, north.token.key_id, north.token.hash, ends)
            assert (await client.get(by_hand)).status_code == 401, name
            continue
        href = asked.json()["href"]
        assert (await client.get(href)).status_code == (PNG_OPENS if path.endswith(".png") else 200), name
        assert north.token.secret not in href
        signature = httpx.URL(href).params["signature"]
        wrong = [
            href.replace(path, f"{PLAN}/costs".replace("{plan_id}", ids["other_id"])), f"{href}&format=json",
            href.replace("expires=", "expires=9"), href.replace(signature, signature[::-1]),
            href.replace(north.token.key_id, Token.new().key_id), sign(path, query, north.token.key_id, Token.new().hash, ends),
        ]
        assert [(await client.get(changed)).status_code for changed in wrong] == [401] * len(wrong), name
        # 404: to what changes a shop, its plan is a table that there is not.
        assert {(await client.request(method, href)).status_code for method in ("POST", "PUT", "DELETE")} <= {401, 404, 405}, name
        with time_machine.travel(now_ms() / 1000 + 3_601):
            assert (await client.get(href)).status_code == 401, name
