"""Plans by a real solver in a real server: empty, then well, then stopped, deleted and killed."""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest

from .conftest import started

Request = dict[str, Any]
Until = Callable[[httpx.Client, str, Callable[[dict[str, Any]], bool]], dict[str, Any]]
ASYNC = {"Prefer": "respond-async"}


def has_runs(plan: dict[str, Any]) -> bool:
    return bool(plan["runs"])


def gone(process_id: int) -> bool:
    """Wait until a process has ended; the test's own time limit is the end of patience."""
    while True:
        try:
            os.kill(process_id, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.05)


def under_way(client: httpx.Client, request: Request, until: Until) -> str:
    """The address of a plan that has its first runs while the optimiser goes on."""
    answer = client.post("/v1/plans", json=request, headers=ASYNC)
    assert answer.status_code == 202, answer.text
    address: str = answer.headers["location"]
    until(client, address, has_runs)
    return address


def test_no_orders_are_a_plan_without_runs(client: httpx.Client, tiny: Request) -> None:
    tiny["orders"] = []
    answer = client.post("/v1/plans", json=tiny)
    assert answer.status_code == 201, answer.text
    plan = answer.json()
    assert (plan["status"], plan["quality"], plan["score"]["total"]) == ("ready", "optimal", 0)
    assert plan["runs"] == plan["tasks"] == plan["orders"] == []
    assert [lane["id"] for lane in plan["lanes"]] == ["mill-1", "P1", "ana"]


def test_a_call_that_waits_gets_the_plan(client: httpx.Client, tiny: Request) -> None:
    answer = client.post("/v1/plans", json=tiny)
    assert answer.status_code == 201, answer.text
    plan = answer.json()
    assert (plan["status"], plan["quality"], plan["score"]["gap"]) == ("ready", "optimal", 0)
    assert [run["pieces"] for run in plan["runs"]] == [[{"order": "A-1042", "part": "bracket", "op": 10, "pieces": 4}]] * 2
    # One plate, one operator: two cycles of 120 + 10 + 2,520 + 10 + 70 = 2,730 s, one after the other from 06:00:00.
    assert plan["orders"][0]["finish"] == "2027-03-01T07:31:00+00:00"
    assert client.get(answer.headers["location"]).json() == plan


def test_respond_async_then_wait(client: httpx.Client, tiny: Request) -> None:
    answer = client.post("/v1/plans", json=tiny, headers=ASYNC)
    assert answer.status_code == 202
    assert answer.headers["preference-applied"] == "respond-async"
    assert int(answer.headers["retry-after"]) == 5
    assert (answer.json()["runs"], answer.json()["tasks"]) == ([], [])
    held = client.get(answer.headers["location"], headers={"Prefer": "wait=60"})
    assert (held.status_code, held.json()["status"], held.headers["preference-applied"]) == (200, "ready", "wait=60")


def test_stop_keeps_the_best_plan(client: httpx.Client, busy: Request, until: Until) -> None:
    address = under_way(client, busy, until)
    assert client.post(f"{address}/stop").status_code == 202
    plan = client.get(address, headers={"Prefer": "wait=60"}).json()
    assert plan["status"] == "ready"
    assert {order["id"] for order in plan["orders"]} == {order["id"] for order in busy["orders"]}
    assert plan["progress"]["stage"]
    assert client.post(f"{address}/stop").status_code == 409


def test_a_plan_in_the_queue_is_stopped_without_one(client: httpx.Client, busy: Request, tiny: Request, until: Until) -> None:
    running = under_way(client, busy, until)
    waiting = client.post("/v1/plans", json=tiny, headers=ASYNC).headers["location"]
    assert client.get(waiting).json()["status"] == "waiting"
    assert client.post(f"{waiting}/stop").json()["status"] == "stopped"
    assert client.delete(running).status_code == 204


def test_delete_ends_the_solve(client: httpx.Client, server: Any, busy: Request, until: Until) -> None:
    address = under_way(client, busy, until)
    (child,) = server.children()
    assert client.delete(address).status_code == 204
    assert gone(child)
    assert client.delete(address).status_code == 404
    assert client.get(address).status_code == 404


def test_a_killed_solver_leaves_its_last_valid_plan(client: httpx.Client, server: Any, busy: Request, until: Until) -> None:
    address = under_way(client, busy, until)
    (child,) = server.children()
    os.kill(child, signal.SIGKILL)
    plan = client.get(address, headers={"Prefer": "wait=60"}).json()
    assert plan["status"] == "ready"
    assert plan["runs"]
    assert "solve-ended-early" in [warning["code"] for warning in plan["warnings"]]


def test_a_request_whose_solver_is_killed_each_time_before_its_first_plan_is_a_failure_in_words(
    client: httpx.Client, server: Any, busy: Request,
) -> None:
    address = client.post("/v1/plans", json=busy, headers=ASYNC).headers["location"]
    while (plan := client.get(address).json())["status"] in ("waiting", "solving"):
        for child in server.children():
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
    assert plan["status"] == "failed"
    assert "SIGKILL" in plan["problem"]["detail"]
    assert client.post(f"{address}/stop").status_code == 409


def test_a_solver_killed_once_is_started_again(client: httpx.Client, server: Any, tiny: Request) -> None:
    address = client.post("/v1/plans", json=tiny, headers=ASYNC).headers["location"]
    while not server.children():
        time.sleep(0.001)
    os.kill(server.children()[0], signal.SIGKILL)
    plan = client.get(address, headers={"Prefer": "wait=60"}).json()
    assert (plan["status"], plan["quality"]) == ("ready", "optimal")


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_a_plan_outlives_its_server(tmp_path: Path, tiny: Request, how: signal.Signals) -> None:
    with started(tmp_path / "log", PLATEROTA_SOLVE_SLOTS="1") as server, server.client() as client:
        done = client.post("/v1/plans", json=tiny).headers["location"]
        before = client.get(done).json()
        taken = client.post("/v1/plans", json=tiny, headers=ASYNC).headers["location"]
        while not server.children():
            time.sleep(0.01)
        server.process.send_signal(how)
        server.process.wait()
    with started(tmp_path / "log", PLATEROTA_SOLVE_SLOTS="1") as server, server.client() as client:
        assert client.get(done).json() == before
        assert client.get(taken, headers={"Prefer": "wait=60"}).json()["status"] == "ready"


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_no_solver_outlives_its_server(own_server: Any, busy: Request, until: Until, how: signal.Signals) -> None:
    with own_server.client() as client:
        under_way(client, busy, until)
        (child,) = own_server.children()
        own_server.process.send_signal(how)
        own_server.process.wait()
        assert gone(child)


def test_a_server_on_its_way_down_answers_who_waits(own_server: Any, busy: Request) -> None:
    busy["settings"]["solve_seconds"] = 25
    with own_server.client() as client, ThreadPoolExecutor() as threads:
        waiting = threads.submit(client.post, "/v1/plans", json=busy)
        while not own_server.children():
            time.sleep(0.01)
        own_server.process.terminate()
        answer = waiting.result()
    assert (answer.status_code, answer.headers["content-type"]) == (503, "application/problem+json")


def test_the_service_says_that_it_lives_and_what_it_does(client: httpx.Client) -> None:
    assert client.get("/v1/health/live").json() == {"status": "ok"}
    assert client.get("/v1/health/ready").json() == {"status": "ok"}
    assert "text/html" in client.get("/docs").headers["content-type"]
    assert client.get("/openapi.json").json()["openapi"].startswith("3.1")
