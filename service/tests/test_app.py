"""The service as a whole: that it starts, ends, answers HEAD, and what it imports."""

import itertools
import json
import subprocess
import sys
from collections.abc import Callable

import httpx
import pytest

from platerota_service.app import create_app
from platerota_service.engine import EngineClosed
from platerota_service.settings import ServiceSettings
from proof_tools.outside import Outside

FakeChild = Callable[[str], tuple[str, ...]]
pytestmark = pytest.mark.anyio


async def test_the_app_makes_its_database_and_closes_its_engine(settings: ServiceSettings, child: FakeChild) -> None:
    app = create_app(settings, command=child("patient"))
    engine = app.state.parts.engine
    async with app.router.lifespan_context(app):
        await engine.check_ready(patience=60)
    with pytest.raises(EngineClosed):
        await engine.check_ready()


async def test_head_is_get_without_the_body(outside: Outside, client: httpx.AsyncClient) -> None:
    """RFC 9110 section 9.3.2: https://www.rfc-editor.org/rfc/rfc9110#section-9.3.2."""
    paths = ("/v1/health/live", "/openapi.json", "/docs", "/v1/plans/nothing", "/nowhere")
    for path, accept in itertools.product(paths, ("application/json", "text/html,*/*;q=0.8")):
        got, headed = [await client.request(method, path, headers={"Accept": accept}) for method in ("GET", "HEAD")]
        assert headed.status_code == got.status_code
        outside(f"HEAD {path}: bytes of content", len(headed.content), 0, "RFC 9110", "memory")
        assert headed.headers["content-type"] == got.headers["content-type"]
        assert headed.headers["content-length"] == str(len(got.content))
    assert (await client.head("/v1/plans/1/stop")).headers["allow"] == "POST"


def test_the_serving_process_never_loads_the_optimiser() -> None:
    code = (
        "import json, sys, platerota_service.command_line, platerota_service.app as a; a.create_app(); "
        "print(json.dumps([m for m in ('ortools', 'numba', 'platerota_solver') if m in sys.modules]))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert json.loads(found.stdout) == []
