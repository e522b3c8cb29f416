"""Shops as they are answered, and what the API description says about them."""

from __future__ import annotations

import json
from typing import Any, Final
from zoneinfo import ZoneInfo

from pydantic import BaseModel, Field

from platerota_service.answers import Answers, example, reference, with_example
from platerota_service.problems import ProblemFault
from platerota_service.shops.book import tables
from platerota_service.shops.tables import KEYS, rows_of
from platerota_service.store import ShopRow
from platerota_shared.instants import local_text
from platerota_shared.reading import LIMITS

ROW_MODELS: Final = {
    "machines": "Machine", "plates": "Plate", "fixtures": "Fixture", "nests": "Nest", "operations": "Operation", "operators": "Operator",
    "shifts": "Shift", "closures": "Closure",
}
"""The model of a row of each table."""

ENTRY_EXAMPLE: Final = {
    "id": "main", "version": 3, "updated": "2027-03-01T05:58:12+00:00", "timezone": "Europe/Lisbon",
    "rows": dict.fromkeys(KEYS, 1), "released_plan": None,
}
ROWS_EXAMPLE: Final = {"items": example("request")["shop"]["plates"], "self": "/v1/shops/main/plates?limit=200", "next": None}
"""A page of the rows of a table."""
_TAG: Final = {"ETag": {"description": "The version that If-Match and If-None-Match name.", "schema": {"type": "string"}}}


class ShopEntry(BaseModel):
    """A stored shop without its tables."""

    model_config = with_example(ENTRY_EXAMPLE)

    id: str = Field(description="Its id, chosen by whoever stored it.")
    version: int = Field(description="Counts every change of its tables, from 1.")
    updated: str = Field(description="When it was changed last, UTC.")
    timezone: str = Field(description="Its timezone.")
    rows: dict[str, int] = Field(description="How many rows each table has, by table.")
    released_plan: str | None = Field(description="The id of the plan that the shop works by; null where none is released.")


class ShopList(BaseModel):
    """A page of stored shops, the newest first."""

    model_config = with_example({"items": [ENTRY_EXAMPLE], "self": "/v1/shops?limit=50", "next": None})

    items: list[ShopEntry] = Field(description="The shops of this page.")
    self_: str = Field(alias="self", description="The address of this page.")
    next: str | None = Field(description="The address of the next page; null on the last one.")


class RowResult(BaseModel):
    """What became of one row of many."""

    row: str = Field(description="How the row is addressed: its id, its key columns with `;` between them, or its position.")
    status: int = Field(description="201 added, 200 replaced, 422 refused.")
    errors: list[ProblemFault] | None = Field(default=None, description="The faults of a refused row; null where it is stored.")


class RowResults(BaseModel):
    """What became of each row, in the order of the request."""

    model_config = with_example({"results": [{"row": "P1", "status": 200, "errors": None}], "version": 4})

    results: list[RowResult] = Field(description="One for each row.")
    version: int = Field(description="The shop's version now.")


class RowList(BaseModel):
    """A page of the rows of one table, in the order in which they are stored."""

    model_config = with_example(ROWS_EXAMPLE)

    items: list[dict[str, Any]] = Field(description="The rows of this page, as they were stored.")
    self_: str = Field(alias="self", description="The address of this page.")
    next: str | None = Field(description="The address of the next page; null on the last one.")


def entry(row: ShopRow) -> ShopEntry:
    """A shop without its tables."""
    document = tables(row)
    return ShopEntry(
        id=row.id, version=row.version, updated=local_text(row.updated_ms // 1000, ZoneInfo("UTC")), timezone=document["timezone"],
        rows={table: len(rows_of(document, table)) for table in KEYS}, released_plan=row.released_plan_id,
    )


def shop_example() -> Any:
    """The example's shop."""
    return json.loads(json.dumps(example("request")["shop"]))


def shop_body() -> dict[str, Any]:
    """The described body of a shop."""
    content = {"schema": reference("Shop"), "examples": {"one-plate": {"summary": "One plate", "value": shop_example()}}}
    return {
        "required": True, "description": "The shop's tables; at most 16 MiB of UTF-8.", "content": {"application/json": content},
    }


def row_body() -> dict[str, Any]:
    """The described body of one row."""
    return {
        "required": True, "description": "The row; key columns that it leaves out are taken from the address.",
        "content": {"application/json": _row_content()},
    }


def rows_body() -> dict[str, Any]:
    """The described body of many rows."""
    most = max(LIMITS[table] for table in KEYS)
    schema = {
        "type": "object", "required": ["rows"], "additionalProperties": False,
        "properties": {"rows": {"type": "array", "items": _any_row(), "minItems": 1, "maxItems": most, "description": "The rows."}},
    }
    content = {"schema": schema, "examples": {"one-plate": {"summary": "One plate", "value": {"rows": shop_example()["plates"]}}}}
    return {"required": True, "description": "Rows of one table.", "content": {"application/json": content}}


def plan_body() -> dict[str, Any]:
    """The described body of a planning request for a stored shop."""
    request: dict[str, Any] = {name: value for name, value in example("request").items() if name != "shop"}
    schema = {
        "type": "object", "required": ["now"], "additionalProperties": False,
        "properties": {
            "now": {"type": "string", "description": "When the plan begins.", "examples": ["2027-03-01T06:00:00"]},
            "orders": {"type": "array", "items": reference("Order"), "maxItems": LIMITS["orders"], "description": "What is to be made."},
            "floor": reference("Floor"), "settings": reference("Settings"),
        },
    }
    content = {"schema": schema, "examples": {"one-plate": {"summary": "One plate", "value": request}}}
    return {"required": True, "description": "A planning request without the shop.", "content": {"application/json": content}}


def tagged(status: int, description: str, model: str, value: Any) -> Answers:
    """The described answer of a stored thing, with its ETag."""
    schema = _any_row() if model == "row" else reference(model)
    content = {"schema": schema, "examples": {"one-plate": {"summary": "One plate", "value": value}}}
    return {status: {"description": description, "headers": _TAG, "content": {"application/json": content}}}


def _any_row() -> dict[str, Any]:
    return {"anyOf": [reference(model) for model in ROW_MODELS.values()]}


def _row_content() -> dict[str, Any]:
    return {"schema": _any_row(), "examples": {"plate": {"summary": "A plate", "value": shop_example()["plates"][0]}}}
