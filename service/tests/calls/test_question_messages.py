"""A question that ends is told to the webhooks that want to know: once, in the transaction of its end, as the description says."""

from __future__ import annotations

import asyncio
import json
from typing import Any, get_args

import httpx
import pytest
from fastapi import FastAPI
from openapi_schema_validator import OAS31Validator
from standardwebhooks import Webhook

from platerota_service.questions.answering import Answering
from platerota_service.settings import ServiceSettings
from platerota_service.store import Store, WebhookDeliveryRow
from platerota_service.webhooks.delivering import Deliveries
from platerota_service.webhooks.messages import EVENTS, QuestionEventName

from .conftest import HandWorker, plan_text, problem
from .test_decisions import base
from .test_questions import Document, answering, asked, sweeps
from .test_webhooks import Receiver, hook, rows

__all__ = ["answering", "asked", "base", "hook", "sweeps"]
pytestmark = pytest.mark.anyio


@pytest.fixture
def settings(settings: ServiceSettings) -> ServiceSettings:
    return settings.model_copy(update={"webhooks_inside": True})


def told(store: Store) -> list[WebhookDeliveryRow]:
    """The messages about questions."""
    return [row for row in rows(store) if row.event in get_args(QuestionEventName)]


def check_described(app: FastAPI, row: WebhookDeliveryRow) -> Document:
    """The message, which is as the description's `webhooks` have it."""
    description, message = app.openapi(), json.loads(row.payload)
    (content,) = description["webhooks"][message["type"]]["post"]["requestBody"]["content"].values()
    OAS31Validator({**content["schema"], "components": description["components"]}).validate(message)
    assert (message["type"], row.state) == (row.event, "waiting")
    found: Document = message
    return found


async def solved(client: httpx.AsyncClient, asked: Document, worker: HandWorker) -> None:
    """Every plan of the question is ready."""
    for plan in asked["plans"]:
        worker.find(plan["id"], plan_text("what-if-plan"))


async def test_an_answered_question_is_told_once_and_the_message_arrives(
    client: httpx.AsyncClient, hook: Document, asked: Document, base: str, worker: HandWorker, answering: Answering, store: Store,
    app: FastAPI,
) -> None:
    await solved(client, asked, worker)
    assert told(store) == [], "before its end there is nothing to tell"
    await asyncio.gather(*(answering.answer(asked["id"]) for _ in range(3)))
    (row,) = told(store)
    assert (row.tenant, row.question_id, row.plan_id) == ("local", asked["id"], None)
    message = check_described(app, row)
    assert message["type"] == "question.ready"
    assert message["data"] == {
        "id": asked["id"], "href": f"/v1/questions/{asked['id']}", "status": "ready", "kind": "what-if-sweep", "base": base,
        "problem": None,
    }
    receiver = Receiver(200)
    await Deliveries(store, app.state.parts.outbox, inside=True, transport=httpx.MockTransport(receiver)).attempt(row.id, 1)
    (request,) = receiver.taken
    assert Webhook(hook["secret"]).verify(request.content, dict(request.headers))["data"]["id"] == asked["id"]
    log = (await client.get(f"/v1/webhooks/{hook['id']}/deliveries")).json()["items"]
    (entry,) = (one for one in log if one["event"] == "question.ready")
    assert (entry["question"], entry["plan"], entry["state"], entry["last_status"]) == (asked["id"], None, "delivered", 200)
    assert (await client.delete(f"/v1/questions/{asked['id']}")).status_code == 204
    log = (await client.get(f"/v1/webhooks/{hook['id']}/deliveries")).json()["items"]
    assert [one["question"] for one in log if one["event"] == "question.ready"] == [None]


async def test_one_that_failed_and_one_that_was_stopped_are_told_as_that(
    client: httpx.AsyncClient, hook: Document, asked: Document, sweeps: str, worker: HandWorker, answering: Answering, store: Store,
    app: FastAPI,
) -> None:
    for plan in asked["plans"]:
        worker.take(plan["id"])
        worker.finish(plan["id"], "out of coolant")
    await answering.answer(asked["id"])
    body = {"what_ifs": [
        {"name": name, "changes": [{"kind": "change_order", "order": "A-1042", "weight": weight}]} for name, weight in (("a", 2), ("b", 3))
    ]}
    other = (await client.post(sweeps, json=body, headers={"Prefer": "respond-async"})).json()
    await client.post(f"/v1/questions/{other['id']}/stop")
    await answering.answer(other["id"])
    failed, stopped = (check_described(app, row) for row in told(store))
    assert (failed["type"], failed["data"]["problem"]) == ("question.failed", "none of its 2 plans could be made: out of coolant")
    assert (stopped["type"], stopped["data"]["status"], stopped["data"]["problem"]) == ("question.stopped", "stopped", None)
    # The plans that waited were stopped with their question, and say whose they were.
    plans = [check_described(app, row)["data"]["question"] for row in rows(store) if row.event == "plan.stopped"]
    assert plans == [other["id"]] * 2


async def test_who_did_not_ask_for_it_is_not_told_and_one_that_is_forgotten_is_told_to_nobody(
    client: httpx.AsyncClient, asked: Document, worker: HandWorker, answering: Answering, store: Store,
) -> None:
    await client.post("/v1/webhooks", json={"url": "http://127.0.0.1:9/plans", "events": ["plan.ready", "question.failed"]})
    await solved(client, asked, worker)
    await answering.answer(asked["id"])
    assert told(store) == []
    await client.post("/v1/webhooks", json={"url": "http://127.0.0.1:9/all"})
    assert (await client.delete(f"/v1/questions/{asked['id']}")).status_code == 204
    await answering.answer(asked["id"])
    assert told(store) == []


async def test_what_is_taken_back_is_not_told(
    client: httpx.AsyncClient, hook: Document, asked: Document, store: Store, app: FastAPI,
) -> None:
    def fail_after_telling() -> None:
        with store.writing() as session:
            app.state.parts.outbox.question_ended(session, asked["id"], "ready")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail_after_telling()
    assert told(store) == []


async def test_every_event_is_described_and_every_other_one_refused(client: httpx.AsyncClient, app: FastAPI) -> None:
    described: dict[str, Any] = app.openapi()["webhooks"]
    assert tuple(described) == EVENTS
    assert all(one["post"]["description"] for one in described.values())
    body = problem(await client.post("/v1/webhooks", json={"url": "http://a.example/", "events": ["question.asked"]}), "faults-in-request")
    (error,) = body["errors"]
    assert (error["pointer"], "'question.ready'" in error["mend"]) == ("/events/0", True)
