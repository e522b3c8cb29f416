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


async def test_a_parameter_the_framework_refuses_is_a_problem(app: FastAPI, client: httpx.AsyncClient) -> None:
    async def paged(page: int) -> int:
        return page

    app.add_api_route("/paged", paged)
    answer = await client.get("/paged?page=two")
    assert (answer.status_code, answer.headers["content-type"]) == (422, PROBLEM_JSON)
    assert answer.json()["errors"][0]["pointer"] == "/query/page"


async def test_an_http_error_without_a_kind_of_its_own_keeps_its_status(app: FastAPI, client: httpx.AsyncClient) -> None:
    from starlette.exceptions import HTTPException

    async def teapot() -> None:
        raise HTTPException(418)

    app.add_api_route("/teapot", teapot)
    answer = await client.get("/teapot")
    assert (answer.status_code, answer.json()["status"], answer.json()["type"]) == (418, 418, KINDS["http"].type)
