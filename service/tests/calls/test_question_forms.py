"""Questions asked by form: a rush order, the date that can be promised, what helps most; forms of other pages ask nothing."""

from __future__ import annotations

import json
import re

import httpx
import pytest
from fastapi import FastAPI

from platerota_service.access.tokens import Token
from platerota_service.answers import example
from platerota_service.store import Store, question_rows
from platerota_shared.changes import apply_changes

from .conftest import HandWorker
from .test_decisions import plan_text
from .test_sessions import BROWSER, OURS, THEIRS, Document, SignIn, keys, kind, links, ready, settings, sign_in

__all__ = ["keys", "settings", "sign_in"]
pytestmark = pytest.mark.anyio

ORDER = {"id": "rush 1", "part": "bracket", "quantity": "4", "due": "2027-03-01T12:00", "release": "", "weight": "5"}
PROMISE = {"part": "bracket", "quantity": "4", "certainty": "0.95", "due": "", "release": ""}
FORMS: dict[str, dict[str, str]] = {"rush-order": ORDER, "promise": PROMISE, "levers": {"kinds": "all"}}


def token_of(form: httpx.Response) -> str:
    """What makes the form one of its session."""
    return str(re.findall(r'name="token" value="([0-9a-f]*)"', form.text)[0])


async def asked(client: httpx.AsyncClient, token: Token, form: str, fields: dict[str, str]) -> tuple[str, Document]:
    """The page to which a form leads that is filled in and sent, and the question that it asked."""
    answer = await client.post(form, data=fields | {"token": token_of(await client.get(form))}, headers=OURS)
    assert answer.status_code == 303, answer.text
    page = answer.headers["location"]
    return page, (await client.get(page.removesuffix("/board"), headers={"X-API-Key": str(token)})).json()


class TestRushForm:
    async def test_what_is_asked_is_a_question_about_the_plan(
        self, client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document,
    ) -> None:
        token = await sign_in()
        plan_id = await ready(client, worker, request_document, token)
        page, question = await asked(
            client, token, f"/v1/plans/{plan_id}/board/rush-order", {**ORDER, "quantity": "3", "weight": "2,5"})
        assert (question["kind"], question["base"], question["rush"]) == ("rush-order", plan_id, True)
        first = await client.get(page)
        assert (first.status_code, "Rush order rush 1" in first.text, 'data-ended="no"' in first.text) == (200, True, True)
        assert (await client.get(page, headers={"If-None-Match": first.headers["etag"]})).status_code == 304
        assert (await client.delete(f"/v1/plans/{plan_id}", headers={"X-API-Key": str(token)})).status_code == 204
        later = await client.get(page, headers={"If-None-Match": first.headers["etag"]})
        assert (later.status_code, f"/v1/plans/{plan_id}" in later.text) == (200, False)

    async def test_faults_are_shown_beside_their_fields_and_what_was_typed_stays(
        self, client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document,
    ) -> None:
        plan_id = await ready(client, worker, request_document, await sign_in())
        page = f"/v1/plans/{plan_id}/board/rush-order"
        token = token_of(await client.get(page))
        typed = {"id": "A-1042", "part": "no such <b>", "quantity": "many", "due": "", "release": "soon", "weight": "-1", "token": token}
        assert kind(await client.post(page, data=typed, headers=OURS)) == "faults-in-request"
        answer = await client.post(page, data=typed, headers=OURS | BROWSER)
        assert (answer.status_code, answer.headers["content-type"]) == (422, "text/html; charset=utf-8")
        for name in ("id", "part", "quantity", "due", "release", "weight"):
            assert f'id="{name}-wrong-1"' in answer.text, name
        for text in ('value="A-1042"', 'value="many"', 'value="soon"', 'value="-1"'):
            assert text in answer.text
        assert "<b>" not in answer.text
        assert len((await client.get("/v1/plans", headers={"X-API-Key": str(await sign_in())})).json()["items"]) == 1


class TestPromiseForm:
    async def test_what_is_asked_is_a_promise_beside_the_plan(
        self, client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document, store: Store,
    ) -> None:
        token = await sign_in()
        plan_id = await ready(client, worker, request_document, token)
        board = await client.get(f"/v1/plans/{plan_id}/board")
        assert f"/v1/plans/{plan_id}/board/promise" in links(board)
        form = await client.get(f"/v1/plans/{plan_id}/board/promise")
        assert form.headers["cache-control"] == "no-store"
        fields = PROMISE | {"quantity": " 3 ", "due": "2027-03-01T12:00"}
        page, question = await asked(client, token, f"/v1/plans/{plan_id}/board/promise", fields)
        assert (question["kind"], question["base"], question["rush"]) == ("promise", plan_id, True)
        with store.reading() as session:
            row = question_rows.read(session, question["id"], "north")
        assert row is not None
        for words in ('"part":"bracket"', '"quantity":3', '"due":"2027-03-01T12:00:00+00:00"', '"certainty":0.95'):
            assert words in row.asked, row.asked
        first = await client.get(page)
        assert (first.status_code, "A date for 3 × bracket" in first.text, 'data-ended="no"' in first.text) == (200, True, True)
        assert f"/v1/plans/{plan_id}/board/promise" in links(first)
        assert (await client.get(page, headers={"If-None-Match": first.headers["etag"]})).status_code == 304
        worker.solve(question["plans"][0]["id"])
        later = await client.get(page, headers={"If-None-Match": first.headers["etag"]})
        assert (later.status_code, later.headers["etag"] != first.headers["etag"]) == (200, True)

    async def test_faults_are_shown_beside_their_fields_and_what_was_typed_stays(
        self, client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document,
    ) -> None:
        plan_id = await ready(client, worker, request_document, await sign_in())
        page = f"/v1/plans/{plan_id}/board/promise"
        typed = {"part": "no such <b>", "quantity": "many", "certainty": "1", "due": "never", "release": "soon"}
        typed["token"] = token_of(await client.get(page))
        assert kind(await client.post(page, data=typed, headers=OURS)) == "faults-in-request"
        answer = await client.post(page, data=typed, headers=OURS | BROWSER)
        assert (answer.status_code, answer.headers["content-type"]) == (422, "text/html; charset=utf-8")
        for name in ("part", "quantity", "certainty", "due", "release"):
            assert f'id="{name}-wrong-1"' in answer.text, name
        for text in ('value="many"', 'value="soon"', 'value="never"'):
            assert text in answer.text
        assert "<b>" not in answer.text
        assert (await client.get("/v1/questions", headers={"X-API-Key": str(await sign_in())})).json()["items"] == []


class TestLeversForm:
    @pytest.mark.parametrize(("typed", "kinds"), [("all", {"plate"}), ("plate", {"plate"}), ("due", set[str]())])
    async def test_what_is_asked_is_levers_of_the_plan(
        self, client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document, store: Store, app: FastAPI,
        typed: str, kinds: set[str],
    ) -> None:
        """Two orders, both in time, a run each on the one plate: a second plate might help, a later date would not."""
        app.state.parts.questions._limit = 50
        token, document = await sign_in(), apply_changes(request_document, example("what-if-request")["changes"]).document
        waits = {"X-API-Key": str(token), "Prefer": "respond-async"}
        plan_id = (await client.post("/v1/plans", json=document, headers=waits)).json()["id"]
        worker.find(plan_id, plan_text("what-if-plan"))
        assert f"/v1/plans/{plan_id}/board/levers" in links(await client.get(f"/v1/plans/{plan_id}/board"))
        page, question = await asked(client, token, f"/v1/plans/{plan_id}/board/levers", {"kinds": typed})
        assert (question["kind"], question["base"], question["rush"]) == ("levers", plan_id, True)
        with store.reading() as session:
            row = question_rows.read(session, question["id"], "north")
        assert row is not None
        assert {lever["kind"] for lever in json.loads(row.asked)["levers"]} == kinds
        first = await client.get(page)
        assert (first.status_code, 'data-ended="no"' in first.text) == (200, True)

    async def test_a_kind_that_is_none_is_shown_to_be_none(
        self, client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document,
    ) -> None:
        plan_id = await ready(client, worker, request_document, await sign_in())
        page = f"/v1/plans/{plan_id}/board/levers"
        typed = {"kinds": "pl<b>ates", "token": token_of(await client.get(page))}
        assert kind(await client.post(page, data=typed, headers=OURS)) == "faults-in-request"
        answer = await client.post(page, data=typed, headers=OURS | BROWSER)
        assert (answer.status_code, "must be &#39;plate&#39;" in answer.text, "<b>" in answer.text) == (422, True, False)


@pytest.mark.parametrize("which", FORMS)
class TestEveryForm:
    async def test_a_form_without_the_session_s_token_asks_for_nothing(
        self, client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document, which: str,
    ) -> None:
        plan_id = await ready(client, worker, request_document, await sign_in())
        page = f"/v1/plans/{plan_id}/board/{which}"
        other = token_of(await client.get(page))
        await sign_in()
        for token in ("", "0" * 64, other):
            assert kind(await client.post(page, data={**FORMS[which], "token": token}, headers=OURS)) == "foreign-form"
        good = token_of(await client.get(page))
        for headers in THEIRS:
            assert kind(await client.post(page, data={**FORMS[which], "token": good}, headers=headers)) == "foreign-form"

    async def test_on_this_computer_without_keys_a_page_of_another_site_asks_for_nothing_either(
        self, client: httpx.AsyncClient, worker: HandWorker, request_document: Document, which: str,
    ) -> None:
        made = await client.post("/v1/plans", json=request_document, headers={"Prefer": "respond-async"})
        worker.solve(made.json()["id"])
        page = f"{made.headers['location']}/board/{which}"
        assert 'name="token" value=""' in (await client.get(page)).text
        for headers in THEIRS:
            assert kind(await client.post(page, data=FORMS[which], headers=headers)) == "foreign-form", headers
        assert (await client.post(page, data=FORMS[which], headers=OURS)).status_code == 303

    async def test_whoever_may_not_plan_sees_no_form(
        self, client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document, which: str,
    ) -> None:
        plan_id = await ready(client, worker, request_document, await sign_in())
        await sign_in("read")
        page = f"/v1/plans/{plan_id}/board/{which}"
        assert kind(await client.get(page)) == "scope-missing"
        assert kind(await client.post(page, data=FORMS[which], headers=OURS)) == "scope-missing"
