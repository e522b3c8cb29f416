"""Every problem's `type` and every fault's `code` has an address that says what it means, for programs and for people."""

import httpx
import pytest

from platerota_service.kinds import CALL_CODES, KINDS
from platerota_service.problems import PROBLEM_JSON
from platerota_service.workbook import SHEET_CODES
from platerota_shared.faults import CODES

pytestmark = pytest.mark.anyio


async def test_an_unknown_kind_of_problem(client: httpx.AsyncClient) -> None:
    answer = await client.get("/v1/problems/boredom")
    assert (answer.status_code, answer.headers["content-type"]) == (404, PROBLEM_JSON)


async def test_every_kind_of_problem_says_what_to_do(client: httpx.AsyncClient) -> None:
    for kind in KINDS.values():
        body = (await client.get(kind.type)).json()
        assert body == {"type": kind.type, "of": "problem", "title": kind.title, "status": kind.status, "advice": kind.advice}


async def test_every_code_of_a_fault_says_what_it_means(client: httpx.AsyncClient) -> None:
    for code, meaning in {**CODES, **CALL_CODES}.items():
        body = (await client.get(f"/v1/problems/{code}")).json()
        if code not in KINDS:
            assert (body["of"], body["title"]) == ("fault", meaning)


async def test_people_get_a_page_that_loads_nothing_from_elsewhere(client: httpx.AsyncClient) -> None:
    answer = await client.get("/v1/problems/no-nest", headers={"Accept": "text/html,application/xhtml+xml"})
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert CODES["no-nest"] in answer.text
    assert "<script" not in answer.text
    assert "http" not in answer.text.replace("<!doctype html>", "")


async def test_all_of_them_are_listed(client: httpx.AsyncClient) -> None:
    listed = (await client.get("/v1/problems")).json()
    assert (listed["self"], listed["next"]) == ("/v1/problems", None)
    names = {item["type"].rsplit("/", 1)[-1] for item in listed["items"]}
    assert names == set(KINDS) | set(CODES) | set(CALL_CODES) | set(SHEET_CODES)
    assert 'id="warming-up"' in (await client.get("/v1/problems", headers={"Accept": "text/html"})).text
