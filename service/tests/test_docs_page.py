"""The page of the API description: it works in a shop without internet, and says nothing that a browser could run."""

import re
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from platerota_service.docs_page import cookbook_page, docs_page, erp_page, kind, ticks

pytestmark = pytest.mark.anyio


async def test_it_names_every_call_and_every_field(app: FastAPI, client: httpx.AsyncClient) -> None:
    answer = await client.get("/docs")
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    description = app.openapi()
    for path, entry in description["paths"].items():
        for operation in entry.values():
            assert f'id="{operation["operationId"]}"' in answer.text
        assert path in answer.text
    for name in description["components"]["schemas"]:
        assert f'id="schema-{name}"' in answer.text


async def test_it_loads_nothing_from_elsewhere_and_links_to_what_is_there(client: httpx.AsyncClient) -> None:
    text = (await client.get("/docs")).text
    assert "<script" not in text
    assert not re.search(r'(src|href)="(https?:)?//', text)
    anchors = set(re.findall(r' id="([^"]+)"', text))
    assert set(re.findall(r'href="#([^"]+)"', text)) <= anchors


async def test_the_page_about_an_erp_is_served_beside_it(client: httpx.AsyncClient) -> None:
    answer = await client.get("/docs/erp-exchange")
    assert answer.headers["content-type"] == "text/markdown; charset=utf-8"
    assert answer.text == erp_page()
    assert "`OperationsSchedule`" in answer.text


async def test_the_cookbook_is_served_beside_it(client: httpx.AsyncClient) -> None:
    answer = await client.get("/docs/cookbook")
    assert (answer.headers["content-type"], answer.text) == ("text/markdown; charset=utf-8", cookbook_page())
    assert "## An operator is ill" in answer.text


async def test_words_of_the_description_are_never_markup(app: FastAPI) -> None:
    description = app.openapi()
    described = {**description, "info": {**description["info"], "description": "`<b>`\n\n<script>alert(1)</script>"}}
    assert "<script" not in docs_page(described)
    assert ticks("`<b>`") == "<code>&lt;b&gt;</code>"


@pytest.mark.parametrize(
    ("schema", "words"),
    [
        ({"type": "integer"}, "integer"), ({"type": "string", "format": "date"}, "date"), ({}, "any"),
        ({"anyOf": [{"type": "number"}, {"type": "null"}]}, "number or null"),
        ({"oneOf": [{"type": "number"}, {"type": "string"}]}, "number or string"),
        ({"type": "string", "examples": ["06:00", "24:00"]}, "string such as <code>06:00</code>"),
        ({"type": "array", "items": {"$ref": "#/components/schemas/Plate"}}, 'list of <a href="#schema-Plate">Plate</a>'),
        ({"type": "object", "additionalProperties": {"type": "integer"}}, "map to integer"),
        ({"enum": ["hand", "automatic"]}, "<code>hand</code>, <code>automatic</code>"), ({"const": "ok"}, "<code>ok</code>"),
    ],
)
async def test_a_type_is_a_few_words(schema: dict[str, Any], words: str) -> None:
    assert kind(schema) == words
