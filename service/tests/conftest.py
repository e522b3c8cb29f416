"""One tiny shop (the example of the API description), fake solving children, and the service over them."""

from __future__ import annotations

import copy
import json
import shutil
import sys
import unittest
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import pytest
from fastapi import FastAPI

from platerota_service.answers import example
from platerota_service.app import create_app
from platerota_service.bodies import submission_from
from platerota_service.durable_engine import DurableEngine
from platerota_service.engine import Submission
from platerota_service.executor import prepare_queue
from platerota_service.png_child import has_fonts
from platerota_service.settings import ServiceSettings
from platerota_service.store import Store

from .postgresql import DATABASES, Cluster

FakeChild = Callable[[str], tuple[str, ...]]
EngineOf = Callable[..., Awaitable[DurableEngine]]
AppOver = Callable[..., FastAPI]

PRELUDE = """
import json, os, sys, time
plan = json.loads({plan!r})
def say(**line): print(json.dumps(line), flush=True)
def improved(total): say(event="improved", plan={{**plan, "score": {{**plan["score"], "total": total}}}})
def read():
    if "--warm" in sys.argv: say(event="warm"); sys.exit()
    order = json.loads(sys.stdin.readline())
    say(event="warm")
    return order
def heard_stop(): return sys.stdin.readline() == "STOP\\n"
"""

CHILDREN = {
    "good": "read(); say(event='progress', stage='first', seconds=0.5, total=4.0, bound=3.0, gap=0.25); improved(4.0); improved(3.0); "
    "say(event='done')",
    "again": "[(read(), improved(number), say(event='done', again=True)) for number in range(1, 9)]",
    "exact": "read(); say(event='improved', plan=plan); say(event='done')",
    "patient": "read(); improved(4.0); heard_stop() and improved(3.0); say(event='done')",
    "talking": "read(); improved(4.0); say(event='progress', stage='searching', seconds=1); heard_stop() and improved(3.0); "
    "say(event='done')",
    "unplaced": "read(); plan['orders'][0].update(placed=False, start=None, finish=None, late_seconds=None, why='nobody is on shift'); "
    "improved(9.0); say(event='done')",
    "late": "read(); plan['orders'][0].update(late_seconds=5400, why='plate P1 was cutting'); improved(9.0); say(event='done')",
    "patient-without-plan": "read(); heard_stop(); say(event='done')",
    "crash": "read(); os._exit(7)",
    "crash-late": "read(); improved(4.0); os.abort()",
    "hang": "say(event='warm'); time.sleep(600)",
    "cold": "say(event='compiling'); time.sleep(600)",
    "unwarmable": "say(event='failed', detail='no folder for what is compiled'); sys.exit()",
    "garbled": "print('no line of ours', flush=True)",
    "mute": "sys.exit()",
    "compiling": "say(event='compiling'); read(); improved(4.0); say(event='done')",
    "deaf": "read(); improved(4.0); time.sleep(600)",
    "lingering": "read(); improved(4.0); say(event='done'); time.sleep(600)",
    "garbage": "read(); improved(4.0); print('Segmentation error, please reboot', flush=True); time.sleep(600)",
    "no-plan-in-it": "read(); say(event='improved', plan={'id': 'nonsense'}); time.sleep(600)",
    "rejected": "read(); say(event='rejected', plan=plan, findings=['F6: two cuts at once']); say(event='done')",
    "rejected-last": "read(); improved(4.0); say(event='rejected', plan=plan, findings=['F6: two cuts at once']); say(event='done')",
    "failed": "read(); say(event='failed', detail='out of coolant')",
    "silent": "read(); say(event='done')",
    "echo": "order = read(); say(event='failed', detail=json.dumps(order))",
    "noisy": "read(); sys.stderr.write('x' * 1_000_000); improved(4.0); say(event='done')",
}


PNG_OPENS = 200 if has_fonts() else 501
"""What a drawing as PNG is answered on this machine."""


@pytest.fixture(scope="session")
def fonts() -> None:
    """What pictures are lettered with. The checks of CI install it; a machine without it is told so, and draws no PNG."""
    if not has_fonts():
        raise unittest.SkipTest("no font of the drawings is installed: apt-get install fonts-dejavu-core")


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture
def request_document() -> dict[str, Any]:
    return copy.deepcopy(example("request"))


@pytest.fixture
def plan_document() -> dict[str, Any]:
    """The example plan as the solver gives it: without what the service adds."""
    beside = ("problem", "progress", "shop", "base", "compare")
    return {name: value for name, value in copy.deepcopy(example("plan")).items() if name not in beside}


@pytest.fixture
def submission(request_document: dict[str, Any]) -> Submission:
    return submission_from(json.dumps(request_document).encode())


@pytest.fixture
def settings(tmp_path: Path) -> ServiceSettings:
    return ServiceSettings(
        solve_slots=1, ready_solvers=0, queue_limit=2, stop_grace_seconds=30, kill_grace_seconds=60, max_body_bytes=200_000,
        data_directory=tmp_path / "data",
    )


@pytest.fixture
def child(tmp_path: Path, plan_document: dict[str, Any]) -> FakeChild:
    """The command of a fake child by its name in CHILDREN."""

    def command(name: str) -> tuple[str, ...]:
        script = tmp_path / f"{name}.py"
        script.write_text(PRELUDE.format(plan=json.dumps(plan_document)) + CHILDREN[name], encoding="utf-8")
        return (sys.executable, "-I", "-S", str(script))

    return command


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """A PostgreSQL server for tests that leave it alive; each makes a database of its own in it."""
    cluster = Cluster()
    yield cluster
    cluster.stop()


@pytest.fixture(params=DATABASES)
def empty_store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """A store without any tables, on either database."""
    url = None
    if request.param == "postgresql":
        url = request.getfixturevalue("cluster").new_database(f"d{uuid4().hex}")
    store = Store(url, tmp_path / "data")
    yield store
    store.close()


@pytest.fixture
def either_store(empty_store: Store) -> Store:
    """A store with the newest schema, on either database."""
    empty_store.upgrade()
    return empty_store


@pytest.fixture(scope="session")
def new_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database as a first start makes it, to be copied: making it takes half a second."""
    store = Store(None, tmp_path_factory.mktemp("new"))
    prepare_queue(store)
    store.upgrade()
    store.close()
    return Path(store.url.database or "")


@pytest.fixture
def store(settings: ServiceSettings, new_database: Path) -> Iterator[Store]:
    settings.data_directory.mkdir()
    shutil.copy(new_database, settings.data_directory)
    store = Store(settings.database_url, settings.data_directory)
    yield store
    store.close()


@pytest.fixture
async def engine_of(settings: ServiceSettings, store: Store, child: FakeChild) -> AsyncIterator[EngineOf]:
    """Engines over a named fake child, one after the other on the same store; each closes the one before."""
    engines: list[DurableEngine] = []

    async def make(name: str, **changes: Any) -> DurableEngine:
        if engines:
            await engines[-1].close()
        engines.append(DurableEngine(settings.model_copy(update=changes), store, child(name)))
        await engines[-1].start()
        return engines[-1]

    yield make
    if engines:
        await engines[-1].close()


@pytest.fixture
async def engine(engine_of: EngineOf) -> DurableEngine:
    """An engine over children that hold their slot until they are told to stop."""
    engine = await engine_of("patient")
    await engine.check_ready(patience=60)
    return engine


@pytest.fixture
def app_over(settings: ServiceSettings) -> Iterator[AppOver]:
    """Apps over an engine that is given, with other settings as named; what they opened is closed."""
    apps: list[FastAPI] = []

    def over(engine: DurableEngine, **other: Any) -> FastAPI:
        apps.append(create_app(settings.model_copy(update=other), engine))
        return apps[-1]

    yield over
    for app in apps:
        app.state.parts.store.close()


@pytest.fixture
def app(app_over: AppOver, engine: DurableEngine) -> FastAPI:
    return app_over(engine)


@pytest.fixture
async def client(app: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://service.test") as client:
        yield client
