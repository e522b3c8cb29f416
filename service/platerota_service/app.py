"""The one place where the parts of the service are put together."""

from __future__ import annotations

from collections.abc import AsyncGenerator
from contextlib import asynccontextmanager
from importlib.metadata import version
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.responses import HTMLResponse
from pydantic.json_schema import models_json_schema

from platerota_service import health, plans
from platerota_service.calls import Parts
from platerota_service.child_engine import ChildEngine
from platerota_service.docs_page import docs_page
from platerota_service.engine import Engine
from platerota_service.plan_answers import PlanAnswer
from platerota_service.problems import KINDS, Problem, install_problem_handlers
from platerota_service.settings import ServiceSettings
from platerota_shared.tables import PlanRequest

_DESCRIPTION = """Plans the week of a milling shop that holds work on quick-change fixture plates: which order runs on which
plate and mill, in which sequence, and at which minute somebody must load.

Instants without an offset are in the shop's timezone. Lengths are millimetres and masses kilograms, or text with a unit such
as `"16 in"`. Durations are whole seconds. Every error is `application/problem+json` (RFC 9457); its `type` is one of:

"""
_TAGS = [
    {"name": "plans", "description": "Plan a week, follow it, stop it, forget it."},
    {"name": "service", "description": "Whether the service lives and takes work, and what its problems mean."},
]


def create_app(settings: ServiceSettings | None = None, engine: Engine | None = None) -> FastAPI:
    """The service.

    Parameters
    ----------
    settings
        How it runs; read from the environment where not given.
    engine
        What runs the solves; a :class:`~platerota_service.child_engine.ChildEngine` where not given. It is closed with the app.
    """
    settings = settings if settings is not None else ServiceSettings()
    engine = engine if engine is not None else ChildEngine(settings)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncGenerator[None]:
        yield
        await engine.close()

    app = FastAPI(title="platerota", version=version("platerota"), lifespan=lifespan, docs_url=None, redoc_url=None, redirect_slashes=False)
    app.state.parts = Parts(settings, engine)
    app.include_router(plans.router)
    app.include_router(health.router)
    install_problem_handlers(app)
    app.add_api_route("/docs", lambda: docs_page(app.openapi()), response_class=HTMLResponse, include_in_schema=False)
    app.openapi = lambda: _description(app)  # type: ignore[method-assign]
    return app


def _description(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI description, built once; the models of raw bodies are added, which the framework does not see."""
    if app.openapi_schema is None:
        kinds = "".join(f"- `{kind.type}` ({kind.status}): {kind.title}. {kind.advice}\n" for kind in KINDS.values())
        document = get_openapi(
            title=app.title, version=app.version, summary="A week that machines and people can follow", description=_DESCRIPTION + kinds,
            routes=app.routes, tags=_TAGS, servers=[{"url": "/"}],
            license_info={"name": "Apache-2.0", "identifier": "Apache-2.0"},
        )
        _, models = models_json_schema(
            [(PlanRequest, "validation"), (PlanAnswer, "serialization"), (Problem, "serialization")],
            ref_template="#/components/schemas/{model}",
        )
        document.setdefault("components", {}).setdefault("schemas", {}).update(models["$defs"])
        app.openapi_schema = document
    return app.openapi_schema
