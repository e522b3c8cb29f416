"""The calls that answer a plan as people read it: the board, two plans compared, sheets for the floor, pictures."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from platerota_service.answers import Answers, problem_answers
from platerota_service.board import NoSuchPart, Page, Standing, board_page, comparison_page, load_sheets_page, machine_sheets_page
from platerota_service.calls import DrawingTurn, EngineOf, PlanId
from platerota_service.engine import Engine
from platerota_service.pictures import gantt_svg, load_svg
from platerota_service.pictures.png import NoFonts, png
from platerota_service.problems import FAULTS, NO_FONTS, NO_SUCH_PART, NOT_READY, UNKNOWN_PLAN, ProblemError
from platerota_shared.tables import PlanRequest

router = APIRouter(prefix="/v1/plans/{plan_id}", tags=["pages"])

Day = Annotated[
    str | None,
    Query(max_length=40, description="A day of the plan by the date on which it begins; all where not given.", examples=["2027-03-01"]),
]
Shift = Annotated[str | None, Query(max_length=40, description="A shift of that day, as the board names it.", examples=["06:00-14:30"])]
Operator = Annotated[str | None, Query(max_length=500, description="Whose sheets; everybody's where not given.", examples=["Ines"])]
Machine = Annotated[str | None, Query(max_length=500, description="Which mill's sheets; all where not given.", examples=["mill 1"])]
Other = Annotated[str, Path(description="The id of the plan to compare with it.", examples=["9d5e4f60a1b2c3d43f2b8a4c5e5f6071"])]

SVG = "image/svg+xml"
PNG = "image/png"

_PICTURE_HEADERS = {"Cache-Control": "private, no-cache", "X-Content-Type-Options": "nosniff"}
# A drawing opened by itself is a document too: its own styles are all it may use.
_SVG_HEADERS = {**_PICTURE_HEADERS, "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'"}


def _answers(description: str, media: str, example: str | None = None) -> Answers:
    """The described answer that is a page or a picture."""
    binary = media == PNG
    schema = {"type": "string", "contentMediaType": media} | ({"contentEncoding": "binary"} if binary else {})
    content: dict[str, Any] = {"schema": schema, "examples": {"beginning": {"summary": "How it begins", "value": example or "…"}}}
    return {200: {"description": description, "content": {media: content}}}


_PAGE = "<!doctype html>\n<html lang=\"en\">…"
_DRAWING = "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 1280 699\">…"


@router.get(
    "/board", operation_id="get_board", summary="The board of a plan", response_class=Response,
    responses={
        **_answers("The board, one HTML page that loads nothing else", "text/html", _PAGE),
        **problem_answers(UNKNOWN_PLAN, NO_SUCH_PART, FAULTS),
    },
)
async def get_board(plan_id: PlanId, engine: EngineOf, day: Day = None, shift: Shift = None) -> Response:
    """Show the plan to people: what is late, a chart of mills, plates and people, the same as tables; the progress while it is solved.

    The whole plan, a day, or a shift of a day.
    """
    standing, request = await _known(engine, plan_id)
    return await _page(lambda: board_page(standing, request, day, shift))


@router.get(
    "/board/against/{other_id}", operation_id="get_board_against", summary="Two plans compared", response_class=Response,
    responses={
        **_answers("The comparison, one HTML page that loads nothing else", "text/html", _PAGE),
        **problem_answers(UNKNOWN_PLAN, NOT_READY),
    },
)
async def get_board_against(plan_id: PlanId, other_id: Other, engine: EngineOf) -> Response:
    """Compare another plan (a what-if, say) with this one, the base: which orders gain, which pay, and the figures of both."""
    base, other = await _drawable(engine, plan_id), await _drawable(engine, other_id)
    return await _page(lambda: comparison_page(base, other))


@router.get(
    "/load-sheets", operation_id="get_load_sheets", summary="Load sheets to print", response_class=Response,
    responses={
        **_answers("The sheets, one HTML page; every sheet is printed on a page of its own", "text/html", _PAGE),
        **problem_answers(UNKNOWN_PLAN, NO_SUCH_PART, NOT_READY, FAULTS),
    },
)
async def get_load_sheets(plan_id: PlanId, engine: EngineOf, operator: Operator = None, day: Day = None) -> Response:
    """For each operator and day everything to do by hand, in its order.

    Which pieces go into which nests, clamps to tighten, from where to where, the next exchange, cautions, and boxes to tick.
    """
    standing, request = await _drawable(engine, plan_id)
    return await _page(lambda: load_sheets_page(standing, request, operator, day))


@router.get(
    "/machine-sheets", operation_id="get_machine_sheets", summary="Machine sheets to print", response_class=Response,
    responses={
        **_answers("The sheets, one HTML page; every sheet is printed on a page of its own", "text/html", _PAGE),
        **problem_answers(UNKNOWN_PLAN, NO_SUCH_PART, NOT_READY, FAULTS),
    },
)
async def get_machine_sheets(plan_id: PlanId, engine: EngineOf, machine: Machine = None, day: Day = None) -> Response:
    """For each mill and day what it cuts, in its order, and what each cut needs before: setup, tools, who places and pulls."""
    standing, request = await _drawable(engine, plan_id)
    return await _page(lambda: machine_sheets_page(standing, request, machine, day))


@router.get(
    "/gantt.svg", operation_id="get_gantt_svg", summary="The week as a drawing", response_class=Response,
    responses={**_answers("The drawing", SVG, _DRAWING), **problem_answers(UNKNOWN_PLAN, NOT_READY)},
)
async def get_gantt_svg(plan_id: PlanId, engine: EngineOf) -> Response:
    """Draw orders against their due dates and a strip for every day, SVG, 1280 px wide."""
    return await _svg(engine, plan_id, gantt_svg)


@router.get(
    "/gantt.png", operation_id="get_gantt_png", summary="The week as a picture", response_class=Response,
    responses={**_answers("The picture", PNG), **problem_answers(UNKNOWN_PLAN, NOT_READY, NO_FONTS)},
)
async def get_gantt_png(plan_id: PlanId, engine: EngineOf, turn: DrawingTurn) -> Response:
    """Draw the same as PNG, 1920 pixels wide; that takes seconds, one picture at a time."""
    return await _png(engine, plan_id, gantt_svg, turn)


@router.get(
    "/load.svg", operation_id="get_load_svg", summary="Load against capacity as a drawing", response_class=Response,
    responses={**_answers("The drawing", SVG, _DRAWING), **problem_answers(UNKNOWN_PLAN, NOT_READY)},
)
async def get_load_svg(plan_id: PlanId, engine: EngineOf) -> Response:
    """Draw the hours planned of the hours there are, for each mill and person and day, SVG, 1280 px wide."""
    return await _svg(engine, plan_id, load_svg)


@router.get(
    "/load.png", operation_id="get_load_png", summary="Load against capacity as a picture", response_class=Response,
    responses={**_answers("The picture", PNG), **problem_answers(UNKNOWN_PLAN, NOT_READY, NO_FONTS)},
)
async def get_load_png(plan_id: PlanId, engine: EngineOf, turn: DrawingTurn) -> Response:
    """Draw the same as PNG, 1920 pixels wide."""
    return await _png(engine, plan_id, load_svg, turn)


async def _known(engine: Engine, plan_id: str) -> tuple[Standing, PlanRequest]:
    """The plan as it stands and its request."""
    state = await engine.status(plan_id)
    return Standing(state.plan, state.progress, state.problem), await engine.request(plan_id)


async def _drawable(engine: Engine, plan_id: str) -> tuple[Standing, PlanRequest]:
    """The plan and its request; refused while there is nothing to draw."""
    standing, request = await _known(engine, plan_id)
    if not standing.found:
        raise ProblemError(NOT_READY, f"the plan '{plan_id}' is {standing.plan.status} and has nothing to show")
    return standing, request


async def _page(make: Callable[[], Page]) -> Response:
    try:
        page = await asyncio.to_thread(make)
    except NoSuchPart as error:
        raise ProblemError(NO_SUCH_PART, error.detail) from None
    return Response(page.html, headers=dict(page.headers), media_type="text/html")


async def _svg(engine: Engine, plan_id: str, draw: Callable[..., str]) -> Response:
    standing, request = await _drawable(engine, plan_id)
    return Response(await asyncio.to_thread(draw, standing.plan, request), headers=_SVG_HEADERS, media_type=SVG)


async def _png(engine: Engine, plan_id: str, draw: Callable[..., str], turn: asyncio.Semaphore) -> Response:
    standing, request = await _drawable(engine, plan_id)
    svg = await asyncio.to_thread(draw, standing.plan, request)
    async with turn:
        try:
            picture = await png(svg)
        except NoFonts:
            raise ProblemError(NO_FONTS, "this machine has no font to letter a picture with") from None
    return Response(picture, headers=_PICTURE_HEADERS, media_type=PNG)
