"""The one place where the parts of the service are put together."""

from __future__ import annotations

from collections.abc import AsyncGenerator
from contextlib import asynccontextmanager
from importlib.metadata import version

from fastapi import FastAPI
from fastapi.responses import HTMLResponse, Response

from platerota_service import calendar_calls, erp, health, page_calls, plans, plate_checks, templates
from platerota_service.calls import Parts
from platerota_service.child_engine import ChildEngine
from platerota_service.description import describe_api
from platerota_service.docs_page import docs_page, erp_page
from platerota_service.engine import Engine
from platerota_service.head_calls import HeadCalls
from platerota_service.problems import install_problem_handlers
from platerota_service.settings import ServiceSettings
from platerota_service.sheet_problems import install_sheet_problems


def create_app(settings: ServiceSettings | None = None, engine: Engine | None = None) -> FastAPI:
    """The service.

    Parameters
    ----------
    settings
        How it runs; read from the environment where not given.
    engine
        What runs the solves; a :class:`~platerota_service.child_engine.ChildEngine` where not given. It starts and closes with the app.
    """
    settings = settings if settings is not None else ServiceSettings()
    engine = engine if engine is not None else ChildEngine(settings)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncGenerator[None]:
        await engine.start()
        yield
        await engine.close()

    app = FastAPI(title="platerota", version=version("platerota"), lifespan=lifespan, docs_url=None, redoc_url=None, redirect_slashes=False)
    app.state.parts = Parts(settings, engine)
    app.include_router(plans.router)
    app.include_router(erp.router)
    app.include_router(plate_checks.router)
    app.include_router(page_calls.router)
    app.include_router(templates.router)
    app.include_router(calendar_calls.router)
    app.include_router(health.router)
    install_problem_handlers(app)
    install_sheet_problems(app)
    app.add_middleware(HeadCalls)
    app.add_api_route("/docs", lambda: docs_page(app.openapi()), response_class=HTMLResponse, include_in_schema=False)
    app.add_api_route("/docs/erp-exchange", lambda: Response(erp_page(), media_type="text/markdown"), include_in_schema=False)
    app.openapi = lambda: describe_api(app)  # type: ignore[method-assign]
    return app
