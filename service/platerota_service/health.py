"""Whether the service lives, whether it takes work, and what the kinds of problem mean."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Path
from pydantic import BaseModel, ConfigDict, Field

from platerota_service.answers import problem_answers
from platerota_service.calls import EngineOf
from platerota_service.problems import BUSY, KINDS, NOT_FOUND, STORE, WARMING, ProblemError

router = APIRouter(prefix="/v1", tags=["service"])

ProblemName = Annotated[str, Path(description="The last part of a problem's `type`.", examples=["faults-in-request"])]


class Health(BaseModel):
    """A healthy answer."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"status": "ok"}]})

    status: Literal["ok"] = Field(default="ok", description="Always 'ok': what is not well is answered as a problem.")


class ProblemKind(BaseModel):
    """A kind of problem."""

    model_config = ConfigDict(json_schema_extra={
        "examples": [{"type": WARMING.type, "title": WARMING.title, "status": WARMING.status, "advice": WARMING.advice}],
    })

    type: str = Field(description="Its address, the `type` of a problem.")
    title: str = Field(description="What it is, in few words.")
    status: int = Field(description="The HTTP status it comes with.")
    advice: str = Field(description="What to do about it.")


@router.get("/health/live", operation_id="get_live", summary="Whether the service lives", response_description="It lives")
async def get_live() -> Health:
    """Answer at once, whatever the load: for whoever restarts a service that hangs."""
    return Health()


@router.get(
    "/health/ready", operation_id="get_ready", summary="Whether the service takes work", response_description="It takes work",
    responses=problem_answers(BUSY, STORE, WARMING),
)
async def get_ready(engine: EngineOf) -> Health:
    """Answer 200 while `POST /v1/plans` would take a request and solve it in its turn.

    Else 503: the optimiser is not ready yet (half a minute on a machine that has never solved), the queue is full, the database
    does not answer, or the service is closing.
    """
    await engine.check_ready()
    return Health()


@router.get(
    "/problems/{name}", operation_id="get_problem_kind", summary="What a kind of problem means", response_description="The kind of problem",
    responses=problem_answers(NOT_FOUND),
)
async def get_problem_kind(name: ProblemName) -> ProblemKind:
    """Tell what a problem's `type` means and what to do about it."""
    if name not in KINDS:
        raise ProblemError(NOT_FOUND, f"there is no kind of problem named '{name}'")
    kind = KINDS[name]
    return ProblemKind(type=kind.type, title=kind.title, status=kind.status, advice=kind.advice)
