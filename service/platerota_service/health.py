"""Whether the service lives, whether it takes work, and its numbers."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter
from pydantic import BaseModel, Field

from platerota_service.answers import problem_answers, with_example
from platerota_service.calls import EngineOf
from platerota_service.kinds import BUSY, NO_WORKER, STORE, WARMING

router = APIRouter(prefix="/v1", tags=["service"])

class Health(BaseModel):
    """A healthy answer."""

    model_config = with_example({"status": "ok"})

    status: Literal["ok"] = Field(default="ok", description="Always 'ok': what is not well is answered as a problem.")


@router.get("/health/live", operation_id="get_live", summary="Whether the service lives", response_description="It lives")
async def get_live() -> Health:
    """Answer at once, whatever the load: for whoever restarts a service that hangs."""
    return Health()


@router.get(
    "/health/ready", operation_id="get_ready", summary="Whether the service takes work", response_description="It takes work",
    responses=problem_answers(BUSY, STORE, WARMING, NO_WORKER),
)
async def get_ready(engine: EngineOf) -> Health:
    """Answer 200 while `POST /v1/plans` would take a request and solve it in its turn.

    Else 503: the optimiser is not ready yet (two to three minutes on a machine that has never solved), no worker of a fleet is at the
    database, the queue is full, the database does not answer, or the service is closing.
    """
    await engine.check_ready()
    return Health()
