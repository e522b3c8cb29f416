"""The one place where the parts of the service are put together."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Sequence
from contextlib import asynccontextmanager
from importlib.metadata import version

from fastapi import FastAPI
from fastapi.responses import HTMLResponse, Response

from platerota_service import erp, health, plans, plate_checks
from platerota_service.calls import Parts
from platerota_service.description import describe_api
from platerota_service.docs_page import docs_page, erp_page
from platerota_service.durable_engine import DurableEngine
from platerota_service.engine import Engine
from platerota_service.head_calls import HeadCalls
from platerota_service.problems import install_problem_handlers
from platerota_service.settings import ServiceSettings
from platerota_service.solve_process import SOLVE_CHILD
from platerota_service.store import Store


def create_app(settings: ServiceSettings | None = None, engine: Engine | None = None, command: Sequence[str] = SOLVE_CHILD) -> FastAPI:
    """The service.

    Parameters
    ----------
    settings
        How it runs; read from the environment where not given.
    engine
        What runs the solves; a :class:`~platerota_service.durable_engine.DurableEngine` where not given. It starts and closes with
        the app.
    command
        The child process that solves, where no engine is given.
    """
    settings = settings if settings is not None else ServiceSettings()
    store = Store(settings.database_url, settings.data_directory)
    engine = engine if engine is not None else DurableEngine(settings, store, command, solves=settings.role == "all")

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncGenerator[None]:
        await asyncio.to_thread(store.prepare)
        await engine.start()
        yield
        await engine.close()
        await asyncio.to_thread(store.close)

    app = FastAPI(title="platerota", version=version("platerota"), lifespan=lifespan, docs_url=None, redoc_url=None, redirect_slashes=False)
    app.state.parts = Parts(settings, store, engine)
    app.include_router(plans.router)
    app.include_router(erp.router)
    app.include_router(plate_checks.router)
    app.include_router(health.router)
    install_problem_handlers(app)
    app.add_middleware(HeadCalls)
    app.add_api_route("/docs", lambda: docs_page(app.openapi()), response_class=HTMLResponse, include_in_schema=False)
    app.add_api_route("/docs/erp-exchange", lambda: Response(erp_page(), media_type="text/markdown"), include_in_schema=False)
    app.openapi = lambda: describe_api(app)  # type: ignore[method-assign]
    return app
