"""The one place where the parts of the service are put together."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Sequence
from contextlib import asynccontextmanager
from importlib.metadata import version

from fastapi import Depends, FastAPI, Request
from fastapi.middleware.cors import CORSMiddleware
from fastapi.responses import Response
from limits import parse

from platerota_service import (
    answer_pages,
    calendar_calls,
    erp,
    health,
    page_calls,
    plan_differences,
    plan_events,
    plan_list,
    plans,
    plate_checks,
    problem_pages,
    question_forms,
    replans,
    risk_calls,
    sign_in_calls,
    templates,
    what_ifs,
)
from platerota_service.access import link_calls as links
from platerota_service.access.headers import SafeAnswers
from platerota_service.access.keys import KeyBook
from platerota_service.access.rates import LimitedCalls
from platerota_service.answers import problem_answers
from platerota_service.browser_problems import BrowserProblems
from platerota_service.calls import Parts
from platerota_service.comparisons import Comparisons
from platerota_service.description import describe_api
from platerota_service.docs_page import cookbook_page, docs_page, erp_page, page_answer
from platerota_service.durable_engine import DurableEngine
from platerota_service.engine import Engine
from platerota_service.head_calls import HeadCalls
from platerota_service.kinds import FAULTS
from platerota_service.last_answers import LastAnswers
from platerota_service.parameters import UNKNOWN_PARAMETER, check_parameters
from platerota_service.problems import install_problem_handlers
from platerota_service.questions import levers, promises, rush_orders, sweeps
from platerota_service.questions import listing as question_list
from platerota_service.questions import routes as question_routes
from platerota_service.questions.book import Questions
from platerota_service.risk_process import Simulations
from platerota_service.settings import ServiceSettings
from platerota_service.sheet_problems import FAULTS_HEADER, install_sheet_problems
from platerota_service.shops import plans as shop_plans
from platerota_service.shops import releases
from platerota_service.shops import routes as shop_routes
from platerota_service.shops import rows as shop_rows
from platerota_service.solve_process import SOLVE_CHILD
from platerota_service.store import Store
from platerota_service.watch import numbers
from platerota_service.watch.calls import WatchedCalls
from platerota_service.watch.metrics import Metrics
from platerota_service.webhooks import routes as webhooks
from platerota_service.webhooks.outbox import Outbox

CORS_METHODS = ("GET", "HEAD", "POST", "PUT", "DELETE")
CORS_HEADERS = (
    "Authorization", "X-API-Key", "Content-Type", "Idempotency-Key", "If-Match", "If-None-Match", "Last-Event-ID", "Prefer", "traceparent",
)
CORS_EXPOSED = (
    "Location", "ETag", "Retry-After", "Preference-Applied", "Content-Location", "Content-Disposition", FAULTS_HEADER, "traceparent",
)


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
        await questions.close()
        await engine.close()
        await asyncio.to_thread(outbox.close)
        await asyncio.to_thread(store.close)

    app = FastAPI(
        title="platerota", version=version("platerota"), lifespan=lifespan, docs_url=None, redoc_url=None, redirect_slashes=False,
        responses=problem_answers(FAULTS, faults=[UNKNOWN_PARAMETER]),
    )
    metrics, outbox = Metrics(), Outbox(store)
    questions = Questions(store, outbox, settings.queue_limit)
    app.state.parts = Parts(
        settings, store, engine, metrics, outbox, KeyBook(store), Comparisons(engine), Simulations(settings), questions,
    )
    about_plans = (plans, plan_list, plan_events, what_ifs, replans, plan_differences, releases, erp, risk_calls)
    about_questions = (sweeps, rush_orders, promises, levers, question_routes, question_list)
    about_shops = (shop_routes, shop_plans, shop_rows)
    for_people = (page_calls, question_forms, answer_pages, templates, calendar_calls)
    beside = (plate_checks, webhooks, links, numbers)
    for part in (*about_plans, *about_questions, *about_shops, *for_people, *beside):
        app.include_router(part.router)
    for part in (sign_in_calls, health, problem_pages):  # open to anybody
        app.include_router(part.router, dependencies=[Depends(check_parameters)])
    install_problem_handlers(app)
    install_sheet_problems(app)
    app.add_exception_handler(plan_events.EndSeen, plan_events.end_seen)
    # From the inside out. Pages are made of whole problems, so bodies are left out only around them; whatever is answered, a script of
    # an allowed origin may read it.
    app.add_middleware(LimitedCalls, limit=parse(settings.rate_limit))
    app.add_middleware(LastAnswers)
    app.add_middleware(BrowserProblems)
    app.add_middleware(HeadCalls)
    if settings.cors_origins:
        app.add_middleware(
            CORSMiddleware, allow_origins=settings.cors_origins, allow_methods=CORS_METHODS, allow_headers=CORS_HEADERS,
            expose_headers=CORS_EXPOSED, max_age=600,
        )
    app.add_middleware(SafeAnswers)
    app.add_middleware(WatchedCalls, metrics=metrics)
    for address, page in (
        ("/docs", _docs),
        ("/docs/cookbook", lambda: Response(cookbook_page(), media_type="text/markdown")),
        ("/docs/erp-exchange", lambda: Response(erp_page(), media_type="text/markdown")),
    ):
        app.add_api_route(address, page, include_in_schema=False, dependencies=[Depends(check_parameters)])
    app.openapi = lambda: describe_api(app)  # type: ignore[method-assign]
    return app


def _docs(call: Request) -> Response:
    # Not a function inside create_app: FastAPI remembers it, and with it would remember the app for good.
    return page_answer(docs_page(call.app.openapi()))
