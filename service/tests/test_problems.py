"""RFC 9457 (https://www.rfc-editor.org/rfc/rfc9457): every error is problem details, and a fault of ours shows nothing of it."""

import httpx
import pytest
from fastapi import FastAPI

from platerota_service.access.headers import SAFE_HEADERS
from platerota_service.kinds import KINDS
from platerota_service.problems import PROBLEM_JSON
from proof_tools.outside import Outside

pytestmark = pytest.mark.anyio


@pytest.mark.parametrize(
    ("method", "path", "status", "kind"),
    [
        ("GET", "/", 404, "not-found"), ("GET", "/v1/plans/", 404, "not-found"), ("GET", "/v1/plan", 404, "not-found"),
        ("PUT", "/v1/plans", 405, "wrong-method"), ("PUT", "/v1/plans/1", 405, "wrong-method"),
        ("GET", "/v1/plans/1/stop", 405, "wrong-method"),
        ("POST", "/v1/health/live", 405, "wrong-method"),
    ],
)
async def test_the_framework_s_own_errors_are_problems(
    outside: Outside, client: httpx.AsyncClient, method: str, path: str, status: int, kind: str,
) -> None:
    answer = await client.request(method, path)
    outside(f"{method} {path}: status", answer.status_code, status, "RFC 9110", "memory")
    outside(f"{method} {path}: media type", answer.headers["content-type"], "application/problem+json", "RFC 9457", "memory")
    outside(f"{method} {path}: `status` in the body", answer.json()["status"], status, "RFC 9457", "memory")
    assert answer.json()["type"] == KINDS[kind].type
    assert ("allow" in answer.headers) == (status == 405)


@pytest.mark.parametrize(
    ("path", "methods"),
    [
        ("/v1/plans/1", "DELETE, GET, HEAD"), ("/v1/plans", "GET, HEAD, POST"), ("/v1/plans/1/stop", "POST"), ("/docs", "GET, HEAD"),
        # Not the methods of a table, though the words `plan` and `plans` could stand for one.
        ("/v1/shops/main/plan", "GET, HEAD"), ("/v1/shops/main/plans", "POST"), ("/v1/shops/main/plates", "GET, HEAD, POST"),
    ],
)
async def test_allow_names_every_method_of_the_address(outside: Outside, client: httpx.AsyncClient, path: str, methods: str) -> None:
    """RFC 9110 section 10.2.1: https://www.rfc-editor.org/rfc/rfc9110#section-10.2.1."""
    answer = await client.patch(path)
    assert answer.headers["allow"] == methods
    outside(f"PATCH {path}, which has none: status", answer.status_code, 405, "RFC 9110", "memory")


async def test_a_fault_of_ours_shows_nothing_but_a_name_for_the_log(
    app: FastAPI, client: httpx.AsyncClient, caplog: pytest.LogCaptureFixture,
) -> None:
    async def broken() -> None:
        raise RuntimeError("the password is swordfish")

    app.add_api_route("/broken", broken)
    answer = await client.get("/broken")
    assert (answer.status_code, answer.headers["content-type"]) == (500, PROBLEM_JSON)
    assert {name: answer.headers[name] for name in SAFE_HEADERS} == SAFE_HEADERS
    assert "swordfish" not in answer.text
    assert "RuntimeError" not in answer.text
    assert answer.json()["instance"] in caplog.text
    assert "swordfish" in caplog.text


@pytest.mark.parametrize(
    ("address", "place", "detail", "mend"),
    [
        ("GET /v1/plans?limit=500", "query/limit", "limit must be a whole number of at most 200, not '500'", "at most 200"),
        ("GET /v1/plans?limit=two", "query/limit", "limit must be a whole number, not 'two'", "give a whole number"),
        (f"GET /v1/plans?limit={'9' * 5_000}", "query/limit", "limit must be a whole number, not '9999", "give a whole number"),
        ("GET /v1/plans?status=reddy", "query/status", "status must be 'waiting', 'solving', 'ready', 'failed'", "write 'waiting', "),
        (f"GET /v1/plans?cursor={'x' * 201}", "query/cursor", "cursor must have at most 200 characters, not 201", "shorten it"),
        ("GET /v1/plans?shop=Halle 1", "query/shop", "shop must be of 1 to 64 letters (a to z), digits, '.'", "such as hall-1"),
        ("PUT /v1/shops/Halle 1", "path/shop_id", "shop_id must be of 1 to 64 letters (a to z), digits, '.'", "such as hall-1"),
        ("PUT /v1/shops/.hall", "path/shop_id", "shop_id must be of 1 to 64 letters (a to z), digits, '.'", "such as hall-1"),
        ("GET /v1/plans/1/differences", "query/against", "against is missing", "add it"),
        ("POST /v1/plans?rush=maybe", "query/rush", "rush must be true or false, not 'maybe'", "give true or false"),
    ],
)
async def test_what_is_wrong_with_a_parameter_is_said_in_words_of_the_trade(
    client: httpx.AsyncClient, address: str, place: str, detail: str, mend: str,
) -> None:
    method, _, target = address.partition(" ")
    answer = await client.request(method, target)
    assert (answer.status_code, answer.headers["content-type"]) == (422, PROBLEM_JSON)
    (fault,) = answer.json()["errors"]
    assert (fault["pointer"], fault["code"], fault["detail"][: len(detail)]) == (f"/{place}", "parameter", detail)
    assert mend in fault["mend"]


@pytest.mark.parametrize(
    ("address", "name", "mend"),
    [
        ("/v1/plans?state=ready", "state", "did you mean 'status'?"), ("/v1/plans?limit=1&Limit=2", "Limit", "did you mean 'limit'?"),
        ("/v1/plans/1/load-windows.ics?operater=Ines", "operater", "did you mean 'operator'?"),
        ("/v1/plans/1/board?dya=2027-03-01", "dya", "did you mean 'day'?"), ("/v1/sign-in?nxt=/v1/board", "nxt", "did you mean 'next'?"),
        ("/v1/plans?zzz", "zzz", "leave it out; the parameters are cursor, limit, shop, status"),
        ("/v1/plans/1/costs?zzz=", "zzz", "leave it out; this call has no parameters"),
    ],
)
async def test_a_parameter_that_the_call_does_not_have_is_answered_with_the_nearest(
    client: httpx.AsyncClient, address: str, name: str, mend: str,
) -> None:
    answer = await client.get(address)
    assert (answer.status_code, answer.headers["content-type"]) == (422, PROBLEM_JSON)
    (fault,) = answer.json()["errors"]
    assert fault == {
        "pointer": f"/query/{name}", "code": "unknown-parameter", "detail": f"the call has no parameter '{name}'", "mend": mend,
    }


async def test_of_many_unknown_parameters_a_few_are_told(client: httpx.AsyncClient) -> None:
    answer = await client.get("/v1/plans", params={f"p{number}": "" for number in range(1_000)})
    assert [fault["pointer"] for fault in answer.json()["errors"]] == [f"/query/p{number}" for number in range(20)]


async def test_an_http_error_without_a_kind_of_its_own_keeps_its_status(app: FastAPI, client: httpx.AsyncClient) -> None:
    from starlette.exceptions import HTTPException

    async def teapot() -> None:
        raise HTTPException(418)

    app.add_api_route("/teapot", teapot)
    answer = await client.get("/teapot")
    assert (answer.status_code, answer.json()["status"], answer.json()["type"]) == (418, 418, KINDS["http"].type)
