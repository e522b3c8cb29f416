"""What the server says on its way down."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from starlette.types import Message, Receive, Scope, Send

from platerota_service.last_answers import LastAnswers

from .fleet import Caller, Process, await_that, valid_child


@pytest.mark.anyio
@pytest.mark.parametrize("begun", [False, True])
async def test_a_call_that_is_cancelled_is_answered_unless_its_answer_has_begun(begun: bool) -> None:
    sent: list[Message] = []
    waits = asyncio.Event()

    async def slow(_scope: Scope, _receive: Receive, send: Send) -> None:
        if begun:
            await send({"type": "http.response.start", "status": 200, "headers": []})
        waits.set()
        await asyncio.sleep(600)

    async def receive() -> Message:
        return {"type": "http.disconnect"}

    async def send(message: Message) -> None:
        sent.append(message)

    call = asyncio.create_task(LastAnswers(slow)({"type": "http"}, receive, send))
    await waits.wait()
    call.cancel()
    await asyncio.wait([call])
    assert call.cancelled() is begun
    assert sent[0]["status"] == (200 if begun else 503)
    assert begun or b"the service is closing" in sent[1]["body"]


@pytest.fixture
def server(tmp_path: Path, plan_document: dict[str, Any]) -> Iterator[Process]:
    """A service whose solves take eight seconds, one at a time."""
    environment = {"PLATEROTA_DATA_DIRECTORY": str(tmp_path / "data"), "PLATEROTA_SOLVE_SLOTS": "1"}
    server = Process("all", valid_child(tmp_path, plan_document, 8.0), environment, tmp_path / "log")
    server.start()
    yield server
    server.kill()


def test_who_waits_for_an_answer_is_told_to_come_again(server: Process, request_document: dict[str, Any]) -> None:
    """A question and a plan, both waited for while the server is told to end."""
    caller = Caller([server.port])
    base = caller.submit(request_document)
    await_that(lambda: caller("GET", f"/v1/plans/{base}").json()["status"] == "ready", 120, server.log.read_text)
    listed = {"what_ifs": [{"name": f"seed {seed}", "changes": [{"kind": "change_settings", "seed": seed}]} for seed in (2, 3)]}
    asked = caller("POST", f"/v1/plans/{base}/what-if-sweeps", json=listed, headers={"Prefer": "respond-async"}).json()

    async def waited() -> list[httpx.Response]:
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{server.port}", timeout=60) as client:
            paths = (f"/v1/questions/{asked['id']}", f"/v1/plans/{asked['plans'][0]['id']}")
            calls = [asyncio.create_task(client.get(path, headers={"Prefer": "wait=30"})) for path in paths]
            await asyncio.sleep(1)
            await asyncio.to_thread(server.end)
            return await asyncio.gather(*calls)

    answers = asyncio.run(waited())
    assert [answer.status_code for answer in answers] == [503, 503], server.log.read_text()[-4_000:]
    assert all(answer.headers["retry-after"] and "closing" in answer.json()["detail"] for answer in answers)


def test_a_connection_that_a_caller_keeps_stays_open_for_longer_than_callers_keep_theirs(server: Process) -> None:
    """Five seconds is what many callers keep one for: closed after as long, it breaks under the call that comes just then."""
    Caller([server.port])("GET", "/v1/health/live")
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", server.port, timeout=60)) as connection:
        connection.connect()
        connection.auto_open = 0  # no second connection in place of the first
        for pause in (6, 0):
            connection.request("GET", "/v1/health/live")
            assert connection.getresponse().read()
            time.sleep(pause)
