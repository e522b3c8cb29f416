"""A stored shop over HTTP alone: planned by a real solver, watched, released, and told of to another program across a crash."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx
from standardwebhooks import Webhook

from .conftest import started

Request = dict[str, Any]
ASYNC = {"Prefer": "respond-async"}


def command(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run `platerota` with these arguments."""
    program = shutil.which("platerota", path=str(Path(sys.executable).parent))
    assert program is not None
    return subprocess.run([program, *arguments], capture_output=True, text=True, env=os.environ | environment, check=False)


def without_shop(request: Request) -> Request:
    return {name: value for name, value in request.items() if name != "shop"}


def stored(client: httpx.Client, name: str, request: Request) -> str:
    """The address of the request's shop, stored."""
    answer = client.put(f"/v1/shops/{name}", json=request["shop"])
    assert answer.status_code == 201, answer.text
    return f"/v1/shops/{name}"


def test_a_stored_shop_is_planned_changed_and_works_by_a_plan(client: httpx.Client, tiny: Request) -> None:
    shop = stored(client, "works", tiny)
    answer = client.post(f"{shop}/plans", json=without_shop(tiny))
    assert answer.status_code == 201, answer.text
    plan = answer.json()
    assert (plan["status"], plan["quality"], plan["shop"]["version"]) == ("ready", "optimal", 1)
    assert plan["orders"][0]["finish"] == "2027-03-01T07:31:00+00:00"
    assert client.put(f"{answer.headers['location']}/release").json()["shop"]["released"] is True
    assert client.get(f"{shop}/plan").json()["id"] == plan["id"]
    # A second plate: the hand work hides behind the other plate's cut, and the order is finished earlier.
    second = {**tiny["shop"]["plates"][0], "id": "P2"}
    assert client.put(f"{shop}/plates/P2", json=second).status_code == 201
    assert client.get(f"{shop}/plan").json()["shop"]["stale"] is True
    better = client.post(f"{shop}/plans", json=without_shop(tiny)).json()
    assert better["shop"]["version"] == 2
    assert better["orders"][0]["finish"] < plan["orders"][0]["finish"]


def events(lines: Iterator[str]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Name, id and data of each event of a stream, as it comes."""
    fields: dict[str, str] = {}
    for line in lines:
        name, _, value = line.partition(": ")
        if line and not line.startswith(":"):
            fields[name] = value
        elif fields:
            yield fields["event"], fields["id"], json.loads(fields["data"])
            fields = {}


def test_progress_comes_as_it_happens_and_goes_on_after_a_broken_line(client: httpx.Client, busy: Request) -> None:
    address = client.post("/v1/plans", json=busy, headers=ASYNC).headers["location"]
    with client.stream("GET", f"{address}/events") as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        last, data = next((at, told) for name, at, told in events(stream.iter_lines()) if name == "improved")
    assert (data["status"], data["score"] > 0) == ("solving", True)
    assert client.post(f"{address}/stop").status_code == 202
    with client.stream("GET", f"{address}/events", headers={"Last-Event-ID": last}) as stream:
        *_, (name, end, data) = events(stream.iter_lines())
    assert (name, data["status"]) == ("ready", "ready")
    assert client.get(f"{address}/events", headers={"Last-Event-ID": end}).status_code == 204


def test_a_call_that_is_sent_again_makes_no_second_plan(client: httpx.Client, tiny: Request) -> None:
    key = {"Idempotency-Key": '"order-book-of-monday"'}
    first, again = (client.post("/v1/plans", json=tiny, headers=key) for _ in range(2))
    assert (first.status_code, again.status_code, again.json()) == (201, 201, first.json())


def test_a_trace_goes_through_the_log(server: Any, client: httpx.Client, tiny: Request) -> None:
    trace = "4bf92f3577b34da6a3ce929d0e0e4736"
    answer = client.post("/v1/plans", json=tiny, headers=ASYNC | {"traceparent": f"00-{trace}-00f067aa0ba902b7-01"})
    assert answer.headers["traceparent"].startswith(f"00-{trace}-")
    assert answer.headers["traceparent"].endswith("-01")

    def told() -> list[Request]:
        return [json.loads(line) for line in server.log.read_text().splitlines() if trace in line]

    deadline = time.monotonic() + 10
    while not any(line["event"] == "call" for line in told()) and time.monotonic() < deadline:
        time.sleep(0.05)  # a call is logged once its answer is sent
    lines = told()
    assert {"POST"} == {line["method"] for line in lines if line["event"] == "call"}
    assert answer.json()["id"] in {line.get("plan") for line in lines}


def test_numbers_tell_of_plans_and_calls(client: httpx.Client, tiny: Request) -> None:
    client.post("/v1/plans", json=tiny)
    text = client.get("/metrics").text
    assert 'platerota_plans{state="waiting"}' in text
    ready = next(line for line in text.splitlines() if line.startswith('platerota_plans_ended_last_hour{state="ready"}'))
    assert float(ready.split()[1]) >= 1
    assert 'platerota_calls_total{method="POST",path="/v1/plans",status="201"}' in text


def test_keys_are_made_by_command_and_tenants_see_nothing_of_each_other(tmp_path: Path, tiny: Request) -> None:
    with started(tmp_path / "log") as server, server.client() as client:
        place = {"PLATEROTA_DATA_DIRECTORY": str(tmp_path / "data")}
        plan = client.post("/v1/plans", json=tiny, headers=ASYNC).headers["location"]
        ours, theirs = (command("keys", "create", "--tenant", tenant, **place).stdout.strip() for tenant in ("local", "other"))
        assert client.get(plan).status_code == 401
        assert client.get(plan, headers={"Authorization": f"Bearer {ours}"}).status_code == 200
        assert client.get(plan, headers={"X-API-Key": theirs}).status_code == 404
        assert ours.rsplit("_", 1)[-1] not in server.log.read_text()


class Receiver:
    """A program that takes webhooks: what it took, and the status that it answers."""

    def __init__(self) -> None:
        self.taken: list[tuple[dict[str, str], bytes]] = []
        self.status = 503
        self.arrived = threading.Condition()

    def wait(self, count: int) -> None:
        """Wait for the message of that number; the test's own time limit is the end of patience."""
        with self.arrived:
            self.arrived.wait_for(lambda: len(self.taken) >= count)


@contextmanager
def receiving() -> Iterator[tuple[Receiver, str]]:
    """A receiver and its address, until the block ends."""
    receiver = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            with receiver.arrived:
                self.send_response(receiver.status)
                self.end_headers()
                receiver.taken.append((dict(self.headers), body))
                receiver.arrived.notify_all()

        def log_message(self, format: str, *args: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield receiver, f"http://127.0.0.1:{server.server_port}/hooks"
    finally:
        server.shutdown()
        server.server_close()


def test_a_message_that_did_not_arrive_is_sent_again_by_the_service_after_a_crash(tmp_path: Path, tiny: Request) -> None:
    with receiving() as (receiver, url):
        with started(tmp_path / "log", PLATEROTA_WEBHOOKS_INSIDE="true") as server, server.client() as client:
            hook = client.post("/v1/webhooks", json={"url": url}).json()
            plan = client.post("/v1/plans", json=tiny).json()
            receiver.wait(1)
            server.process.send_signal(signal.SIGKILL)
            server.process.wait()
        receiver.status = 204
        with started(tmp_path / "log", PLATEROTA_WEBHOOKS_INSIDE="true") as server, server.client() as client:
            receiver.wait(2)
            for headers, body in receiver.taken:
                assert Webhook(hook["secret"]).verify(body, headers)["data"]["id"] == plan["id"]
            assert len({headers["webhook-id"] for headers, _ in receiver.taken}) == 1
            while True:
                (entry,) = client.get(f"/v1/webhooks/{hook['id']}/deliveries").json()["items"]
                if entry["state"] == "delivered":
                    return
