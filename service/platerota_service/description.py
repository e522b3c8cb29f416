"""The OpenAPI description: what the framework finds out by itself, the models of raw bodies, and the words around them."""

from __future__ import annotations

import json
import sys
from typing import Any, Final

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue, models_json_schema

from platerota_service.access.link_calls import LinkRequest
from platerota_service.answers import named_examples
from platerota_service.description_links import add_links
from platerota_service.kinds import CALL_CODES, KINDS
from platerota_service.operations_schedule import ScheduleDocument
from platerota_service.plan_answers import PlanAnswer
from platerota_service.plan_events import PlanEvent
from platerota_service.problems import Problem
from platerota_service.questions.examples import question_examples
from platerota_service.questions.levers import LeversRequest
from platerota_service.questions.promises import PromiseRequest
from platerota_service.questions.routes import QuestionAnswer
from platerota_service.questions.rush_orders import RushRequest
from platerota_service.questions.sweeps import SweepRequest
from platerota_service.replans import ReplanRequest
from platerota_service.shops.answers import RowList, RowResults, ShopEntry
from platerota_service.webhooks.answers import NewWebhook, WebhookEntry, WebhookSettings
from platerota_service.webhooks.messages import PlanMessage, QuestionMessage, described_messages
from platerota_service.what_ifs import WhatIfRequest
from platerota_service.workbook import SHEET_CODES
from platerota_shared.costs import PlanCosts
from platerota_shared.differences import Differences
from platerota_shared.faults import CODES
from platerota_shared.plate_checks import PlateCheck, PlateCheckRequest
from platerota_shared.risks import Risks, RisksQuestion
from platerota_shared.tables import PlanRequest

_WORDS: Final = """Plans the week of a milling shop that holds work on quick-change fixture plates: which order runs on which
plate and mill, in which sequence, and at which minute somebody must load.

Post the shop, its orders and its floor as flat tables to `/v1/plans` and take the plan from the answer. A plan that may take
longer than 25 seconds is asked for with `Prefer: respond-async`, then fetched from its `Location`, best with `Prefer: wait=20`.

Instants without an offset are in the shop's timezone, RFC 3339 without one: `2027-03-01T06:00:00`; answers carry the offset.
Lengths are millimetres and masses kilograms, or text with a unit such as `"16 in"`. Durations are whole seconds. Unknown fields
are refused, and so are parameters that a call does not have, each with the nearest that it has. Wherever GET is answered, HEAD is too.

`/docs/cookbook` has what a planner asks when a week goes another way than planned, with calls to copy and their answers.

Calls of one key are counted, and answered 429 with `Retry-After` past the limit. Each process of the service counts by itself, so where
several stand behind one address a caller may find the limit higher, and one call refused while the next is taken.

Every error is `application/problem+json` (RFC 9457), or, to a browser (`Accept: text/html`), a page that says the same; its `type`
is one of:

"""
_SHEETS: Final = """
A workbook (.xlsx, .ods) or a zip of CSV files is read by the same checks; its faults say sheet, row and column instead of the
pointer, and have these codes besides:

"""
_FAULTS: Final = """
A request with faults is answered with all of them at once, in `errors`: where (a JSON pointer), what is wrong, what to change, and
a `code`, which is one of:

"""
TAGS: Final = [
    {"name": "plans", "description": "Plan a week, follow it, stop it, forget it."},
    {"name": "decisions", "description": "Ask what changes would do, compare plans, see what they cost."},
    {"name": "shops", "description": "Store the tables that change seldom once; change single rows; plan with orders and floor alone."},
    {"name": "webhooks", "description": "Let other programs be told when plans end or are released, and when questions end."},
    {"name": "plate checks", "description": "Ask what a plate can do before a fixture is built on it."},
    {"name": "pages", "description": "A plan as people read it: the board, sheets to print, pictures."},
    {"name": "sheets", "description": "The same with a spreadsheet, CSV files or a calendar."},
    {"name": "service", "description": "Whether the service lives and takes work, and what its problems mean."},
]
"""The tags of the calls, in the order of the page."""

ASKED: Final = (
    PlanRequest, PlateCheckRequest, RisksQuestion, WebhookSettings, LinkRequest, WhatIfRequest, ReplanRequest, SweepRequest, RushRequest,
    PromiseRequest, LeversRequest,
)
"""The models of bodies, which are read by the contract's own readers."""

ANSWERED: Final = (
    PlanAnswer, PlanEvent, Differences, PlanCosts, ScheduleDocument, ShopEntry, RowList, RowResults, WebhookEntry, NewWebhook, PlateCheck,
    Risks, QuestionAnswer, Problem, PlanMessage, QuestionMessage,
)
"""The models of answers and messages that the framework does not see, because they are written as they are."""

_KEYWORDS: Final = {"ge": "minimum", "gt": "exclusiveMinimum", "le": "maximum", "lt": "exclusiveMaximum"}


class _Schemas(GenerateJsonSchema):
    """Says bounds of numbers in JSON Schema's words; the library uses its own where a field is read by a function of ours."""

    def normalize_name(self, name: str) -> str:
        """A model's name without the underscore that keeps it from hiding a name of Python."""
        return super().normalize_name(name).rstrip("_")

    def generate_inner(self, schema: Any) -> JsonSchemaValue:
        return {_KEYWORDS.get(name, name): value for name, value in super().generate_inner(schema).items()}


def describe_api(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI 3.1 description of `app`, built once."""
    if app.openapi_schema is None:
        kinds = "".join(f"- `{kind.type}` ({kind.status}): {kind.title}. {kind.advice}\n" for kind in KINDS.values())
        sheet_codes = "".join(f"- `{code}`: {meaning}\n" for code, meaning in SHEET_CODES.items())
        codes = "".join(f"- `{code}`: {meaning}\n" for code, meaning in {**CODES, **CALL_CODES}.items())
        document = get_openapi(
            title=app.title, version=app.version, summary="A week that machines and people can follow",
            description=_WORDS + kinds + _FAULTS + codes + _SHEETS + sheet_codes, routes=app.routes, tags=TAGS, servers=[{"url": "/"}],
            license_info={"name": "Apache-2.0", "identifier": "Apache-2.0"},
        )
        _, models = models_json_schema(
            [*((model, "validation") for model in ASKED), *((model, "serialization") for model in ANSWERED)],
            ref_template="#/components/schemas/{model}", schema_generator=_Schemas,
        )
        _leave_out_stream_items(document)
        components = document.setdefault("components", {})
        components.setdefault("schemas", {}).update(models["$defs"])
        components["examples"] = {**named_examples(), **question_examples()}
        document["webhooks"] = described_messages()
        add_links(document)
        app.openapi_schema = document
    return app.openapi_schema


def _leave_out_stream_items(document: dict[str, Any]) -> None:
    """The framework describes server-sent events in words of OpenAPI 3.2, which a description of 3.1 must not hold."""
    for calls in document["paths"].values():
        for call in calls.values():
            for answer in call["responses"].values():
                answer.get("content", {}).get("text/event-stream", {}).pop("itemSchema", None)


def description_text(app: FastAPI) -> str:
    """The description as it is stored in ``service/openapi.json``, which shows what a change does to callers."""
    return json.dumps(describe_api(app), ensure_ascii=False, indent=1, sort_keys=True) + "\n"


def main() -> None:
    """Print the description as it is stored: ``python -m platerota_service.description``."""
    from platerota_service.app import create_app

    sys.stdout.write(description_text(create_app()))


if __name__ == "__main__":
    main()
