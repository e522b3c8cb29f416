"""The service as a whole: its description and its imports."""

import json
import subprocess
import sys
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from openapi_schema_validator import OAS31Validator
from openapi_spec_validator import validate

from platerota_service.answers import example
from platerota_service.app import create_app
from platerota_service.child_engine import ChildEngine
from platerota_service.engine import Submission
from platerota_service.plan_answers import PlanAnswer
from platerota_service.settings import ServiceSettings
from platerota_shared.audit import audit

pytestmark = pytest.mark.anyio

METHODS = ("get", "put", "post", "delete")


@pytest.fixture
def description(app: FastAPI) -> dict[str, Any]:
    return app.openapi()


def operations(description: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {f"{verb} {path}": entry[verb] for path, entry in description["paths"].items() for verb in METHODS if verb in entry}


def schema(description: dict[str, Any], name: str) -> OAS31Validator:
    return OAS31Validator({"$ref": f"#/components/schemas/{name}", "components": description["components"]})


async def test_the_description_is_valid_and_served(client: httpx.AsyncClient) -> None:
    answer = await client.get("/openapi.json")
    validate(answer.json())
    assert (await client.get("/docs")).status_code == 200


async def test_the_calls_are_those_of_the_contract(description: dict[str, Any]) -> None:
    assert set(operations(description)) == {
        "post /v1/plans", "get /v1/plans/{plan_id}", "post /v1/plans/{plan_id}/stop", "delete /v1/plans/{plan_id}",
        "get /v1/health/live", "get /v1/health/ready", "get /v1/problems/{name}",
    }


async def test_every_call_has_a_name_words_a_known_tag_and_a_description_for_each_answer(description: dict[str, Any]) -> None:
    tags = {tag["name"] for tag in description["tags"]}
    found = operations(description)
    assert len({operation["operationId"] for operation in found.values()}) == len(found)
    for name, operation in found.items():
        assert operation["summary"], name
        assert operation["description"], name
        assert set(operation["tags"]) <= tags, name
        assert all(answer["description"] not in ("", "Successful Response") for answer in operation["responses"].values()), name
        assert all(one["description"] for one in operation.get("parameters", ())), name


async def test_every_error_is_described_as_it_is_sent(description: dict[str, Any]) -> None:
    for name, operation in operations(description).items():
        for status, answer in operation["responses"].items():
            if status == "default" or int(status) >= 400:
                (media, content), = answer["content"].items()
                assert (media, content["schema"]) == ("application/problem+json", {"$ref": "#/components/schemas/Problem"}), (name, status)
                for one in content["examples"].values():
                    schema(description, "Problem").validate(one["value"])
    assert "HTTPValidationError" not in description["components"]["schemas"]


async def test_the_examples_are_true(description: dict[str, Any], submission: Submission) -> None:
    create = operations(description)["post /v1/plans"]
    (request,) = create["requestBody"]["content"]["application/json"]["examples"].values()
    schema(description, "PlanRequest").validate(request["value"])
    for status in ("201", "202"):
        (plan,) = create["responses"][status]["content"]["application/json"]["examples"].values()
        schema(description, "PlanAnswer").validate(plan["value"])
    assert audit(submission.request, PlanAnswer.from_document(example("plan")).plan()) == []


async def test_answers_are_as_described(client: httpx.AsyncClient, description: dict[str, Any], request_document: dict[str, Any]) -> None:
    answer = await client.post("/v1/plans", json=request_document, headers={"Prefer": "respond-async"})
    schema(description, "PlanAnswer").validate(answer.json())
    schema(description, "Problem").validate((await client.post("/v1/plans", json={})).json())


async def test_the_app_closes_its_engine(settings: ServiceSettings, engine: ChildEngine) -> None:
    app = create_app(settings, engine)
    async with app.router.lifespan_context(app):
        assert await engine.ready()
    assert not await engine.ready()


def test_the_serving_process_never_loads_the_optimiser() -> None:
    code = (
        "import json, sys, platerota_service.command_line, platerota_service.app as a; a.create_app(); "
        "print(json.dumps([m for m in ('ortools', 'numba', 'platerota_solver') if m in sys.modules]))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert json.loads(found.stdout) == []
