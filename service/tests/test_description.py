"""The API description: valid, complete, true, and the one that is stored."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from openapi_schema_validator import OAS31Validator, oas31_format_checker
from openapi_spec_validator import validate

from platerota_service.answers import example, replanned_example
from platerota_service.app import create_app
from platerota_service.description import description_text
from platerota_service.engine import Submission
from platerota_service.formats import XLSX
from platerota_service.plan_answers import PlanAnswer
from platerota_service.workbook import rows_csv
from platerota_shared.audit import audit
from platerota_shared.changes import apply_changes
from platerota_shared.differences import COLUMNS, Differences, difference_rows
from platerota_shared.faults import CODES
from platerota_shared.kpi_formulas import SHOP_ELEMENTS, SHOP_FORMULAS, SPINDLE_USES

pytestmark = pytest.mark.anyio

METHODS = ("get", "put", "post", "delete")
STORED = Path(__file__).parents[1] / "openapi.json"


@pytest.fixture
def description(app: FastAPI) -> dict[str, Any]:
    return app.openapi()


def operations(description: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {f"{verb} {path}": entry[verb] for path, entry in description["paths"].items() for verb in METHODS if verb in entry}


def schema(description: dict[str, Any], name: str) -> OAS31Validator:
    return OAS31Validator({"$ref": f"#/components/schemas/{name}", "components": description["components"]})


def value(description: dict[str, Any], given: dict[str, Any]) -> Any:
    """The value of an example that is given by its name."""
    return description["components"]["examples"][given["$ref"].removeprefix("#/components/examples/")]["value"]


async def test_the_description_is_valid_and_served(client: httpx.AsyncClient) -> None:
    answer = await client.get("/openapi.json")
    validate(answer.json())
    assert (await client.get("/docs")).status_code == 200


async def test_the_calls_are_those_of_the_contract(description: dict[str, Any]) -> None:
    assert set(operations(description)) == {
        "post /v1/plans", "get /v1/plans/{plan_id}", "post /v1/plans/{plan_id}/stop", "delete /v1/plans/{plan_id}",
        "get /v1/plans", "get /v1/plans/{plan_id}/events", "put /v1/plans/{plan_id}/release", "delete /v1/plans/{plan_id}/release",
        "get /v1/shops", "get /v1/shops/{shop_id}", "put /v1/shops/{shop_id}", "delete /v1/shops/{shop_id}",
        "post /v1/shops/{shop_id}/plans", "get /v1/shops/{shop_id}/plan", "get /v1/shops/{shop_id}/{table}",
        "get /v1/shops/{shop_id}/plan/load-windows.ics",
        "post /v1/shops/{shop_id}/{table}", "get /v1/shops/{shop_id}/{table}/{row}", "put /v1/shops/{shop_id}/{table}/{row}",
        "delete /v1/shops/{shop_id}/{table}/{row}",
        "post /v1/links", "get /v1/webhooks", "post /v1/webhooks", "get /v1/webhooks/{hook_id}", "put /v1/webhooks/{hook_id}",
        "delete /v1/webhooks/{hook_id}", "post /v1/webhooks/{hook_id}/secret", "get /v1/webhooks/{hook_id}/deliveries",
        "post /v1/webhooks/{hook_id}/deliveries/{delivery_id}/resend",
        "get /v1/health/live", "get /v1/health/ready", "get /v1/problems", "get /v1/problems/{name}", "get /metrics",
        "post /v1/plans/{plan_id}/what-if-sweeps", "post /v1/plans/{plan_id}/rush-orders", "post /v1/plans/{plan_id}/promises",
        "post /v1/plans/{plan_id}/levers",
        "get /v1/questions", "get /v1/questions/{question_id}", "delete /v1/questions/{question_id}",
        "post /v1/questions/{question_id}/stop", "post /v1/plans/{plan_id}/replans",
        "post /v1/plans/{plan_id}/what-ifs", "get /v1/plans/{plan_id}/differences", "get /v1/plans/{plan_id}/costs",
        "get /v1/plans/{plan_id}/operations-schedule", "post /v1/plate-checks", "post /v1/plans/{plan_id}/risks",
        "get /v1/plans/{plan_id}/board", "get /v1/plans/{plan_id}/board/against/{other_id}", "get /v1/plans/{plan_id}/load-sheets",
        "get /v1/plans/{plan_id}/machine-sheets", "get /v1/plans/{plan_id}/gantt.svg", "get /v1/plans/{plan_id}/gantt.png",
        "get /v1/plans/{plan_id}/load.svg", "get /v1/plans/{plan_id}/load.png",
        "get /v1/workbook-template", "get /v1/plans/{plan_id}/load-windows.ics", "get /v1/board",
        "get /v1/sign-in", "post /v1/sign-in", "post /v1/sign-out", "get /v1/plans/{plan_id}/board/rush-order",
        "post /v1/plans/{plan_id}/board/rush-order", "get /v1/plans/{plan_id}/board/promise", "post /v1/plans/{plan_id}/board/promise",
        "get /v1/plans/{plan_id}/board/levers", "post /v1/plans/{plan_id}/board/levers", "get /v1/questions/{question_id}/board",
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


QUESTIONS = {"what-if-sweeps": "SweepRequest", "rush-orders": "RushRequest", "promises": "PromiseRequest", "levers": "LeversRequest"}


@pytest.mark.parametrize("call", QUESTIONS)
async def test_the_examples_of_a_question_are_true(description: dict[str, Any], call: str) -> None:
    found = operations(description)[f"post /v1/plans/{{plan_id}}/{call}"]
    (asked,) = found["requestBody"]["content"]["application/json"]["examples"].values()
    schema(description, QUESTIONS[call]).validate(value(description, asked))
    for status, state in (("201", ("ready", "solving")), ("202", ("waiting",))):
        (given,) = found["responses"][status]["content"]["application/json"]["examples"].values()
        question = value(description, given)
        schema(description, "QuestionAnswer").validate(question)
        assert (question["status"] in state, question["answer"] is None) == (True, status == "202")


async def test_the_promised_example_is_a_plan_of_the_example(description: dict[str, Any]) -> None:
    """The stored answer belongs to the stored request: its order comes first, by hand 2,730 s from 06:00 (load 120, exchange 20, cut 2,520,
    unload 70), and A-1042 after it.
    """
    answer = description["components"]["examples"]["promise"]["value"]["answer"]
    assert (answer["finish"], answer["harmless"], answer["certainty"]) == ("2027-03-01T06:45:30+00:00", True, 0.95)
    assert (answer["takes"]["spindle_seconds"], answer["takes"]["operator_seconds"]) == (2_520, 210)
    assert [(one["id"], one["finish_seconds"]) for one in answer["effect"]["worse"]] == [("A-1042", 2_730)]
    assert answer["promise"] > answer["finish"]


async def test_the_examples_are_true(description: dict[str, Any], submission: Submission) -> None:
    create = operations(description)["post /v1/plans"]
    (request,) = create["requestBody"]["content"]["application/json"]["examples"].values()
    schema(description, "PlanRequest").validate(value(description, request))
    for status in ("201", "202"):
        (plan,) = create["responses"][status]["content"]["application/json"]["examples"].values()
        schema(description, "PlanAnswer").validate(value(description, plan))
    exported = operations(description)["get /v1/plans/{plan_id}/operations-schedule"]["responses"]["200"]["content"]["application/json"]
    (schedule,) = exported["examples"].values()
    schema(description, "ScheduleDocument").validate(value(description, schedule))
    check = operations(description)["post /v1/plate-checks"]
    risks = operations(description)["post /v1/plans/{plan_id}/risks"]
    for content, model in (
        (check["requestBody"]["content"], "PlateCheckRequest"), (check["responses"]["200"]["content"], "PlateCheck"),
        (risks["requestBody"]["content"], "RisksQuestion"), (risks["responses"]["200"]["content"], "Risks"),
    ):
        (given,) = content["application/json"]["examples"].values()
        schema(description, model).validate(value(description, given))
    assert audit(submission.request, PlanAnswer.from_document(example("plan")).plan()) == []


async def test_the_examples_of_decisions_are_true(description: dict[str, Any], submission: Submission) -> None:
    found = operations(description)
    ask = found["post /v1/plans/{plan_id}/what-ifs"]
    (asked,) = ask["requestBody"]["content"]["application/json"]["examples"].values()
    schema(description, "WhatIfRequest").validate(value(description, asked))
    for status in ("201", "202"):
        (plan,) = ask["responses"][status]["content"]["application/json"]["examples"].values()
        schema(description, "PlanAnswer").validate(value(description, plan))
    changed = apply_changes(json.loads(submission.text), value(description, asked)["changes"])
    assert audit(changed.request, PlanAnswer.from_document(example("what-if-plan")).plan()) == []
    for call, model in (("differences", "Differences"), ("costs", "PlanCosts")):
        content = found[f"get /v1/plans/{{plan_id}}/{call}"]["responses"]["200"]["content"]
        (given,) = content["application/json"]["examples"].values()
        schema(description, model).validate(value(description, given))
    table = found["get /v1/plans/{plan_id}/differences"]["responses"]["200"]["content"]["text/csv"]["examples"]["table"]["value"]
    rows = difference_rows(Differences.model_validate(description["components"]["examples"]["differences"]["value"]))
    heading, shown = table.splitlines()
    assert heading.split(",") == list(COLUMNS)
    assert shown in rows_csv(COLUMNS, rows).decode().splitlines()


async def test_the_example_of_a_replan_is_true(description: dict[str, Any]) -> None:
    ask = operations(description)["post /v1/plans/{plan_id}/replans"]
    (asked,) = ask["requestBody"]["content"]["application/json"]["examples"].values()
    schema(description, "ReplanRequest").validate(value(description, asked))
    shown: dict[str, Any] = {}
    for status in ("201", "202"):
        (plan,) = ask["responses"][status]["content"]["application/json"]["examples"].values()
        shown[status] = value(description, plan)
        schema(description, "PlanAnswer").validate(shown[status])
    base, plan = (PlanAnswer.from_document(one).plan() for one in (example("plan"), example("replan-plan")))
    replanning = replanned_example()
    assert audit(replanning.request, plan, base) == []
    notes = [note.model_dump() for note in replanning.notes]
    assert (shown["202"]["warnings"], shown["201"]["warnings"][-1:]) == (notes, notes)


async def test_the_example_of_faults_is_what_such_a_request_is_answered(
    client: httpx.AsyncClient, description: dict[str, Any], request_document: dict[str, Any],
) -> None:
    del request_document["shop"]["plates"][0]["mount"]
    request_document["orders"][0]["part"] = "brackett"
    content = operations(description)["post /v1/plans"]["responses"]["422"]["content"]["application/problem+json"]
    assert (await client.post("/v1/plans", json=request_document)).json() == content["examples"]["faults-in-request"]["value"]


async def test_every_answer_has_an_example(description: dict[str, Any]) -> None:
    for name, operation in operations(description).items():
        for status, answer in operation["responses"].items():
            for media, content in answer.get("content", {}).items():
                if content["schema"].get("format") == "binary":
                    assert media in (XLSX, "application/zip"), (name, status)
                    continue
                model = content["schema"].get("$ref", "").rsplit("/", 1)[-1]
                given = content.get("examples") or content.get("example")
                assert given or description["components"]["schemas"][model].get("examples"), (name, status)


async def test_answers_are_as_described(client: httpx.AsyncClient, description: dict[str, Any], request_document: dict[str, Any]) -> None:
    answer = await client.post("/v1/plans", json=request_document, headers={"Prefer": "respond-async"})
    schema(description, "PlanAnswer").validate(answer.json())
    schema(description, "Problem").validate((await client.post("/v1/plans", json={})).json())


async def test_the_examples_of_bodies_are_of_their_schemas_formats_included(description: dict[str, Any]) -> None:
    """An instant without an offset is no `date-time` (RFC 3339), and a caller's tool would refuse to send it."""
    walked = 0
    for name, call in operations(description).items():
        content = call.get("requestBody", {}).get("content", {}).get("application/json", {})
        for given in content.get("examples", {}).values():
            entry = {"components": description["components"], **content["schema"]}
            shown = value(description, given) if "$ref" in given else given["value"]
            faults = OAS31Validator(entry, format_checker=oas31_format_checker).iter_errors(shown)
            assert [one.message for one in faults] == [], name
            walked += 1
    assert walked >= 11


async def test_links_lead_to_calls_with_every_id_that_they_need(description: dict[str, Any]) -> None:
    calls = {one["operationId"]: one for one in operations(description).values()}
    links = description["components"]["links"]
    for name, link in links.items():
        needed = {one["name"] for one in calls[link["operationId"]]["parameters"] if one.get("required")}
        assert set(link["parameters"]) == needed, name
    named = [
        one["$ref"].removeprefix("#/components/links/")
        for call in calls.values() for answer in call["responses"].values() for one in answer.get("links", {}).values()
    ]
    assert set(named) == set(links)
    made = calls["create_plan"]["responses"]["201"]["links"]
    assert set(made) == {one for one, call in calls.items() for parameter in call.get("parameters", ()) if parameter["name"] == "plan_id"}


def fields(description: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every field of every model, with its name as `Model.field`."""
    for model, entry in description["components"]["schemas"].items():
        for name, field in entry.get("properties", {}).items():
            yield f"{model}.{name}", field


async def test_the_stored_description_is_that_of_the_code() -> None:
    assert STORED.read_text(encoding="utf-8") == description_text(create_app()), "run `make openapi` and look at what changed"


async def test_every_field_of_every_model_says_what_it_means(description: dict[str, Any]) -> None:
    found = dict(fields(description))
    assert {"Machine.travel_x", "Shift.from", "PlanRequest.now", "Task.float_seconds", "ShopKpis.ratios", "Problem.errors"} <= set(found)
    assert [name for name, field in found.items() if not field.get("description")] == []
    models = description["components"]["schemas"]
    assert [name for name, entry in models.items() if not entry.get("description")] == []
    assert [name for name, entry in models.items() if entry["title"] != name or not name.isalpha()] == []


async def test_every_duration_length_and_mass_says_its_unit(description: dict[str, Any]) -> None:
    units = {"_seconds": "second", "travel_": " mm", "size_": " mm", "mass": " kg"}
    unsaid = [
        name for name, field in fields(description) for part, unit in units.items()
        if part in name.split(".")[1] and unit not in field["description"].lower()
    ]
    assert unsaid == []


async def test_bounds_are_said_in_words_of_json_schema(description: dict[str, Any]) -> None:
    found = dict(fields(description))
    assert (found["Machine.place_seconds"]["minimum"], found["Machine.place_seconds"]["maximum"]) == (0, 120 * 86_400)
    assert found["Settings.solve_seconds"]["exclusiveMinimum"] == 0
    text = json.dumps(description["components"])
    assert not any(f'"{word}":' in text for word in ("ge", "gt", "le", "lt"))


async def test_key_figures_come_with_their_formulas_and_faults_with_their_codes(description: dict[str, Any]) -> None:
    found = dict(fields(description))
    shown = {name: one["description"] for name, one in found["ShopKpis.ratios"]["properties"].items()}
    assert shown == SHOP_FORMULAS
    assert {name: one["description"] for name, one in found["ShopKpis.elements"]["properties"].items()} == SHOP_ELEMENTS
    assert set(found["MachineKpis.seconds"]["properties"]) == set(SPINDLE_USES)
    assert all(f"`{code}`" in description["info"]["description"] for code in CODES)


async def test_a_plan_always_has_every_field(description: dict[str, Any]) -> None:
    for model in ("PlanAnswer", "Task", "OrderResult", "Progress"):
        entry = description["components"]["schemas"][model]
        assert set(entry["required"]) == set(entry["properties"]), model


async def test_the_preferences_and_the_busy_answers_are_described(description: dict[str, Any]) -> None:
    found = operations(description)
    for name in ("post /v1/plans", "get /v1/plans/{plan_id}"):
        assert "Prefer" in [one["name"] for one in found[name]["parameters"]], name
    for name, more in (("post /v1/plans", {"taken-not-answered"}), ("get /v1/health/ready", set[str]())):
        busy = found[name]["responses"]["503"]
        examples = busy["content"]["application/problem+json"]["examples"]
        assert set(examples) == {"busy", "store-unavailable", "warming-up", "no-worker"} | more, name
        assert set(busy["headers"]) == {"Retry-After"} | ({"Location"} if more else set()), name


CHANGING = (
    "post /v1/plans/{plan_id}/stop", "delete /v1/plans/{plan_id}", "put /v1/plans/{plan_id}/release",
    "delete /v1/plans/{plan_id}/release", "post /v1/questions/{question_id}/stop", "delete /v1/questions/{question_id}",
)


@pytest.mark.parametrize("name", CHANGING)
async def test_a_precondition_that_may_be_left_out_is_described(description: dict[str, Any], name: str) -> None:
    call = operations(description)[name]
    (given,) = [one for one in call["parameters"] if one["name"] == "If-Match"]
    assert (given["in"], given["required"]) == ("header", False)
    assert set(call["responses"]["412"]["content"]["application/problem+json"]["examples"]) == {"changed-meanwhile"}
    assert "bad-header" in call["responses"]["400"]["content"]["application/problem+json"]["examples"]
    assert "428" not in call["responses"]
