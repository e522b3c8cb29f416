"""The calls that answer a plan as people read it: the board, two plans compared, sheets for the floor, pictures."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from platerota_service.access.callers import LinkReader
from platerota_service.answers import Answers, guarded_answers, not_changed
from platerota_service.board import PlanRow, board_page, comparison_page, load_sheets_page, machine_sheets_page, plans_page
from platerota_service.calls import DrawingTurn, PlanId, StoreOf
from platerota_service.cursors import Cursor, PageLimit
from platerota_service.engine import PlanState
from platerota_service.etags import FRESHNESS
from platerota_service.kinds import BAD_CURSOR, BAD_HEADER, FAULTS, NO_FONTS, NO_SUCH_PART, NOT_READY, UNKNOWN_PLAN
from platerota_service.looking import Look, LookOf, viewer_of
from platerota_service.pictures import gantt_svg, load_svg
from platerota_service.pictures.png import NoFonts, png
from platerota_service.plan_list import PlanEntry, ShopAsked, StatusAsked, listed
from platerota_service.problems import ProblemError
from platerota_service.shelf import Rendered
from platerota_shared.plan import Plan
from platerota_shared.tables import PlanRequest

router = APIRouter(prefix="/v1", tags=["pages"])

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

_PICTURE_HEADERS = {"X-Content-Type-Options": "nosniff"}
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
    "/board", operation_id="get_plan_list_page", summary="The list of plans", response_class=Response,
    responses={**_answers("The list, one HTML page", "text/html", _PAGE), **guarded_answers(BAD_CURSOR, FAULTS)},
)
async def get_plan_list_page(
    caller: LinkReader, store: StoreOf, status: StatusAsked = None, shop: ShopAsked = None, cursor: Cursor = None, limit: PageLimit = 50,
) -> Response:
    """Show which plans there are, the newest first, how far each is, and the way to its board."""
    found = await asyncio.to_thread(listed, store, caller.tenant, "/v1/board", status, shop, cursor, limit)
    page = await asyncio.to_thread(lambda: plans_page([_row(one) for one in found.items], following=found.next, viewer=viewer_of(caller)))
    return Response(page.html, headers={**page.headers, **FRESHNESS}, media_type="text/html")


@router.get(
    "/plans/{plan_id}/board", operation_id="get_board", summary="The board of a plan", response_class=Response,
    responses={
        **not_changed(), **_answers("The board, one HTML page that loads nothing else", "text/html", _PAGE),
        **guarded_answers(UNKNOWN_PLAN, BAD_HEADER, NO_SUCH_PART, FAULTS),
    },
)
async def get_board(plan_id: PlanId, look: LookOf, day: Day = None, shift: Shift = None) -> Response:
    """Show the plan to people: what is late, a chart of mills, plates and people, the same as tables; the progress while it is solved.

    The whole plan, a day, or a shift of a day.
    """
    return await look.page(lambda plans: board_page(*plans[0], day, shift, look.viewer), await look.plan(plan_id))


@router.get(
    "/plans/{plan_id}/board/against/{other_id}", operation_id="get_board_against", summary="Two plans compared", response_class=Response,
    responses={
        **not_changed(), **_answers("The comparison, one HTML page that loads nothing else", "text/html", _PAGE),
        **guarded_answers(UNKNOWN_PLAN, BAD_HEADER, NOT_READY),
    },
)
async def get_board_against(plan_id: PlanId, other_id: Other, look: LookOf) -> Response:
    """Compare another plan (a what-if, say) with this one, the base: which orders gain, which pay, and the figures of both."""
    both = await look.plan(plan_id, found=True), await look.plan(other_id, found=True)
    return await look.page(lambda plans: comparison_page(plans[0], plans[1], look.viewer), *both)


@router.get(
    "/plans/{plan_id}/load-sheets", operation_id="get_load_sheets", summary="Load sheets to print", response_class=Response,
    responses={
        **not_changed(), **_answers("The sheets, one HTML page; every sheet is printed on a page of its own", "text/html", _PAGE),
        **guarded_answers(UNKNOWN_PLAN, BAD_HEADER, NO_SUCH_PART, NOT_READY, FAULTS),
    },
)
async def get_load_sheets(plan_id: PlanId, look: LookOf, operator: Operator = None, day: Day = None) -> Response:
    """For each operator and day everything to do by hand, in its order.

    Which pieces go into which nests, clamps to tighten, from where to where, the next exchange, cautions, and boxes to tick.
    """
    state = await look.plan(plan_id, found=True)
    return await look.page(lambda plans: load_sheets_page(*plans[0], operator, day, look.viewer), state)


@router.get(
    "/plans/{plan_id}/machine-sheets", operation_id="get_machine_sheets", summary="Machine sheets to print", response_class=Response,
    responses={
        **not_changed(), **_answers("The sheets, one HTML page; every sheet is printed on a page of its own", "text/html", _PAGE),
        **guarded_answers(UNKNOWN_PLAN, BAD_HEADER, NO_SUCH_PART, NOT_READY, FAULTS),
    },
)
async def get_machine_sheets(plan_id: PlanId, look: LookOf, machine: Machine = None, day: Day = None) -> Response:
    """For each mill and day what it cuts, in its order, and what each cut needs before: setup, tools, who places and pulls."""
    state = await look.plan(plan_id, found=True)
    return await look.page(lambda plans: machine_sheets_page(*plans[0], machine, day, look.viewer), state)


@router.get(
    "/plans/{plan_id}/gantt.svg", operation_id="get_gantt_svg", summary="The week as a drawing", response_class=Response,
    responses={**not_changed(), **_answers("The drawing", SVG, _DRAWING), **guarded_answers(UNKNOWN_PLAN, BAD_HEADER, NOT_READY)},
)
async def get_gantt_svg(plan_id: PlanId, look: LookOf) -> Response:
    """Draw orders against their due dates and a strip for every day, SVG, 1280 px wide."""
    return await _svg(look, await look.plan(plan_id, found=True), gantt_svg)


@router.get(
    "/plans/{plan_id}/gantt.png", operation_id="get_gantt_png", summary="The week as a picture", response_class=Response,
    responses={**not_changed(), **_answers("The picture", PNG), **guarded_answers(UNKNOWN_PLAN, BAD_HEADER, NOT_READY, NO_FONTS)},
)
async def get_gantt_png(plan_id: PlanId, look: LookOf, turn: DrawingTurn) -> Response:
    """Draw `gantt.svg` as PNG, 1920 pixels wide; that takes seconds, one picture at a time."""
    return await _png(look, await look.plan(plan_id, found=True), gantt_svg, turn)


@router.get(
    "/plans/{plan_id}/load.svg", operation_id="get_load_svg", summary="Load against capacity as a drawing", response_class=Response,
    responses={**not_changed(), **_answers("The drawing", SVG, _DRAWING), **guarded_answers(UNKNOWN_PLAN, BAD_HEADER, NOT_READY)},
)
async def get_load_svg(plan_id: PlanId, look: LookOf) -> Response:
    """Draw the hours planned of the hours there are, for each mill and person and day, SVG, 1280 px wide."""
    return await _svg(look, await look.plan(plan_id, found=True), load_svg)


@router.get(
    "/plans/{plan_id}/load.png", operation_id="get_load_png", summary="Load against capacity as a picture", response_class=Response,
    responses={**not_changed(), **_answers("The picture", PNG), **guarded_answers(UNKNOWN_PLAN, BAD_HEADER, NOT_READY, NO_FONTS)},
)
async def get_load_png(plan_id: PlanId, look: LookOf, turn: DrawingTurn) -> Response:
    """Draw `load.svg` as PNG, 1920 pixels wide."""
    return await _png(look, await look.plan(plan_id, found=True), load_svg, turn)


def _row(entry: PlanEntry) -> PlanRow:
    shop = ""
    if entry.shop is not None:
        shop = entry.shop.id + (", released" if entry.shop.released else "") + (", has changed since" if entry.shop.stale else "")
    created = f"{entry.created[:16].replace('T', ' ')} UTC"
    return PlanRow(entry.id, entry.status, entry.quality, created, shop, entry.score, entry.gap, entry.rush, entry.base)


def _svg(look: Look, state: PlanState, draw: Callable[[Plan, PlanRequest], str]) -> Awaitable[Response]:
    async def render() -> Rendered:
        standing, request = await look.drawable(state)
        return Rendered((await asyncio.to_thread(draw, standing.plan, request)).encode(), SVG, _SVG_HEADERS)

    return look.answer(render, state)


def _png(look: Look, state: PlanState, draw: Callable[[Plan, PlanRequest], str], turn: asyncio.Semaphore) -> Awaitable[Response]:
    async def render() -> Rendered:
        standing, request = await look.drawable(state)
        svg = await asyncio.to_thread(draw, standing.plan, request)
        async with turn:
            try:
                return Rendered(await png(svg), PNG, _PICTURE_HEADERS)
            except NoFonts:
                raise ProblemError(NO_FONTS, "this machine has no font to letter a picture with") from None

    return look.answer(render, state)
