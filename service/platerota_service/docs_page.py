"""The page `/docs`: the API description as one HTML page that loads nothing from anywhere else, for a shop without internet."""

from __future__ import annotations

import base64
import json
import re
from hashlib import sha256
from importlib.resources import files
from typing import Any

from fastapi import Response
from jinja2 import Environment, PackageLoader, Template, select_autoescape
from markupsafe import Markup, escape

VERBS = ("get", "post", "put", "patch", "delete")


def docs_page(description: dict[str, Any]) -> str:
    """The page of an OpenAPI description."""
    calls = [
        {"verb": verb.upper(), "path": path, **entry[verb]}
        for path, entry in description["paths"].items() for verb in VERBS if verb in entry
    ]
    components = description["components"]
    return _template("docs.html.j2").render(
        info=description["info"], calls=calls, schemas=sorted(components["schemas"].items()), named_examples=components["examples"],
    )


def cookbook_page() -> str:
    """The page of what a planner asks when a week goes another way, Markdown."""
    return _markdown("cookbook.md")


def erp_page() -> str:
    """The page about the exchange with an ERP, Markdown."""
    return _markdown("erp-exchange.md")


def _markdown(name: str) -> str:
    return files("platerota_service").joinpath("pages", name).read_text(encoding="utf-8")


def problem_page(title: str, kinds: list[dict[str, Any]]) -> str:
    """The page that tells people what kinds of problem mean."""
    return _template("problems.html.j2").render(title=title, kinds=kinds)


def page_answer(html: str) -> Response:
    """The answer that is one of these pages: its policy allows the style sheets inside it, by their hashes, and nothing else."""
    sheets = re.findall(r"<style>(.*?)</style>", html, re.DOTALL)
    hashes = " ".join(f"'sha256-{base64.b64encode(sha256(sheet.encode()).digest()).decode()}'" for sheet in sheets)
    policy = f"default-src 'none'; style-src {hashes}; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
    return Response(html, headers={"Content-Security-Policy": policy}, media_type="text/html")


def _template(name: str) -> Template:
    environment = Environment(
        loader=PackageLoader("platerota_service", "pages"), autoescape=select_autoescape(default=True, default_for_string=True),
        trim_blocks=True, lstrip_blocks=True,
    )
    environment.filters |= {"ticks": ticks, "kind": kind, "pretty": pretty}
    return environment.get_template(name)


def ticks(text: str) -> Markup:
    """Text with what stands between backticks as code."""
    return Markup(re.sub(r"`+([^`]+)`+", r"<code>\1</code>", str(escape(text))))


def pretty(value: Any) -> str:
    """A JSON value as people read it."""
    return json.dumps(value, ensure_ascii=False, indent=2)


def kind(schema: dict[str, Any]) -> Markup:
    """The type of a value in a few words; a named one is a link to its fields."""
    if "$ref" in schema:
        name = escape(schema["$ref"].rsplit("/", 1)[-1])
        return Markup(f'<a href="#schema-{name}">{name}</a>')
    if either := schema.get("anyOf") or schema.get("oneOf"):
        return Markup(" or ").join(kind(one) for one in either)
    if schema.get("type") == "array":
        return Markup("list of ") + kind(schema.get("items", {}))
    if schema.get("type") == "object" and isinstance(schema.get("additionalProperties"), dict):
        return Markup("map to ") + kind(schema["additionalProperties"])
    choices = schema.get("enum") or ([schema["const"]] if "const" in schema else [])
    if choices:
        return Markup(", ").join(Markup("<code>%s</code>") % one for one in choices)
    name = escape(schema.get("format") or schema.get("type", "any"))
    return Markup("%s such as <code>%s</code>") % (name, schema["examples"][0]) if schema.get("examples") else name
