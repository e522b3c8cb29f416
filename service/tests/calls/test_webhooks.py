"""Webhooks: the calls about them (refusals first, then empty, then well), what is told, and how it is sent."""

import asyncio
import json
from collections.abc import Callable
from datetime import UTC, datetime, timezone
from typing import Any

import httpx
import pytest
import sqlalchemy as sa
from fastapi import FastAPI
from standardwebhooks import Webhook
from standardwebhooks.webhooks import WebhookVerificationError

from platerota_service.access.keys import KeyBook
from platerota_service.settings import ServiceSettings
from platerota_service.store import Store, WebhookDeliveryRow
from platerota_service.webhooks.book import MOST
from platerota_service.webhooks.delivering import DELAYS, Deliveries
from platerota_service.webhooks.outbox import Outbox
from platerota_service.webhooks.sending import Message, new_secret, signed_headers
from proof_tools.outside import Outside

from .conftest import HandWorker, problem

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
ANY = {"If-Match": "*"}
ASYNC = {"Prefer": "respond-async"}
KEY = {"Idempotency-Key": "a-1"}
HOOK = {"url": "http://127.0.0.1:9/hooks"}


@pytest.fixture
def settings(settings: ServiceSettings) -> ServiceSettings:
    return settings.model_copy(update={"webhooks_inside": True})


@pytest.fixture
async def hook(client: httpx.AsyncClient) -> Document:
    answer = await client.post("/v1/webhooks", json=HOOK)
    assert answer.status_code == 201, answer.text
    body: Document = answer.json()
    return body


def rows(store: Store) -> list[WebhookDeliveryRow]:
    with store.reading() as session:
        return list(session.scalars(sa.select(WebhookDeliveryRow).order_by(WebhookDeliveryRow.created_ms)))


class Receiver:
    """Takes messages and answers with the statuses it is given, the last of them for ever."""

    def __init__(self, *statuses: int) -> None:
        self.statuses = list(statuses)
        self.taken: list[httpx.Request] = []

    def __call__(self, request: httpx.Request) -> httpx.Response:
        self.taken.append(request)
        status = self.statuses.pop(0) if len(self.statuses) > 1 else self.statuses[0]
        return httpx.Response(status, headers={"Location": "http://127.0.0.1:9/elsewhere"} if status == 302 else {})


@pytest.fixture
def deliveries(store: Store, app: FastAPI) -> Callable[[Receiver], Deliveries]:
    outbox: Outbox = app.state.parts.outbox

    def make(receiver: Receiver) -> Deliveries:
        return Deliveries(store, outbox, inside=True, transport=httpx.MockTransport(receiver))

    return make


async def ended_plan(client: httpx.AsyncClient, request_document: Document) -> str:
    """A plan that is stopped before it began."""
    plan_id = (await client.post("/v1/plans", json=request_document, headers=ASYNC)).json()["id"]
    assert (await client.post(f"/v1/plans/{plan_id}/stop")).status_code == 202
    return str(plan_id)


class TestCreate:
    async def test_every_fault_at_once(self, client: httpx.AsyncClient) -> None:
        body = {"url": 7, "events": ["plan.ready", "plan.lost"], "colour": 1, "enabled": "yes"}
        errors = problem(await client.post("/v1/webhooks", json=body), "faults-in-request")["errors"]
        assert {error["pointer"] for error in errors} == {"/url", "/events/1", "/colour", "/enabled"}
        problem(await client.post("/v1/webhooks", content=b"[]", headers={"Content-Type": "application/json"}), "unreadable")
        problem(await client.post("/v1/webhooks", json={"url": "http://a/" + "x" * 20_000}), "too-large")

    @pytest.mark.parametrize(
        "url", ["ftp://a.example/", "//a.example", "https://", "https://u:p@a.example/", "https://a.example/#x", "http://[", ""],
    )
    async def test_what_is_no_address(self, client: httpx.AsyncClient, url: str) -> None:
        body = problem(await client.post("/v1/webhooks", json={"url": url}), "faults-in-request")
        assert [(error["pointer"], error["code"]) for error in body["errors"]] == [("/url", "bad-address")]

    async def test_the_secret_is_shown_this_once(self, client: httpx.AsyncClient) -> None:
        answer = await client.post("/v1/webhooks", json={**HOOK, "events": ["plan.ready", "plan.ready"]})
        body = answer.json()
        assert body["secret"].startswith("whsec_")
        assert (body["events"], body["enabled"], answer.headers["location"]) == (["plan.ready"], True, f"/v1/webhooks/{body['id']}")
        shown = (await client.get(answer.headers["location"])).json()
        assert shown == {name: value for name, value in body.items() if name != "secret"}
        assert (await client.get("/v1/webhooks")).json() == {"items": [shown], "self": "/v1/webhooks?limit=50", "next": None}

    async def test_a_tenant_has_no_more_than_its_share(self, client: httpx.AsyncClient, app: FastAPI) -> None:
        made = [await client.post("/v1/webhooks", json=HOOK, headers={"Idempotency-Key": str(number)}) for number in range(MOST)]
        assert {answer.status_code for answer in made} == {201}
        body = problem(await client.post("/v1/webhooks", json=HOOK), "too-many-webhooks")
        assert str(MOST) in body["detail"]
        assert (await client.post("/v1/webhooks", json=HOOK, headers={"Idempotency-Key": "3"})).status_code == 201, "it made that one"
        keys = KeyBook(app.state.parts.store)
        north, south = ({"X-API-Key": str(keys.create(tenant, scopes=("admin",)))} for tenant in ("local", "south"))
        assert (await client.post("/v1/webhooks", json=HOOK, headers=south)).status_code == 201
        assert (await client.delete(made[0].headers["location"], headers=ANY | north)).status_code == 204
        assert (await client.post("/v1/webhooks", json=HOOK, headers=north)).status_code == 201

    async def test_sent_again_with_its_key_it_makes_no_second_one(
        self, client: httpx.AsyncClient, request_document: Document, store: Store,
    ) -> None:
        problem(await client.post("/v1/webhooks", json=HOOK, headers={"Idempotency-Key": "a b"}), "bad-header")
        problem(await client.post("/v1/webhooks", json={"url": ""}, headers=KEY), "faults-in-request")
        answers = await asyncio.gather(*(client.post("/v1/webhooks", json=HOOK, headers=KEY) for _ in range(4)))
        first = answers[0]
        assert {(one.status_code, one.headers["location"], one.text) for one in answers} == {(201, first.headers["location"], first.text)}
        assert first.json()["secret"].startswith("whsec_"), "whoever lost the first answer has no secret yet"
        await ended_plan(client, request_document)
        assert len(rows(store)) == 1, "everything is told once"
        problem(await client.post("/v1/webhooks", json={**HOOK, "enabled": False}, headers=KEY), "idempotency-key-reused")
        await client.delete(first.headers["location"], headers=ANY)
        problem(await client.post("/v1/webhooks", json=HOOK, headers=KEY), "idempotency-key-spent")
        assert (await client.get("/v1/webhooks")).json()["items"] == []


class TestGetPutDelete:
    async def test_what_is_not_there(self, client: httpx.AsyncClient) -> None:
        assert (await client.get("/v1/webhooks")).json()["items"] == []
        problem(await client.get("/v1/webhooks?cursor=none"), "bad-cursor")
        problem(await client.get("/v1/webhooks/none"), "unknown-webhook")
        problem(await client.put("/v1/webhooks/none", json=HOOK, headers=ANY), "unknown-webhook")
        problem(await client.delete("/v1/webhooks/none", headers=ANY), "unknown-webhook")
        problem(await client.post("/v1/webhooks/none/secret"), "unknown-webhook")
        problem(await client.get("/v1/webhooks/none/deliveries"), "unknown-webhook")
        problem(await client.post("/v1/webhooks/none/deliveries/none/resend"), "unknown-webhook")

    async def test_pages_hold_every_webhook_once(self, client: httpx.AsyncClient) -> None:
        made = [(await client.post("/v1/webhooks", json=HOOK)).json()["id"] for _ in range(5)]
        found, following = list[str](), "/v1/webhooks?limit=2"
        while following is not None:
            body = (await client.get(following)).json()
            assert (len(body["items"]) <= 2, body["self"]) == (True, following)
            found += [item["id"] for item in body["items"]]
            following = body["next"]
        assert (sorted(found), len(found)) == (sorted(made), 5)

    async def test_another_tenant_s_does_not_exist(self, client: httpx.AsyncClient, app: FastAPI, hook: Document) -> None:
        keys = KeyBook(app.state.parts.store)
        north, south = ({"X-API-Key": str(keys.create(tenant, scopes=("admin",)))} for tenant in ("local", "south"))
        for method, path in (("GET", ""), ("DELETE", ""), ("GET", "/deliveries"), ("POST", "/secret")):
            problem(await client.request(method, f"/v1/webhooks/{hook['id']}{path}", headers=south | ANY), "unknown-webhook")
        assert (await client.get(f"/v1/webhooks/{hook['id']}", headers=north)).status_code == 200

    async def test_a_change_needs_the_etag_that_was_seen(self, client: httpx.AsyncClient, hook: Document) -> None:
        address = f"/v1/webhooks/{hook['id']}"
        problem(await client.put(address, json=HOOK), "if-match-missing")
        problem(await client.put(address, json=HOOK, headers={"If-Match": '"old"'}), "changed-meanwhile")
        seen = (await client.get(address)).headers["etag"]
        assert (await client.get(address, headers={"If-None-Match": seen})).status_code == 304
        answer = await client.put(address, json={**HOOK, "events": ["plan.failed"], "enabled": False}, headers={"If-Match": seen})
        assert (answer.json()["events"], answer.json()["enabled"]) == (["plan.failed"], False)
        problem(await client.delete(address, headers={"If-Match": seen}), "changed-meanwhile")
        assert (await client.delete(address, headers={"If-Match": answer.headers["etag"]})).status_code == 204
        problem(await client.get(address), "unknown-webhook")

    async def test_a_new_secret_signs_from_now_on(
        self, client: httpx.AsyncClient, hook: Document, request_document: Document, store: Store,
        deliveries: Callable[[Receiver], Deliveries],
    ) -> None:
        await ended_plan(client, request_document)
        secret = (await client.post(f"/v1/webhooks/{hook['id']}/secret")).json()["secret"]
        receiver = Receiver(204)
        await deliveries(receiver).attempt(rows(store)[0].id, 1)
        (request,) = receiver.taken
        assert Webhook(secret).verify(request.content, dict(request.headers))
        with pytest.raises(WebhookVerificationError):
            Webhook(hook["secret"]).verify(request.content, dict(request.headers))


class TestWhatIsTold:
    async def test_nothing_where_nobody_wants_to_know(self, client: httpx.AsyncClient, request_document: Document, store: Store) -> None:
        await client.post("/v1/webhooks", json={**HOOK, "events": ["plan.ready"]})
        await client.post("/v1/webhooks", json={**HOOK, "enabled": False})
        await ended_plan(client, request_document)
        assert rows(store) == []

    async def test_a_plan_that_ends_is_told_once_to_its_own_tenant(
        self, client: httpx.AsyncClient, hook: Document, request_document: Document, store: Store,
    ) -> None:
        plan_id = await ended_plan(client, request_document)
        await client.post(f"/v1/plans/{plan_id}/stop")
        (row,) = rows(store)
        assert (row.event, row.state, row.tenant, row.plan_id) == ("plan.stopped", "waiting", "local", plan_id)
        message = json.loads(row.payload)
        assert (message["type"], message["data"]["id"], message["data"]["href"]) == ("plan.stopped", plan_id, f"/v1/plans/{plan_id}")
        assert datetime.fromisoformat(message["timestamp"]).tzinfo is not None

    async def test_the_end_by_a_worker_and_a_release_are_told(
        self, client: httpx.AsyncClient, hook: Document, request_document: Document, store: Store, worker: HandWorker, app: FastAPI,
    ) -> None:
        await client.put("/v1/shops/main", json=request_document.pop("shop"))
        plan_id = (await client.post("/v1/shops/main/plans", json=request_document, headers=ASYNC)).json()["id"]
        worker.solve(plan_id)
        with store.writing() as session:
            app.state.parts.outbox.plan_ended(session, plan_id, "ready")
        await client.put(f"/v1/plans/{plan_id}/release")
        ready, released = rows(store)
        assert (ready.event, released.event) == ("plan.ready", "plan.released")
        assert json.loads(ready.payload)["data"]["shop"] == {"id": "main", "version": 1}
        assert json.loads(ready.payload)["data"]["score"] == 2.0

    async def test_what_is_not_stored_is_not_told(
        self, client: httpx.AsyncClient, hook: Document, request_document: Document, store: Store, app: FastAPI,
    ) -> None:
        plan_id = (await client.post("/v1/plans", json=request_document, headers=ASYNC)).json()["id"]

        def fail_after_telling() -> None:
            with store.writing() as session:
                app.state.parts.outbox.plan_ended(session, plan_id, "ready")
                raise RuntimeError

        with pytest.raises(RuntimeError):
            fail_after_telling()
        assert rows(store) == []


class TestSending:
    async def test_a_message_is_signed_and_arrives_once(
        self, client: httpx.AsyncClient, hook: Document, request_document: Document, store: Store,
        deliveries: Callable[[Receiver], Deliveries],
    ) -> None:
        plan_id = await ended_plan(client, request_document)
        receiver, (row,) = Receiver(200), rows(store)
        for _ in range(2):
            await deliveries(receiver).attempt(row.id, 1)
        (request,) = receiver.taken
        assert Webhook(hook["secret"]).verify(request.content, dict(request.headers))["data"]["id"] == plan_id
        assert (request.headers["webhook-id"], request.headers["content-type"]) == (row.id, "application/json")
        entry = (await client.get(f"/v1/webhooks/{hook['id']}/deliveries")).json()["items"][0]
        assert (entry["state"], entry["attempts"], entry["last_status"], entry["last_error"]) == ("delivered", 1, 200, None)

    async def test_what_does_not_arrive_is_tried_again_later_and_given_up_at_last(
        self, client: httpx.AsyncClient, hook: Document, request_document: Document, store: Store,
        deliveries: Callable[[Receiver], Deliveries],
    ) -> None:
        await ended_plan(client, request_document)
        receiver = Receiver(500, 302, 404, 503)
        for attempt in range(1, len(DELAYS) + 2):
            (row,) = rows(store)
            assert (row.state, row.attempts) == ("waiting", attempt - 1)
            await deliveries(receiver).attempt(row.id, attempt)
            (after,) = rows(store)
            if attempt <= len(DELAYS):
                assert after.next_ms is not None
                waits = (after.next_ms - row.created_ms) / 1000
                assert 0.8 * DELAYS[attempt - 1] <= waits <= 1.2 * DELAYS[attempt - 1] + 30
        assert (after.state, after.next_ms, after.last_status, after.last_error) == ("failed", None, 503, "it answered 503")
        assert len(receiver.taken) == len(DELAYS) + 1
        assert all(request.url.path == "/hooks" for request in receiver.taken)
        assert len({request.headers["webhook-id"] for request in receiver.taken}) == 1

    async def test_an_address_that_is_gone_is_told_no_more(
        self, client: httpx.AsyncClient, hook: Document, request_document: Document, store: Store,
        deliveries: Callable[[Receiver], Deliveries],
    ) -> None:
        await ended_plan(client, request_document)
        await deliveries(Receiver(410)).attempt(rows(store)[0].id, 1)
        assert rows(store)[0].state == "failed"
        assert (await client.get(f"/v1/webhooks/{hook['id']}")).json()["enabled"] is False
        await ended_plan(client, request_document)
        assert len(rows(store)) == 1

    async def test_a_message_that_waits_for_an_address_that_is_gone_is_not_sent(
        self, client: httpx.AsyncClient, hook: Document, request_document: Document, store: Store,
        deliveries: Callable[[Receiver], Deliveries],
    ) -> None:
        for _ in range(2):
            await ended_plan(client, request_document)
        receiver, (first, second) = Receiver(410), rows(store)
        for row in (first, second, second):
            await deliveries(receiver).attempt(row.id, 1)
        assert [request.headers["webhook-id"] for request in receiver.taken] == [first.id]
        _, after = rows(store)
        assert (after.state, after.last_error, after.attempts, after.next_ms) == ("failed", "the webhook is disabled", 0, None)
        assert after.ended_ms is not None

    async def test_a_message_to_a_webhook_that_is_switched_on_again_in_time_is_sent(
        self, client: httpx.AsyncClient, hook: Document, request_document: Document, store: Store,
        deliveries: Callable[[Receiver], Deliveries],
    ) -> None:
        await ended_plan(client, request_document)
        for enabled in (False, True):
            assert (await client.put(f"/v1/webhooks/{hook['id']}", json={**HOOK, "enabled": enabled}, headers=ANY)).status_code == 200
        receiver = Receiver(200)
        await deliveries(receiver).attempt(rows(store)[0].id, 1)
        assert (len(receiver.taken), rows(store)[0].state) == (1, "delivered")

    async def test_a_disabled_webhook_is_sent_nothing_again_and_that_is_said(
        self, client: httpx.AsyncClient, hook: Document, request_document: Document, store: Store,
        deliveries: Callable[[Receiver], Deliveries],
    ) -> None:
        await ended_plan(client, request_document)
        (row,) = rows(store)
        await deliveries(Receiver(410)).attempt(row.id, 1)
        address = f"/v1/webhooks/{hook['id']}"
        problem(await client.post(f"{address}/deliveries/none/resend"), "unknown-delivery")
        problem(await client.post(f"{address}/deliveries/{row.id}/resend"), "webhook-disabled")
        assert rows(store)[0].state == "failed"
        await client.put(address, json=HOOK, headers=ANY)
        assert (await client.post(f"{address}/deliveries/{row.id}/resend")).status_code == 202

    async def test_an_ended_message_is_sent_again_where_that_is_asked(
        self, client: httpx.AsyncClient, hook: Document, request_document: Document, store: Store,
        deliveries: Callable[[Receiver], Deliveries],
    ) -> None:
        await ended_plan(client, request_document)
        receiver, (row,) = Receiver(200), rows(store)
        address = f"/v1/webhooks/{hook['id']}/deliveries"
        problem(await client.post(f"{address}/none/resend"), "unknown-delivery")
        assert (await client.post(f"{address}/{row.id}/resend")).json()["attempts"] == 0
        await deliveries(receiver).attempt(row.id, 1)
        answer = await client.post(f"{address}/{row.id}/resend")
        assert (answer.status_code, answer.json()["state"], answer.json()["attempts"]) == (202, "waiting", 0)
        await deliveries(receiver).attempt(row.id, 1)
        assert len(receiver.taken) == 2

    async def test_what_the_queue_lost_is_queued_anew_and_what_is_old_forgotten(
        self, client: httpx.AsyncClient, hook: Document, request_document: Document, store: Store, app: FastAPI,
    ) -> None:
        await ended_plan(client, request_document)
        await ended_plan(client, request_document)
        old, lost = rows(store)
        with store.writing() as session:
            change = sa.update(WebhookDeliveryRow)
            session.execute(change.where(WebhookDeliveryRow.id == old.id).values(state="failed", created_ms=0, next_ms=None))
            session.execute(change.where(WebhookDeliveryRow.id == lost.id).values(next_ms=lost.created_ms - 600_000))
        await asyncio.to_thread(app.state.parts.outbox.tidy)
        (row,) = rows(store)
        assert row.id == lost.id
        assert row.next_ms is not None
        assert row.next_ms >= lost.created_ms

    def test_the_standards_example_has_its_signature(self, outside: Outside) -> None:
        secret, payload = "whsec_plJ3nmyCDGBKInavdOK15jsl", '{"event_type":"ping","data":{"success":true}}'
        message = Message("msg_loFOjxBNrRLzqYUf", "https://a.example/", secret, payload)
        headers = signed_headers(message, datetime.fromtimestamp(1_731_705_121, UTC))
        published = "v1,rAvfW3dJ/X/qxhsaXPOyyCGmRKsaKWcsNccKXlIktD0="
        outside("signature of the message msg_loFOjxBNrRLzqYUf", headers["webhook-signature"], published, "Standard Webhooks", "memory")

    def test_only_an_aware_utc_time_is_signed(self) -> None:
        """The library replaces whatever zone it is given by UTC, so a local time would be signed hours off."""
        message = Message("m1", "https://a.example/", new_secret(), "{}")
        assert signed_headers(message, datetime(2027, 3, 1, tzinfo=UTC))["webhook-timestamp"] == "1803859200"
        with pytest.raises(AssertionError):
            signed_headers(message, datetime(2027, 3, 1))
        with pytest.raises(AssertionError):
            signed_headers(message, datetime(2027, 3, 1, tzinfo=timezone.max))
