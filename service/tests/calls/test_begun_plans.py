"""Questions and forms about a plan that has begun: from an hour after its `now` on they say that hours that are gone count as free."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from platerota_service.questions.answering import Answering
from platerota_shared.levers.answer import CAUTION as LEVERS_CAUTION
from platerota_shared.promises import CAUTION as PROMISE_CAUTION

from .conftest import HandWorker
from .test_decisions import ASYNC, RUSH, base, plan_text
from .test_one_more import RUSH_BODY, renamed_plan
from .test_question_forms import FORMS
from .test_questions import answering
from .test_sessions import Document, SignIn, keys, ready, settings, sign_in

__all__ = ["answering", "base", "keys", "settings", "sign_in"]
pytestmark = pytest.mark.anyio

WORDS = (
    "This plan begins Monday 2027-03-01 06:00 and is asked about on Monday 2027-03-01 07:00: hours that are gone count as free; replan"
    " first, then ask of that plan."
)
LATE, NOT_YET = datetime(2027, 3, 1, 7, 0, 1, tzinfo=UTC), datetime(2027, 3, 1, 7, tzinfo=UTC)
CALLS: dict[str, tuple[Document, Any, str | None]] = {
    "rush-orders": (RUSH_BODY, plan_text("what-if-plan"), None),
    "promises": ({"part": "bracket", "quantity": 4}, renamed_plan("what-if-plan", "RUSH-1", "PROMISE"), PROMISE_CAUTION),
    "what-if-sweeps": (
        {"what_ifs": [{"name": name, "changes": [RUSH]} for name in ("four more", "the same")]}, plan_text("what-if-plan"), None,
    ),
    "levers": ({"limit": 1, "kinds": ["due"]}, plan_text("plan"), LEVERS_CAUTION),
}
"""What is asked by each call, the plan that answers it, and what the answer has people beware of in any case."""


def at(moment: datetime) -> int:
    return int(moment.timestamp() * 1_000)


@pytest.mark.parametrize("late", [True, False])
@pytest.mark.parametrize("call", CALLS)
async def test_an_answer_says_that_its_plan_had_begun(
    client: httpx.AsyncClient, base: str, worker: HandWorker, answering: Answering, app: FastAPI, monkeypatch: pytest.MonkeyPatch,
    call: str, late: bool,
) -> None:
    app.state.parts.questions._limit = 10
    monkeypatch.setattr("platerota_service.questions.book.now_ms", lambda: at(LATE if late else NOT_YET))
    body, best, always = CALLS[call]
    asked = (await client.post(f"/v1/plans/{base}/{call}", json=body, headers=ASYNC)).json()
    page = f"/v1/questions/{asked['id']}/board"
    assert (WORDS in (await client.get(page)).text) is late
    for plan in asked["plans"]:
        worker.find(plan["id"], best)
    await answering.answer(asked["id"])
    answer = (await client.get(f"/v1/questions/{asked['id']}")).json()["answer"]
    assert answer["caution"] == (" ".join(filter(None, (WORDS if late else None, always))) or None)
    html = (await client.get(page)).text
    assert html.count(WORDS) == int(late)
    assert html.count(always or "Nothing is released") == 1
    assert not late or html.index("<h1>") < html.index(WORDS) < html.index("<main")


@pytest.mark.parametrize("form", FORMS)
async def test_a_form_says_it_before_anything_is_asked(
    client: httpx.AsyncClient, worker: HandWorker, sign_in: SignIn, request_document: Document, monkeypatch: pytest.MonkeyPatch, form: str,
) -> None:
    plan_id = await ready(client, worker, request_document, await sign_in())
    for moment, told in ((NOT_YET, False), (LATE, True)):
        monkeypatch.setattr("platerota_service.question_forms.now_ms", lambda moment=moment: at(moment))
        html = (await client.get(f"/v1/plans/{plan_id}/board/{form}")).text
        assert (WORDS in html) is told
        assert not told or html.index("<h1>") < html.index(WORDS) < html.index("<form")
