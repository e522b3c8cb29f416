"""What the kinds of problem and the codes of faults mean: each has an address, for programs as JSON and for people as a page."""

from __future__ import annotations

from typing import Annotated, Literal, TypeVar

from fastapi import APIRouter, Path, Request, Response
from pydantic import BaseModel, Field

from platerota_service.answers import Answers, problem_answers, with_example
from platerota_service.docs_page import page_answer, problem_page
from platerota_service.kinds import CALL_CODES, KINDS, NOT_FOUND, WARMING
from platerota_service.problems import ProblemError
from platerota_service.workbook import SHEET_CODES
from platerota_shared.faults import CODES

router = APIRouter(prefix="/v1/problems", tags=["service"])

ProblemName = Annotated[str, Path(
    description="The last part of a problem's `type`, or the `code` of a fault.", examples=["faults-in-request", "no-nest"],
)]

_EXAMPLE = {
    "type": WARMING.type, "of": "problem", "title": WARMING.title, "status": WARMING.status, "advice": WARMING.advice,
}


class ProblemKind(BaseModel):
    """A kind of problem, or of a fault in a request."""

    model_config = with_example(_EXAMPLE)

    type: str = Field(description="Its address: the `type` of a problem, or where a fault's `code` is explained.")
    of: Literal["problem", "fault"] = Field(description="Whether it is the `type` of a problem or the `code` of one fault.")
    title: str = Field(description="What it is, in few words.")
    status: int = Field(description="The HTTP status it comes with.")
    advice: str = Field(description="What to do about it.")


class ProblemKinds(BaseModel):
    """Every kind of problem and every code of a fault."""

    model_config = with_example({"items": [_EXAMPLE], "self": "/v1/problems", "next": None})

    items: list[ProblemKind] = Field(description="Problems first, then faults.")
    self_: str = Field(alias="self", description="The address of this list.")
    next: None = Field(default=None, description="Always null: the list is whole.")


T = TypeVar("T", ProblemKind, ProblemKinds)

_PAGE: Answers = {
    200: {"content": {"text/html": {"schema": {"type": "string"}, "example": "<!DOCTYPE html><title>no such plan</title>"}}},
}


@router.get(
    "", operation_id="list_problem_kinds", summary="Every kind of problem and fault", response_description="The kinds",
    response_model=ProblemKinds, responses={**_PAGE, **problem_answers()},
)
async def list_problem_kinds(call: Request) -> ProblemKinds | Response:
    """Tell what every problem's `type` and every fault's `code` means; a page for people where the caller's `Accept` asks for HTML."""
    kinds = list(_all().values())
    return _answer(call, "Problems and faults", kinds, ProblemKinds(items=kinds, self="/v1/problems"))


@router.get(
    "/{name}", operation_id="get_problem_kind", summary="What a kind of problem or fault means", response_description="The kind",
    response_model=ProblemKind, responses={**_PAGE, **problem_answers(NOT_FOUND)},
)
async def get_problem_kind(call: Request, name: ProblemName) -> ProblemKind | Response:
    """Tell what a problem's `type` or a fault's `code` means and what to do; a page for people where `Accept` asks for HTML."""
    found = _all().get(name)
    if found is None:
        raise ProblemError(NOT_FOUND, f"there is no kind of problem or fault named '{name[:100]}'")
    return _answer(call, found.title, [found], found)


def _answer(call: Request, title: str, kinds: list[ProblemKind], model: T) -> T | Response:
    if "text/html" not in call.headers.get("accept", ""):
        return model
    return page_answer(problem_page(title, [kind.model_dump() for kind in kinds]))


def _all() -> dict[str, ProblemKind]:
    """Every kind by its name; no fault's code is the name of a problem."""
    found = {
        kind.name: ProblemKind(type=kind.type, of="problem", title=kind.title, status=kind.status, advice=kind.advice)
        for kind in KINDS.values()
    }
    for code, meaning in {**CODES, **CALL_CODES, **SHEET_CODES}.items():
        found.setdefault(code, ProblemKind(
            type=f"/v1/problems/{code}", of="fault", title=meaning, status=422,
            advice="The fault's `detail` says what is wrong with this request, its `pointer` (in sheets its `sheet`, `row` and `column`)"
            " where, and its `mend` what to change.",
        ))
    return found
