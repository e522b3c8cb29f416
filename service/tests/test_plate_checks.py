"""The call that checks a plate: refusals first, then well."""

from typing import Any

import httpx
import pytest

from platerota_service.answers import example
from platerota_service.problems import PROBLEM_JSON

pytestmark = pytest.mark.anyio

ADDRESS = "/v1/plate-checks"


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [(b"{}", "text/plain", 415), (b"[]", "application/json", 400), (b"{", "application/json", 400), (b"\xff", "application/json", 400),
     (b" " * 300_000, "application/json", 413), (b"{}", "application/json", 422)],
)
async def test_what_is_no_question_is_a_problem(client: httpx.AsyncClient, body: bytes, kind: str, status: int) -> None:
    answer = await client.post(ADDRESS, content=body, headers={"Content-Type": kind})
    assert (answer.status_code, answer.headers["content-type"]) == (status, PROBLEM_JSON)


async def test_every_fault_is_told_at_once(client: httpx.AsyncClient) -> None:
    answer = await client.post(ADDRESS, json={"plate": {"size_x": "16"}, "lift": {"coupling": "slimy"}, "lifts": 1})
    assert {one["pointer"] for one in answer.json()["errors"]} == {"/plate/size_x", "/plate/size_y", "/lift/coupling", "/lifts"}


async def test_the_example_of_faults_is_what_such_a_question_is_answered(client: httpx.AsyncClient) -> None:
    description = (await client.get("/openapi.json")).json()
    examples = description["paths"][ADDRESS]["post"]["responses"]["422"]["content"][PROBLEM_JSON]["examples"]
    question: dict[str, Any] = example("plate-check-request")
    plate = {name: value for name, value in question["plate"].items() if name != "thickness"}
    assert (await client.post(ADDRESS, json={**question, "plate": plate, "nests": 0})).json() == examples["faults-in-request"]["value"]


async def test_the_answer_is_the_described_example(client: httpx.AsyncClient) -> None:
    answer = await client.post(ADDRESS, json=example("plate-check-request"))
    description = (await client.get("/openapi.json")).json()
    assert answer.status_code == 200
    assert answer.json() == description["components"]["examples"]["plate-check"]["value"]
    assert (answer.json()["nests"], [one["fits"] for one in answer.json()["machines"]]) == (8, [True, False])
