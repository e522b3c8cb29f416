import httpx
import pytest

from platerota_service.durable_engine import DurableEngine
from platerota_service.problems import PROBLEM_JSON

pytestmark = pytest.mark.anyio


async def test_live_and_ready(client: httpx.AsyncClient) -> None:
    for name in ("live", "ready"):
        answer = await client.get(f"/v1/health/{name}")
        assert (answer.status_code, answer.json()) == (200, {"status": "ok"})


async def test_a_closing_service_lives_but_is_not_ready(client: httpx.AsyncClient, engine: DurableEngine) -> None:
    await engine.close()
    assert (await client.get("/v1/health/live")).status_code == 200
    answer = await client.get("/v1/health/ready")
    assert (answer.status_code, answer.headers["content-type"]) == (503, PROBLEM_JSON)
