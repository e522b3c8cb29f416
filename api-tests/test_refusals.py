"""What a caller does wrong, as a new user would: each answer is problem details and says what to do."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

Request = dict[str, Any]
JSON = {"Content-Type": "application/json"}


def problem(answer: httpx.Response, status: int) -> dict[str, Any]:
    """The problem in an answer of that status; it is complete, and its type can be looked up."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = answer.json()
    assert body["status"] == status
    assert body["title"]
    assert body["detail"]
    assert body["type"].startswith("/v1/problems/")
    return body


def faults(client: httpx.Client, request: Request) -> dict[str, list[str]]:
    """What is wrong with a request that is refused: code, sentence and mend by pointer."""
    body = problem(client.post("/v1/plans", json=request), 422)
    return {one["pointer"]: [one["code"], one["detail"], one["mend"]] for one in body["errors"]}


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/", 404), ("GET", "/v1", 404), ("GET", "/plans", 404), ("GET", "/v1/plans/", 404), ("GET", "/v1/plans/nothing", 404),
        ("DELETE", "/v1/plans/nothing", 404), ("POST", "/v1/plans/nothing/stop", 404), ("DELETE", "/v1/plans", 405),
        ("PUT", "/v1/plans", 405),
        ("PATCH", "/v1/plans/nothing", 405), ("GET", "/v1/plans/nothing/stop", 405), ("POST", "/v1/health/live", 405),
        ("GET", "/v1/plans/" + "x" * 3_000, 404), ("GET", "/v1/plans/%00%ff", 404), ("GET", "/v1/plans/..%2f..%2fetc", 404),
    ],
)
def test_wrong_addresses_and_methods(client: httpx.Client, method: str, path: str, status: int) -> None:
    answer = client.request(method, path)
    problem(answer, status)
    assert ("allow" in answer.headers) == (status == 405)


def test_the_type_of_a_problem_says_what_to_do(client: httpx.Client) -> None:
    kind = client.get(client.get("/v1/plans/nothing").json()["type"])
    assert kind.status_code == 200
    assert kind.json()["advice"]


def test_a_form_instead_of_json(client: httpx.Client, tiny: Request) -> None:
    problem(client.post("/v1/plans", data={"orders": "1"}), 415)
    problem(client.post("/v1/plans", files={"file": json.dumps(tiny)}), 415)
    problem(client.post("/v1/plans", content=json.dumps(tiny)), 415)
    problem(client.post("/v1/plans"), 415)


def test_a_body_past_16_mib_announced(client: httpx.Client) -> None:
    assert "16,777,216" in problem(client.post("/v1/plans", content=b" " * (16 * 2**20 + 1), headers=JSON), 413)["detail"]


def test_a_body_past_16_mib_in_chunks(client: httpx.Client) -> None:
    def endless() -> Iterator[bytes]:
        while True:
            yield b" " * 2**16

    problem(client.post("/v1/plans", content=endless(), headers=JSON), 413)
    assert client.get("/v1/health/ready").status_code == 200


def test_a_body_of_just_16_mib_is_read(client: httpx.Client, tiny: Request) -> None:
    tiny["orders"][0]["part"] = "unknown"
    body = json.dumps(tiny).encode()
    problem(client.post("/v1/plans", content=body + b" " * (16 * 2**20 - len(body)), headers=JSON), 422)


@pytest.mark.parametrize(
    "body",
    [
        b"", b"hello", b"[]", b"12", b"null", b'{"now": "2027-03-01T06:00:00"', b"[" * 200_000, b'{"a":' * 200_000, b"\x00\x01",
        b"9" * 10_000,
        '{"note": "Größe"}'.encode("latin-1"), '{"note": "Größe"}'.encode("utf-16"), b'{"note": "\\ud83d"}',
    ],
)
def test_what_is_no_json(client: httpx.Client, body: bytes) -> None:
    (error,) = problem(client.post("/v1/plans", content=body, headers=JSON), 400)["errors"]
    assert error["detail"]
    assert error["mend"]


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_are_none(client: httpx.Client, tiny: Request, number: str) -> None:
    tiny["orders"][0]["weight"] = 12_345
    body = json.dumps(tiny).replace("12345", number)
    (error,) = problem(client.post("/v1/plans", content=body, headers=JSON), 400)["errors"]
    assert error["pointer"] == "/orders/0/weight"


@pytest.mark.parametrize(
    ("instant", "words"),
    [
        (46_447.25, "2027-03-01"), ("46447.25", "2027-03-01"), (1_804_000_000, "2027-03-02"), ("tomorrow", "2027-03-01T06:00:00"),
        ("03/04/2027", "2027-03-01T06:00:00"), ("2027-13-01T06:00:00", "calendar"), ("2027-03-28T01:30:00", "does not exist"),
        ("2027-10-31T01:30:00", "twice"), (None, ""), (True, ""), ("", ""),
    ],
)
def test_bad_instants(client: httpx.Client, tiny: Request, instant: object, words: str) -> None:
    """Lisbon puts its clock forward on 2027-03-28 at 01:00 and back on 2027-10-31 at 02:00 (public timezone database)."""
    tiny["orders"][0]["due"] = instant
    found = faults(client, tiny)
    assert list(found) == ["/orders/0/due"]
    assert words in " ".join(found["/orders/0/due"])


def test_a_misspelt_column_names_the_nearest(client: httpx.Client, tiny: Request) -> None:
    tiny["orders"][0]["quantitty"] = 5
    assert "quantity" in " ".join(faults(client, tiny)["/orders/0/quantitty"])


def test_an_empty_request_lists_what_is_missing(client: httpx.Client) -> None:
    assert {"/now", "/shop"} <= set(faults(client, {}))


def test_all_faults_come_at_once(client: httpx.Client, tiny: Request) -> None:
    tiny["now"] = 5
    tiny["shop"]["machines"][0]["travel_x"] = "16 parsec"
    tiny["shop"]["shifts"][0]["end"] = "25:00"
    tiny["orders"][0]["quantity"] = -1
    assert {"/now", "/shop/machines/0/travel_x", "/shop/shifts/0/end", "/orders/0/quantity"} <= set(faults(client, tiny))


def test_a_long_solve_without_the_header(client: httpx.Client, tiny: Request) -> None:
    tiny["settings"]["solve_seconds"] = 26
    assert "Prefer: respond-async" in problem(client.post("/v1/plans", json=tiny), 400)["detail"]
