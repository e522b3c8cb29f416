"""Links of the API description (OpenAPI 3.1, 4.8.20): which calls take the id that an answer brings, so that tools can follow them.

They are made from the described calls themselves: a new call about a plan, a shop or a webhook is linked by its path alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

Ids = Mapping[str, str]
"""Parameters of calls, and where their values are in another call and its answer (runtime expressions)."""

_BROUGHT: Final[Mapping[str, Ids]] = {
    "plan": {"plan_id": "$response.body#/id", "other_id": "$response.body#/id", "against": "$response.body#/id"},
    "shop": {"shop_id": "$request.path.shop_id"},
    "row": {"shop_id": "$request.path.shop_id", "table": "$request.path.table", "row": "$request.path.row"},
    "question": {"question_id": "$response.body#/id"},
    "webhook": {"hook_id": "$response.body#/id"},
    "message": {"hook_id": "$request.path.hook_id", "delivery_id": "$response.body#/items/0/id"},
}
"""What an answer may bring, and the ids in it."""

_BRINGS: Final[Mapping[tuple[str, str], str]] = {
    ("put_shop", "200"): "shop", ("put_shop", "201"): "shop", ("put_row", "200"): "row", ("put_row", "201"): "row",
    ("create_webhook", "201"): "webhook", ("list_deliveries", "200"): "message",
}
"""What a call's answer brings, by operation and status."""
_MODELS: Final[Mapping[str, str]] = {"PlanAnswer": "plan", "QuestionAnswer": "question"}
"""What any answer of that model brings, where something was made or set going (201, 202)."""


def add_links(document: dict[str, Any]) -> None:
    """Add to every answer that brings an id the links to the calls that take it."""
    found = list(_calls(document))
    named: dict[str, Any] = document["components"].setdefault("links", {})
    for call in found:
        for status, answer in call["responses"].items():
            what = _BRINGS.get((call["operationId"], status)) or (_MODELS.get(_model(answer)) if status in ("201", "202") else None)
            if what is None:
                continue
            links = {other["operationId"]: _link(other, _BROUGHT[what]) for other in found if other is not call and _takes(other, what)}
            named.update({f"{name}_of_{what}": link for name, link in links.items()})
            answer["links"] = {name: {"$ref": f"#/components/links/{name}_of_{what}"} for name in links}


def _calls(document: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for calls in document["paths"].values():
        yield from calls.values()


def _model(answer: Mapping[str, Any]) -> str:
    """The name of the model of an answer, blank where it has none."""
    schema: Mapping[str, str] = answer.get("content", {}).get("application/json", {}).get("schema", {})
    return schema.get("$ref", "").rpartition("/")[2]


def _takes(call: Mapping[str, Any], what: str) -> bool:
    """Whether every id in the call's path is one that `what` has, and there is one."""
    wanted = [one["name"] for one in call.get("parameters", ()) if one["in"] == "path"]
    return bool(wanted) and all(name in _BROUGHT[what] for name in wanted)


def _link(call: Mapping[str, Any], ids: Ids) -> dict[str, Any]:
    parameters = {
        one["name"]: ids[one["name"]] for one in call["parameters"] if one["name"] in ids and (one["in"] == "path" or one.get("required"))
    }
    return {"operationId": call["operationId"], "description": call["summary"], "parameters": parameters}
